"""The commissioning visit on a simulated plant: a good one, and each thing wrong by its name."""

import re
from collections.abc import Callable

import pytest

from edge.record import Record
from tests.visit.technician import FILL, SYSTEM, Technician

BACK = {
    "three_way": "nitrogen", "drains": "closed", "device0": "open", "past0": "closed", "told": True,
}  # fmt: skip
"""Every valve looked at and in its place of service."""


def begin(technician: Technician) -> None:
    technician.wait(60.0)
    technician.ask("visit_start")
    assert technician.judge.visit.open


def whole(technician: Technician, *, turned: bool = True) -> Record:
    """Every step from start to signature, with what the technician's own instruments show; the
    monitor is restarted in the middle of it."""
    t = technician
    begin(t)
    t.answer("readiness", {"station": True, "owner": True, "impairment": True, "watch": True})
    t.answer("valves", {"three_way": "nitrogen", "drains": "closed", "needle": "2 turns"})
    t.answer("setpoints", {"cut_in_kpa": 262.0, "cut_out_kpa": 358.5, "delay_s": 8.0})
    t.cycle()
    t.answer("cycle")
    t.put(probe="open air")
    t.wait(200.0)
    t.answer("oxygen_air", {"air_c": 20.0, "humidity_pct": 50.0})
    t.put(probe="2 % gas")
    t.wait(200.0)
    t.answer("oxygen_second", {"gas_pct": 2.0})
    t.restart()
    t.put(probe="the sample line")
    t.warm(2100.0)
    t.answer("warm_up")
    t.answer("beside", {"oxygen_pct": t.plant.oxygen_pct})
    flow = {"flow_l_min": t.plant.production_l_min, "report_l_min": 21.24}
    t.answer("production", {**flow, "meter": "reads standard flow"})
    t.answer("purity")
    t.put(device="shut")
    t.ask("hold_start", section="supply", method="supply line")
    t.until(lambda: "supply" in t.judge.visit.watch.holds, 12 * 3600.0)
    t.ask("hold_put_back", section="supply", valves=["all"])
    t.answer("line_hold")
    t.fill(turned=turned)
    t.until(lambda: not t.plant.running)
    t.wait(20.0)
    t.answer("devices", BACK)
    t.wait(1800.0)
    events = t.ask("visit_sign", name="T. Quill", role="technician", witness="O. Weir")
    return Record.of(next(e for e in events if e.kind == "record_made").aside["record"])


def test_a_good_visit_finds_nothing_and_its_numbers_become_the_baseline() -> None:
    """Driven whole over a restart on a sound plant whose cell is a tenth low: nothing is found, no
    chapter is skipped, delay, flow and set points are the plant's own, and the baseline is its true
    loss, within what the visit says of its doubt."""
    t = Technician()
    t.plant.cell = 0.9
    record = whole(t)
    assert record.findings == ()
    assert [c.title for c in record.chapters if c.skipped is not None] == []
    assert [s.name for s in record.signatures] == ["T. Quill", "O. Weir"]
    found = {f.what: f for c in record.chapters for f in c.figures if f.value is not None}
    assert found["Start delay observed"].value == pytest.approx(8.0, abs=4.0)
    assert found["Cut-out observed"].value == pytest.approx(358.5, abs=1.5)
    assert found["Oxygen that the air on site has"].value == pytest.approx(20.71, abs=0.01)
    assert found["Output in air, share of new"].value == pytest.approx(90.0, abs=0.5)
    assert found["The sensor's own reading"].value == pytest.approx(1.45, abs=0.05)
    # Loss as the plant knows it, at mid-band; the visit's interval is one of 95 %, twice as wide
    # here so that one unlucky seed in twenty does not matter.
    middle = (262.0 + 358.5) / 2.0 + 101.325
    now = t.plant.line_pressure_kpa + t.plant.barometer_kpa
    supply = t.plant.loss_kpa_per_h * middle / now
    systems = t.plant.systems.values()
    taken = sum(s.parameters.loss_l_min for s in systems) / t.plant.parameters.volume_l
    truth = supply + taken * 60.0 * 101.325
    baseline = t.judge.baseline
    assert baseline.loss == pytest.approx(truth, abs=4.0 * baseline.loss_sd + 0.03 * truth)
    assert baseline.nitrogen_pct == pytest.approx(100.0 - 1.45, abs=0.2)
    assert t.judge.picture()["visit"]["stage"] == "signed"
    assert t.judge.picture()["sections"][SYSTEM]["gas"]["why"] == "bypass fill"


def bypass(t: Technician) -> list[str]:
    """The valve stands in bypass while purity is judged."""
    t.put(bypass="bypass", drain="open")
    t.wait(1500.0)
    return t.answer("purity")


def forgotten(t: Technician) -> list[str]:
    """The valve is not turned back for the last of the fill."""
    return t.fill(turned=False)


