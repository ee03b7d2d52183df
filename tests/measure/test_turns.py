"""Cut-in and cut-out: never a turn that did not happen, every turn of a clear cycle in its place."""

import math
import random
from collections.abc import Callable, Iterator
from datetime import datetime
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import settings as hypothesis_settings
from hypothesis import strategies as st
from synthetic import BAND, CUT_IN, CUT_OUT, EPOCH, Supply, Turn, even, judged, site, ticks, uneven
from synthetic import turns as told

from edge.judge import Judge
from edge.model import Event, Tick, on_grid

NOISE_KPA = 0.14
"""0.02 psi, what a good gauge and a 16-bit converter leave."""


def off(found: list[Turn], true: list[Turn], within_s: float) -> list[str]:
    """What is wrong with the turns found: false ones, and missed ones."""
    rest, wrong = list(found), []
    for turn in true:
        near = [f for f in rest if f.running is turn.running and abs(f.t - turn.t) <= within_s]
        if near:
            rest.remove(near[0])
        else:
            wrong.append(f"missed {turn}")
    return wrong + [f"false {turn}" for turn in rest]


@hypothesis_settings(max_examples=40, deadline=None, derandomize=True)
@given(
    rise=st.floats(math.log(6.0), math.log(8000.0)).map(math.exp),
    share=st.floats(math.log(0.02), math.log(1.0)).map(math.exp),
    start=st.floats(0.0, 0.9),
    step=st.sampled_from([1.0, 2.0, 10.0, 60.0, 300.0]),
    even_steps=st.booleans(),
    seed=st.integers(0, 1000),
)
def test_clear_cycles_from_the_pressure(
    rise: float, share: float, start: float, step: float, even_steps: bool, seed: int
) -> None:
    """From 6 to 8000 kPa/h, at steps of 1 to 300 s, even or not: every turn is told, none that was
    not, each within 30 s, 2 steps, 2 % of the run or twice what noise hides, at its pressure."""
    supply = Supply(rise * share, rise, start)
    # At least a few readings to a run and a rest, and not too many in all.
    step = max(step, (supply.rest_s + supply.run_s) / 6000.0)
    step = min(step, supply.run_s / 8.0, supply.rest_s / 8.0, 300.0)
    until = min(2.6 * (supply.rest_s + supply.run_s), 30_000 * step)
    times = even(step, until) if even_steps else uneven(step, until, seed)
    found = told(judged(site(contact=False), ticks(supply.at, times, NOISE_KPA, seed)))
    hidden_s = 2.0 * NOISE_KPA / rise * 3600.0
    within = max(30.0, (2.0 if even_steps else 4.0) * step, 0.02 * supply.run_s, hidden_s)
    # The last turn shows only when a good part of what follows it has been seen.
    known = [t for t in supply.turns(until) if until - t.t > 0.35 * supply.run_s + 6.0 * step]
    late = [f for f in found if not known or f.t > known[-1].t + within]
    assert off(found[: len(found) - len(late)], known, within) == []
    assert off(late, supply.turns(until)[len(known) :], within) in ([], *_missed(supply, until))
    rate = max(rise, rise * share) / 3600.0
    for turn in found:
        target = CUT_IN if turn.running else CUT_OUT
        assert abs(turn.kpa - target) <= 0.012 * BAND + 6.0 * NOISE_KPA + 2.0 * rate * step


def _missed(supply: Supply, until: float) -> list[list[str]]:
    """The last turns may not have shown yet."""
    last = supply.turns(until)[-2:]
    return [[f"missed {turn}" for turn in last[i:]] for i in range(len(last))]


@hypothesis_settings(max_examples=30, deadline=None, derandomize=True)
@given(
    rise=st.floats(6.0, 8000.0),
    share=st.floats(0.02, 1.0),
    step=st.sampled_from([1.0, 10.0, 60.0, 300.0]),
    seed=st.integers(0, 1000),
)
def test_cycles_by_the_contact(rise: float, share: float, step: float, seed: int) -> None:
    """With a run contact each turn is told at the first reading that shows it, with the pressure
    on its side of the edge."""
    supply = Supply(rise * share, rise)
    step = min(max(step, (supply.rest_s + supply.run_s) / 4000.0), supply.run_s / 3.0)
    step = min(step, supply.rest_s / 3.0, 300.0)
    until = 2.6 * (supply.rest_s + supply.run_s)
    times = list(uneven(step, until, seed))
    rows = list(ticks(supply.at, iter(times), NOISE_KPA, seed, contact=True))
    expected = [
        (
            b,
            min(rows[i].values[0], rows[i + 1].values[0])
            if supply.at(b)[1]
            else max(rows[i].values[0], rows[i + 1].values[0]),
            supply.at(b)[1],
        )
        for i, (a, b) in enumerate(pairwise(times))
        if supply.at(a)[1] != supply.at(b)[1]
    ]
    found = told(judged(site(contact=True), iter(rows)))
    assert [(pytest.approx(t, abs=1e-3), k, r) for t, k, r in expected] == found


