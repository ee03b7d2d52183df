"""What the gas in the pipe is becoming: against scipy's solver, and what starts it again."""

import json
from collections.abc import Iterator, Mapping
from typing import Any

import pytest
from hypothesis import given
from hypothesis import settings as hypothesis_settings
from hypothesis import strategies as st
from scipy.integrate import solve_ivp

from edge.core.purge import AIR_PCT
from edge.core.units import GALLON, STANDARD_KPA
from edge.judge import Judge
from edge.model import Event, Request, Tick
from edge.settings import Settings, check

EPOCH = 1.79e9
LOW, HIGH, REGULATED = 262.0, 358.5, 206.8
LINE_L, AISLES_L = 310 * GALLON, 640 * GALLON
STEP_S = 30.0


def site(**more: Mapping[str, Any]) -> Settings:
    """A line with every channel, and one system."""
    names = {"p": "pressure", "o": "oxygen", "r": "running", "a": "pressure"}
    return check(
        {
            "site": {"name": "Made up", "id": "made-up"},
            "supply": {
                "pressure": "p", "oxygen": "o", "running": "r", "warm_up": "5 min",
                "cut_in": f"{LOW} kPa", "cut_out": f"{HIGH} kPa", "volume": "310 gal",
            },
            "system": [{"name": "Aisles", "pressure": "a", "volume": "640 gal"}],
            "channel": [
                {"name": n, "quantity": q, "input": "simulated",
                 "unit": {"pressure": "kPa", "oxygen": "%"}.get(q, "")}
                for n, q in names.items()
            ],
            **more,
        }
    )  # fmt: skip


def cycles(
    hours: float, oxygen: float, loss: float, rise: float, t0: float = 0.0
) -> Iterator[Tick]:
    """Runs and rests of straight lines, kPa/h, the system standing still."""
    kpa, running, t = HIGH, False, t0
    while t < t0 + hours * 3600.0:
        t += STEP_S
        kpa += (rise if running else -loss) * STEP_S / 3600.0
        running = kpa < HIGH if running else kpa <= LOW
        yield Tick(t, EPOCH, (kpa, oxygen if running else 15.0, float(running), REGULATED))


def still(t0: float, steps: int, line: float, aisles: float, *requests: Request) -> Iterator[Tick]:
    """Pressures that stand, at rest, with requests at the first step."""
    for i in range(steps):
        values = (line, 15.0, 0.0, aisles)
        yield Tick(t0 + STEP_S * (i + 1), EPOCH, values, {}, requests if i == 0 else ())


def look(judge: Judge, ticks: Iterator[Tick]) -> list[Event]:
    return [event for tick in ticks for event in judge.look(tick)]


def gas(judge: Judge, name: str) -> dict[str, Any]:
    found: dict[str, Any] = judge.picture()["sections"][name]["gas"]
    return found


def test_follows_the_balance() -> None:
    """Line and system go the way that scipy's solver finds for the same makeup, within 3 %, from
    air toward the generator's oxygen; the upper bound stays above, never under the supply's."""
    loss, rise, hours, made = 20.0, 240.0, 60.0, 1.2
    judge = Judge(site())
    look(judge, cycles(hours, made, loss, rise))
    flow = loss * LINE_L / STANDARD_KPA  # standard litres an hour, at 60 °F
    aisles_l = AISLES_L * (REGULATED + STANDARD_KPA) / STANDARD_KPA
    state = [LINE_L * (HIGH + STANDARD_KPA) / STANDARD_KPA, AIR_PCT, AIR_PCT]  # litres, %, %
    rest, run, t = (HIGH - LOW) / loss, (HIGH - LOW) / rise, 0.0
    while t < hours:
        for running, lasts in ((False, rest), (True, run)):
            coming = flow * (1.0 + rise / loss) if running else 0.0
            taken = flow if t > 0.0 or running else 0.0  # no loss is known before the first run
            state = solve_ivp(
                lambda _, y, coming=coming, taken=taken: [
                    coming - flow,
                    coming * (made - y[1]) / y[0],
                    taken * (y[1] - y[2]) / aisles_l,
                ],
                (0.0, min(lasts, max(hours - t, 0.0))), state, rtol=1e-9,
            ).y[:, -1]  # fmt: skip
            t += lasts
    line, aisles = gas(judge, "supply"), gas(judge, "Aisles")
    assert line["oxygen_pct"] == pytest.approx(state[1], rel=0.03)
    assert aisles["oxygen_pct"] == pytest.approx(state[2], rel=0.03)
    assert made < line["oxygen_pct"] <= line["oxygen_high_pct"] < AIR_PCT
    assert aisles["oxygen_high_pct"] == AIR_PCT  # all may be lost in the line
    assert aisles["makeup_l_min"] == pytest.approx(flow / 60.0, rel=0.03)
    assert aisles["held_l"] == pytest.approx(aisles_l, rel=0.001)