def needle(t: Technician) -> list[str]:
    t.put(needle="1.5")
    t.warm(2400.0)
    return t.answer("purity")


def leak(t: Technician) -> list[str]:
    t.put(device="shut", leak="leaks")
    t.ask("hold_start", section="supply", method="supply line")
    t.until(lambda: "supply" in t.judge.visit.watch.holds, 12 * 3600.0)
    return t.answer("line_hold")


def worn(t: Technician) -> list[str]:
    t.put(cell="worn", probe="open air")
    t.wait(200.0)
    return t.answer("oxygen_air", {"air_c": 20.0, "humidity_pct": 50.0})


def cut_out(t: Technician) -> list[str]:
    t.put(cut_out="a quarter too high")
    t.answer("setpoints", {"cut_in_kpa": 262.0, "cut_out_kpa": 358.5, "delay_s": 8.0})
    t.cycle()
    return t.answer("cycle")


def dead_control(t: Technician) -> list[str]:
    t.plant.control = "never_starts"
    t.put(drain="open")
    t.wait(600.0)
    return t.answer("cycle")


def late(t: Technician) -> list[str]:
    """Half a minute's delay where eight seconds are set, taken by a stopwatch too."""
    t.plant.control = "never_starts"
    t.put(drain="open")
    t.until(lambda: t.plant.line_pressure_kpa < 262.0)
    t.wait(30.0)
    t.plant.control = "works"
    t.until(lambda: t.plant.running)
    t.put(drain="closed")
    t.wait(30.0)
    return t.answer("cycle", {"stopwatch_s": 38.0})


def apart(t: Technician) -> list[str]:
    t.warm(1500.0)
    return t.answer("beside", {"oxygen_pct": t.plant.oxygen_pct + 1.0})


def tired(t: Technician) -> list[str]:
    t.plant.strength = 0.7
    t.warm(900.0)
    flow = {"flow_l_min": t.plant.production_l_min, "report_l_min": 21.24}
    return t.answer("production", flow)


WRONG: list[tuple[Callable[[Technician], list[str]], str]] = [
    (bypass, "bypass left on"),
    (forgotten, "bypass left on"),
    (needle, "needle valve too open"),
    (leak, "leak"),
    (worn, "cell worn"),
    (cut_out, "cut-out mis-set"),
    (dead_control, "pressure control does not act"),
    (late, "start delay mis-set"),
    (apart, "oxygen sensor and hand-held analyzer disagree"),
    (tired, "production under the test report"),
]


@pytest.mark.parametrize(("deed", "name"), WRONG, ids=[deed.__name__ for deed, _ in WRONG])
def test_what_is_wrong_is_named(deed: Callable[[Technician], list[str]], name: str) -> None:
    """A visit on a plant with one thing wrong names that and nothing else, still in the record when
    it is signed, which takes no baseline from it and says what was skipped."""
    t = Technician()
    begin(t)
    assert name in deed(t)
    events = t.ask("visit_sign", name="T. Quill")
    record = Record.of(events[-1].aside["record"])
    assert {one.split(":")[0] for one in record.findings} == {name}
    skipped = [chapter for chapter in record.chapters if chapter.skipped is not None]
    assert len(skipped) >= 10
    assert t.judge.baseline.loss is None


def test_what_is_put_right_is_no_finding_but_stays_told() -> None:
    """A needle valve too open, turned as told and concluded again, leaves the findings and stands
    in the record as found before; the flow falls within the range that was foretold."""
    t = Technician()
    begin(t)
    t.put(needle="1.5")
    t.warm(2400.0)
    before = t.plant.production_l_min
    t.answer("production", {"flow_l_min": before})
    assert t.answer("purity") == ["needle valve too open"]
    told = next(
        f["text"] for f in t.judge.visit.answers["purity"]["figures"] if "until" in f["text"]
    )
    low, high = (int(n) for n in told.split("(")[1].split(" %")[0].split(" to "))
    # Turned until the technician sees 2 % on the hand-held.
    while t.plant.product_oxygen_pct > 2.0:
        t.plant.needle *= 0.98
        t.hands["needle"] = str(t.plant.needle)
        t.warm(120.0)
    assert low / 100.0 <= t.plant.production_l_min / before <= high / 100.0
    t.warm(600.0)
    assert t.answer("purity") == []
    events = t.ask("visit_sign", name="T. Quill")
    record = Record.of(events[-1].aside["record"])
    assert record.findings == ()
    texts = [
        f.text for c in record.chapters for f in c.figures if f.what.startswith("Found before")
    ]
    assert len(texts) == 1
    assert texts[0].startswith("needle valve too open")


def valves_found(t: Technician) -> list[str]:
    """What stands as found of valves; the systems of this story are empty, which is found too."""
    found = (f["name"] for f in t.judge.visit.findings() if f["key"] != "device")
    return sorted(found)