def warming(start_kpa: float, loss: float, kelvin: float) -> Callable[[float], tuple[float, bool]]:
    """A pipe that only rests, warmed by so many kelvin each day, from the coldest hour on."""
    moles = (start_kpa + 101.325) / 288.0

    def at(t: float) -> tuple[float, bool]:
        kelvins = 288.0 + kelvin / 2.0 * (1.0 - math.cos(math.tau * t / 86400.0))
        return moles * kelvins - 101.325 - loss * t / 3600.0, False

    return at


@pytest.mark.parametrize("contact", [False, True])
@pytest.mark.parametrize("kelvin", [5.0, 12.0, 20.0])
@pytest.mark.parametrize("start_kpa", [CUT_IN + 1.0, CUT_IN + 10.0, 310.0, 335.0])
@pytest.mark.parametrize("loss", [0.0, 0.4])
def test_sun_is_no_run(contact: bool, kelvin: float, start_kpa: float, loss: float) -> None:
    """Three days of sun that warm the pipe by up to 20 K a day are no run, with a run contact or
    without one, wherever in the band they begin."""
    rows = ticks(
        warming(start_kpa, loss, kelvin), even(60.0, 3 * 86400.0), NOISE_KPA, contact=contact
    )
    events = judged(site(contact=contact), rows)
    assert told(events) == []
    assert [e.numbers["alert"] for e in events if "alert" in e.numbers] in (
        [],
        ["no_cut_in"],  # once it has lost so much that it lies under cut-in
        ["no_cut_in", "low_pressure"],
    ) or loss > 0.0


def test_sun_after_fast_runs_is_no_run() -> None:
    """A supply whose fast runs are known is not taken in by the sun that follows them."""
    cycle = Supply(60.0, 600.0, 0.0)
    shift = 3.0 * (cycle.rest_s + cycle.run_s) + 0.97 * cycle.rest_s
    calm = warming(cycle.at(shift)[0], 0.2, 20.0)

    def at(t: float) -> tuple[float, bool]:
        return cycle.at(t) if t < shift else calm(t - shift)

    found = told(judged(site(contact=False), ticks(at, even(30.0, shift + 86400.0), NOISE_KPA)))
    assert off(found, cycle.turns(shift), 90.0) == []


@pytest.mark.parametrize("swing", [10.0, 20.0])
@pytest.mark.parametrize(
    ("rise", "loss"), [(60.0, 1.2), (60.0, 6.0), (200.0, 20.0), (1000.0, 20.0)]
)
def test_cycles_under_the_sun(swing: float, rise: float, loss: float) -> None:
    """Cycles whose pressure the sun moves as well are told in their place, and no others."""
    moles, running, rows, true = (330.0 + 101.325) / 288.0, False, [], []
    for i in range(int(4 * 86400 / 20)):
        t = 20.0 * i
        kelvins = 288.0 + swing / 2.0 * (1.0 - math.cos(math.tau * t / 86400.0))
        kpa = moles * kelvins - 101.325
        if kpa <= CUT_IN if not running else kpa >= CUT_OUT:
            running = not running
            true.append(Turn(t, kpa, running))
        rows.append((kpa, running))
        moles += ((rise if running else 0.0) - loss) / 288.0 * 20.0 / 3600.0
    assert len(true) >= 2
    found = told(
        judged(
            site(contact=False),
            ticks(lambda t: rows[round(t / 20.0)], even(20.0, 20.0 * (len(rows) - 1)), NOISE_KPA),
        )
    )
    known = [turn for turn in true if turn.t < 4 * 86400 - 3600.0]
    run_s = BAND / (rise - loss) * 3600.0
    assert off(found[: len(known)], known, max(60.0, 0.05 * run_s)) == []
    assert len(found) <= len(true)