def test_a_vent_and_never() -> None:
    """A supply of 98 % never makes 98 %; a purer one does at a date, and sooner with a vent."""
    poor = Judge(site())
    look(poor, cycles(30.0, 2.0, 20.0, 240.0))
    found = gas(poor, "Aisles")
    assert (found["never"], found["earliest"]) == (True, None)
    assert found["vent_for_two_weeks_l_min"] is None
    good = Judge(site(inerting={"vent": "5 scfh"}))
    look(good, cycles(110.0, 1.2, 2.0, 240.0))
    found = gas(good, "Aisles")
    assert not found["never"]
    assert found["earliest_with_vent"] < found["earliest"]
    assert found["vent_for_two_weeks_l_min"] > 0.0


def test_what_fills_bring_in() -> None:
    """A system let down starts again as air; filled then with nitrogen to 30 psi it holds what the
    gas law leaves, and its upper bound with it; a fill in bypass is told and starts it again."""
    judge = Judge(site(inerting={"nitrogen": "99 %"}, supply={
        "pressure": "p", "running": "r", "cut_in": f"{LOW} kPa", "cut_out": f"{HIGH} kPa",
    }))  # fmt: skip
    events = look(judge, still(0.0, 4, 300.0, REGULATED))
    assert not [e for e in events if e.kind == "inerting_restarted"]
    events = look(judge, still(200.0, 4, 300.0, 0.0))
    told = [e for e in events if e.kind == "inerting_restarted"]
    assert [(e.section, e.numbers["why"]) for e in told] == [("Aisles", "drained")]
    for i in range(60):
        look(judge, still(400.0 + 60 * i, 2, 300.0, REGULATED * min((i + 1) / 50, 1.0)))
    found = gas(judge, "Aisles")
    empty = 2 * 7.0 + STANDARD_KPA  # still empty up to there
    left = 1.0 + (AIR_PCT - 1.0) * empty / (REGULATED + STANDARD_KPA)
    assert found["oxygen_pct"] == pytest.approx(left, rel=0.03)
    assert found["oxygen_pct"] <= found["oxygen_high_pct"] < left + 2.0
    assert (found["why"], found["supply_from"]) == ("drained", "settings")


def test_a_run_in_bypass() -> None:
    """Once warm runs show air, the gas that they brought is air from their first minute: the line
    is told to start again, once for each time that the valve is left so."""
    judge = Judge(site())
    look(judge, cycles(400.0, 1.2, 20.0, 240.0))
    before = gas(judge, "supply")["oxygen_pct"]
    assert before < 2.0
    events = look(judge, cycles(12.0, 20.9, 20.0, 240.0, t0=400.0 * 3600.0))
    told = [e for e in events if e.kind == "inerting_restarted" and e.section == "supply"]
    assert [e.numbers["why"] for e in told] == ["bypass fill"]
    run = (HIGH - LOW) / (HIGH + STANDARD_KPA)  # the share that one run brings
    assert gas(judge, "supply")["oxygen_pct"] > before + 0.9 * run * 18.0
    assert gas(judge, "supply")["supply_from"] == "bypass"
    look(judge, cycles(40.0, 1.2, 20.0, 240.0, t0=412.0 * 3600.0))
    assert gas(judge, "supply")["supply_from"] == "measured"
    events = look(judge, cycles(12.0, 20.9, 20.0, 240.0, t0=452.0 * 3600.0))
    again = [e for e in events if e.kind == "inerting_restarted" and e.section == "supply"]
    assert [e.numbers["why"] for e in again] == ["bypass fill"]