def test_what_nobody_looked_at_clears_nothing() -> None:
    """A bypass and a drain found in the walk stand through an empty last step, through a run that
    was over before they were found, through a second look that skips them and through a skipped step;
    the record has them as findings and says what was not looked at; looked at, they are put right."""
    t = Technician()
    begin(t)
    t.warm(900.0)
    t.until(lambda: not t.plant.running)
    t.wait(20.0)
    t.answer("valves", {"three_way": "bypass", "drains": "open", "device0": "open"})
    t.answer("devices", {})
    t.answer("valves", {"device0": "open", "past0": "closed"})
    t.ask("visit_skip", step="valves", why="no time")
    assert valves_found(t) == ["bypass left on", "valve out of its place"]
    undone = t.judge.visit.answers["devices"]["undone"]
    assert len(undone) == 5
    half = {**BACK, "three_way": None}
    t.answer("devices", half)
    assert valves_found(t) == ["bypass left on"]
    event = t.ask("visit_sign", name="T. Quill")[-1]
    record = Record.of(event.aside["record"])
    assert "bypass left on" in [one.split(":")[0] for one in record.findings]
    assert "1 of 13 steps were not done, or not wholly" in event.text
    texts = [f.text for c in record.chapters for f in c.figures if f.what == "Not done"]
    assert texts == ["the three-way valve was not looked at"]
    assert t.judge.baseline.loss is None


def test_a_run_begun_after_the_finding_proves_the_valve() -> None:
    """A bypass seen with the generator at rest is over once a later run has shown nitrogen, though
    nobody looks at the valve again."""
    t = Technician()
    begin(t)
    t.answer("valves", {"three_way": "bypass"})
    t.wait(20.0)
    t.warm(900.0)
    t.answer("devices", {**BACK, "three_way": None})
    assert valves_found(t) == []


def test_a_rest_too_short_is_no_baseline() -> None:
    """Four minutes of rest after every valve is back do not become the loss to compare with, and the
    record says how long and how well known it was, and what is needed."""
    t = Technician()
    begin(t)
    system, barometer = t.plant.systems[SYSTEM], t.plant.barometer_kpa
    system.moles *= (206.8 + barometer) / (system.pressure_kpa + barometer)  # as if filled
    t.put(device="works")
    t.cycle()
    t.answer("devices", BACK)
    t.wait(300.0)
    record = Record.of(t.ask("visit_sign", name="T. Quill")[-1].aside["record"])
    (said,) = [
        f.text for c in record.chapters for f in c.figures if f.what == "Loss to compare with"
    ]
    assert re.search(r"the rest of .* was too short: it knows its loss of .* at least 20 min", said)
    assert t.judge.baseline.loss is None


def test_a_calibration_alone_makes_a_periodic_record_and_ends_the_alert() -> None:
    """Outside of a visit a calibration in air corrects the reading from the next tick on, makes a
    record of its own and a date that calibration_due goes by; a sensor that does not stand still is
    left as it was."""
    t = Technician()
    t.plant.cell = 0.9
    t.put(probe="open air")
    t.wait(30.0)
    assert t.ask("calibrate", step="oxygen_air", values={"air_c": 20.0}) == []
    assert "stand still" in str(t.judge.visit.refused_alone)
    t.wait(200.0)
    events = t.ask("calibrate", step="oxygen_air", values={"air_c": 20.0, "humidity_pct": 50.0})
    assert [e.kind for e in events] == ["calibrated", "record_made"]
    assert events[1].numbers["record_kind"] == "periodic"
    t.wait(10.0)
    shown = t.judge.visit.watch.oxygen[-1][1]
    assert shown == pytest.approx(20.71, abs=0.1)
    assert t.judge.cells.at("oxygen") == pytest.approx(events[0].at, abs=0.001)
    # What was read before the correction proves nothing of it: none of that is used again.
    t.wait(50.0)
    assert t.ask("calibrate", step="oxygen_air", values={"air_c": 20.0, "humidity_pct": 50.0}) == []
    assert "stand still" in str(t.judge.visit.refused_alone)
    t.wait(200.0)
    again = t.ask("calibrate", step="oxygen_air", values={"air_c": 20.0, "humidity_pct": 50.0})
    assert again[0].numbers["gain"] == pytest.approx(events[0].numbers["gain"], abs=0.002)


def test_nothing_is_forced() -> None:
    """A visit signed at once makes a record in which every step says that it was not done."""
    t = Technician()
    begin(t)
    t.ask("visit_skip", step=FILL, why="stays in service")
    record = Record.of(t.ask("visit_sign", name="T. Quill")[-1].aside["record"])
    told = {c.title: c.skipped for c in record.chapters}
    assert told.pop("The visit") is None
    assert told.pop("Fill Freezer aisles 1-6") == "stays in service"
    assert set(told.values()) == {"not done; nobody said why"}