@pytest.mark.parametrize("size", [-300.0, -60.0, -15.0, 15.0, 60.0, 3000.0])
@pytest.mark.parametrize(("rise", "loss"), [(60.0, 1.2), (200.0, 20.0), (2000.0, 60.0)])
def test_single_spikes_are_no_turns(size: float, rise: float, loss: float) -> None:
    """A single false reading now and then, of any size, neither makes a turn nor hides one."""
    supply = Supply(loss, rise)
    step = max(2.0, min(30.0, supply.run_s / 30.0))
    until = 1.8 * (supply.rest_s + supply.run_s)
    rows = [
        row._replace(values=(on_grid(row.values[0] + size),)) if i % 37 == 11 else row
        for i, row in enumerate(ticks(supply.at, even(step, until), NOISE_KPA))
    ]
    found = told(judged(site(contact=False), iter(rows)))
    known = [t for t in supply.turns(until) if until - t.t > 0.4 * supply.run_s]
    assert off(found, known, max(60.0, 4.0 * step, 0.04 * supply.run_s)) == []


@pytest.mark.parametrize("size", [-150.0, 60.0, 150.0])
@pytest.mark.parametrize(("rise", "loss"), [(400.0, 40.0), (4000.0, 400.0)])
def test_two_wild_readings_together_are_no_turn(size: float, rise: float, loss: float) -> None:
    """Two wild readings within three, next to each other or with a good one between, at random
    moments of rest and run, make no turn that is not there and move none that is."""
    supply, rng, step = Supply(loss, rise), random.Random(5), 10.0
    until = 3.6 * (supply.rest_s + supply.run_s)
    rows = list(ticks(supply.at, even(step, until), NOISE_KPA))
    wild = set[int]()
    while len(wild) < 40:
        i, apart = rng.randrange(10, len(rows) - 10), rng.choice((1, 2))
        near = [abs(rows[i].t - turn.t) for turn in supply.turns(until)]
        # A corner cannot be told from wild readings that lie upon it.
        if min(near) > 6.0 * step and not wild & set(range(i - 8, i + 10)):
            wild |= {i, i + apart}
    spoiled = [
        tick._replace(values=(on_grid(tick.values[0] + size),)) if i in wild else tick
        for i, tick in enumerate(rows)
    ]
    plain = told(judged(site(contact=False), iter(rows)))
    found = told(judged(site(contact=False), iter(spoiled)))
    assert [turn.running for turn in found] == [turn.running for turn in plain]
    for turn, other in zip(found, plain, strict=True):
        assert abs(turn.t - other.t) <= 2.0 * step
        assert abs(turn.kpa - other.kpa) <= 0.03 * BAND


@pytest.mark.parametrize("level", [300.0, 320.0, 332.0])
@pytest.mark.parametrize("swing", [0.0, 2.0, 12.0])
@pytest.mark.parametrize("period_s", [600.0, 3600.0, 6 * 3600.0])
def test_hovering_short_of_cut_out_is_no_stop(level: float, swing: float, period_s: float) -> None:
    """A run that hangs short of cut-out, up and down by an eighth of the band, has not stopped; a
    day of it is a long run."""

    def at(t: float) -> tuple[float, bool]:
        if t < 7200.0:
            return CUT_IN + 10.0 - 5.0 * t / 3600.0, False
        climbed = CUT_IN + 100.0 * (t - 7200.0) / 3600.0
        if climbed < level:
            return climbed, True
        return level + swing * math.sin(math.tau * (t - 7200.0) / period_s), True

    events = judged(site(contact=False), ticks(at, even(10.0, 86400.0), NOISE_KPA))
    assert [(turn.running, round(turn.t / 60.0)) for turn in told(events)] == [(True, 120)]
    assert "long_run" in [e.numbers.get("alert") for e in events if e.kind == "alert_raised"]


GAP_S = 1800.0


def around(events: list[Event], kind: str) -> list[float]:
    return [event.at - EPOCH for event in events if event.kind == kind]


def holed(supply: Supply, until: float, gap_t: float, contact: bool) -> Iterator[Tick]:
    for tick in ticks(supply.at, even(10.0, until), NOISE_KPA, contact=contact):
        if not gap_t < tick.t <= gap_t + GAP_S:
            yield tick