def test_people_start_it_again_and_nonsense_does_not() -> None:
    """A request for a bypass fill, a drained or a measured section is taken up; another is not."""
    judge = Judge(site())
    look(judge, cycles(200.0, 1.2, 20.0, 240.0))

    def ask(**what: Any) -> list[Event]:
        request = Request(1, "gas_restart", "a technician", what)
        t = judge.supply.t or 0.0
        events = look(judge, still(t, 2, 300.0, REGULATED, request))
        return [e for e in events if e.kind == "inerting_restarted"]

    (told,) = ask(section="Aisles", why="measured", oxygen_pct=3.4)
    assert told.numbers["oxygen_pct"] == 3.4
    assert gas(judge, "Aisles")["oxygen_high_pct"] == pytest.approx(3.7, abs=0.01)
    (told,) = ask(section="Aisles", why="bypass fill")
    assert gas(judge, "Aisles")["oxygen_pct"] == pytest.approx(AIR_PCT, abs=0.01)
    assert ask(section="Attic", why="drained") == []
    assert ask(section="Aisles", why="measured", oxygen_pct=44.0) == []
    assert ask(section="Aisles", why="magic") == []
    assert ask(section="Aisles") == []


def test_restarts_change_nothing() -> None:
    """Kept and taken up again at every tenth tick, the gas is the same to the last digit."""
    ticks = [*cycles(60.0, 1.3, 60.0, 300.0), *still(60.0 * 3600.0, 5, 300.0, 2.0)]
    whole, parted = Judge(site()), Judge(site())
    told = look(whole, iter(ticks))
    again = []
    for i, tick in enumerate(ticks):
        again += parted.look(tick)
        if i % 10 == 0:
            parted = Judge(site(), json.loads(json.dumps(parted.state(), allow_nan=False)))
    assert again == told
    assert parted.picture() == whole.picture()


def test_what_is_not_known() -> None:
    """Without a volume, or a purity measured or told, nothing is claimed and the reason is given."""
    bare = Judge(site(system=[{"name": "Aisles", "pressure": "a"}]))
    look(bare, still(0.0, 2, 300.0, REGULATED))
    assert "volume" in gas(bare, "Aisles")["not_known"]
    assert "purity" in gas(bare, "supply")["not_known"]


def test_another_volume_in_the_settings_is_no_fill() -> None:
    """A volume that was mended in the settings between two starts changes no oxygen."""
    judge = Judge(site())
    look(judge, cycles(60.0, 1.2, 20.0, 240.0))
    larger = [{"name": "Aisles", "pressure": "a", "volume": "900 gal"}]
    again = Judge(site(system=larger), json.loads(json.dumps(judge.state())))
    look(again, still(60.0 * 3600.0, 4, 300.0, REGULATED))
    look(judge, still(60.0 * 3600.0, 4, 300.0, REGULATED))
    before, after = gas(judge, "Aisles"), gas(again, "Aisles")
    assert after["oxygen_pct"] == pytest.approx(before["oxygen_pct"], abs=0.05)
    assert after["held_l"] == pytest.approx(before["held_l"] * 900 / 640, rel=1e-3)


@hypothesis_settings(max_examples=40, deadline=None, derandomize=True)
@given(
    st.lists(
        st.tuples(
            st.floats(0.0, 400.0), st.floats(0.0, 300.0), st.booleans(),
            st.sampled_from([0.5, 1.5, 4.0, 20.9]), st.sampled_from([1, 15, 90]),
        ),
        min_size=2, max_size=25,
    )
)  # fmt: skip
def test_whatever_the_pressures_do(steps: list[tuple[float, float, bool, float, int]]) -> None:
    """Oxygen stays between the purest that came in and air, and the bound is never under it."""
    judge, t = Judge(site(inerting={"nitrogen": "98.5 %"})), 0.0
    for line, aisles, running, oxygen, minutes in steps:
        for _ in range(minutes):
            t += 60.0
            judge.look(Tick(t, EPOCH, (line, oxygen, float(running), aisles)))
        for name in ("supply", "Aisles"):
            found = gas(judge, name)
            assert 0.5 - 1e-3 <= found["oxygen_pct"] <= AIR_PCT + 1e-3
            assert found["oxygen_pct"] <= found["oxygen_high_pct"] <= AIR_PCT + 1e-3