@pytest.mark.parametrize("contact", [True, False])
@pytest.mark.parametrize("place", [i / 20.0 for i in range(20)])
def test_gaps_anywhere_in_a_cycle(contact: bool, place: float) -> None:
    """Half an hour without readings at any place of the cycle: turns inside the gap are not made
    up, turns outside are told once, and no run or rest is measured across it."""
    supply = Supply(40.0, 120.0, 0.0)
    cycle = supply.rest_s + supply.run_s
    until, gap_t = 3.2 * cycle, (1.0 + place) * cycle
    events = judged(site(contact=contact), holed(supply, until, gap_t, contact))
    lost = [t for t in supply.turns(until) if gap_t < t.t <= gap_t + GAP_S]
    # Without a contact, a turn just before the gap may not have shown, nor the first after it.
    unsure = 10.0 if contact else 0.4 * supply.run_s
    sure = [
        t
        for t in supply.turns(until)
        if not gap_t - unsure < t.t <= gap_t + GAP_S + (10.0 if contact else supply.run_s)
        and until - t.t > 0.4 * supply.run_s
    ]
    found = told(events)
    wrong = off(found, [t for t in supply.turns(until) if t not in lost], 60.0)
    assert [w for w in wrong if w.startswith("false")] == []
    assert [w for w in off(found, sure, 60.0) if w.startswith("missed")] == []
    for event in events:
        if event.kind in ("run_measured", "idle_measured"):
            end = event.at - EPOCH
            start = end - event.numbers["run_s" if event.kind == "run_measured" else "idle_s"]
            assert end <= gap_t + 10.0 or start >= gap_t + GAP_S
        if event.kind == "run_measured":
            assert event.numbers["run_s"] == pytest.approx(supply.run_s, rel=0.03, abs=30.0)
        if event.kind == "idle_measured":
            assert event.numbers["loss_kpa_per_h"] == pytest.approx(40.0, rel=0.06)


def test_first_seen_running_tells_no_start() -> None:
    """A recording that begins in the middle of a run tells its end, but neither a start at its
    first reading nor the length of a run that it saw only half of; with a contact and without."""
    for contact in (True, False):
        supply = Supply(40.0, 120.0, 0.0)
        shift = supply.rest_s + 0.4 * supply.run_s

        def at(t: float, supply: Supply = supply, shift: float = shift) -> tuple[float, bool]:
            return supply.at(t + shift)

        until = 0.6 * supply.run_s + 1.5 * supply.rest_s
        events = judged(site(contact=contact), ticks(at, even(10.0, until), 0.05, contact=contact))
        first = [e for e in events if e.kind in ("cut_in", "cut_out", "run_measured")][0:2]
        assert [e.kind for e in first] == ["cut_out", "cut_in"]
        assert first[0].at - EPOCH == pytest.approx(0.6 * supply.run_s, abs=30.0)
        seen = datetime.fromisoformat(first[0].numbers["seen_from"]).timestamp() - EPOCH
        assert 0.0 <= seen < 0.6 * supply.run_s
        assert "seen_from" not in first[1].numbers


def test_contact_that_dies_is_done_without() -> None:
    """When the run contact falls silent, turns go on from the pressure, marked as inferred; when
    it speaks again they are told by it."""
    supply = Supply(40.0, 120.0, 0.0)
    cycle = supply.rest_s + supply.run_s
    dies, back, until = 1.2 * cycle, 3.3 * cycle, 5.1 * cycle
    rows = (
        tick._replace(values=(tick.values[0], None)) if dies < tick.t <= back else tick
        for tick in ticks(supply.at, even(10.0, until), 0.05, contact=True)
    )
    events = judged(site(contact=True), rows)
    assert off(told(events), supply.turns(until), 30.0) == []
    marked = {e.at - EPOCH: e.numbers["inferred"] for e in events if "inferred" in e.numbers}
    assert len(marked) == 10
    assert all(inferred is (dies < t <= back) for t, inferred in marked.items())


@pytest.mark.parametrize("silent_s", [40.0, 7200.0])
def test_contact_alone_while_pressure_is_silent(silent_s: float) -> None:
    """While no pressure is read the run contact still counts runtime: a run that ends meanwhile
    neither goes on for ever nor raises long_run."""
    supply = Supply(20.0, 200.0, 0.0)
    stop = supply.rest_s + supply.run_s
    settings = site(contact=True, longest_run="1 h")
    rows = (
        tick._replace(values=(None, tick.values[1]))
        if stop - 15.0 < tick.t <= stop - 15.0 + silent_s
        else tick
        for tick in ticks(supply.at, even(10.0, stop + 3 * 3600.0), 0.05, contact=True)
    )
    judge = Judge(settings)
    events = [event for tick in rows for event in judge.look(tick)]
    assert judge.picture()["sections"]["supply"]["runtime_day_s"] == pytest.approx(
        supply.run_s, abs=20.0
    )
    assert "long_run" not in [e.numbers.get("alert") for e in events]
    short = silent_s < 60.0
    assert [e.kind for e in events if e.kind.startswith("cut")] == ["cut_in", "cut_out"][
        : 1 + short
    ]
    if short:
        assert around(events, "cut_out")[0] == pytest.approx(stop, abs=10.0)
