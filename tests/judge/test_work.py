"""Periodic work: due by the calendar or by running hours, and recorded when done."""

import json
from datetime import date
from typing import Any

import pytest
from script import EPOCH, SYSTEM, site

from edge.core.units import PSI
from edge.errors import SettingsError
from edge.judge import Judge
from edge.model import Event, Request, Tick, iso
from edge.record import COMMISSIONING, Record, made
from edge.usual import DAY_S, LEAKAGE, USUAL
from edge.work import Work, items

HOUR_S = 3600.0
DONE: dict[str, Any] = {
    "work": "filter service",
    "section": "supply",
    "done_by": "R. Fenwick",
    "role": "technician",
    "readings": [
        {"what": "across the filter", "value": 3.0 * PSI, "quantity": "pressure",
         "source": "gauge 7", "uncertainty": 0.5 * PSI},
        {"what": "element", "text": "black, <b>oily</b>"},
    ],
    "notes": "Changed the element.",
    "findings": ["The drain was stuck."],
}  # fmt: skip


def states(work: Work, t: float, at: float) -> dict[str, str]:
    return {f"{d['section']}/{d['name']}": d["state"] for d in work.picture(t, at)}


def test_the_common_work_stands_and_the_site_changes_it() -> None:
    """Every default is there, the leakage test for each system; a site's entry changes interval
    and standard, `never` takes it away, its own work is added, calibrations come from channels."""
    common = {item.key: item for item in items(site())}
    names = {item.name for item in common.values()}
    assert names == {"calibration of oxygen", *(d.name for d in USUAL)}
    assert f"{SYSTEM}/{LEAKAGE}" in common
    assert f"supply/{LEAKAGE}" not in common
    changed = {
        item.name: item
        for item in items(
            site(
                calibrated=date(2026, 5, 14),
                periodic=[
                    {"name": "compressor service", "every_running": "500 h", "standard": "maker"},
                    {"name": "gauges read", "never": True},
                    {"name": "drain the drip leg", "section": SYSTEM, "every": "92 d"},
                ],
            )
        )
    }
    service = changed["compressor service"]
    assert (service.every_s, service.running_s) == (None, 500 * HOUR_S)
    assert service.standard == "maker"
    assert "gauges read" not in changed
    assert changed["drain the drip leg"].section == SYSTEM
    assert changed["calibration of oxygen"].done == date(2026, 5, 14)


@pytest.mark.parametrize(
    ("row", "path"),
    [
        ({"name": "own"}, "periodic[1].every"),
        ({"name": "own", "every": "9 d", "section": "nowhere"}, "periodic[1].section"),
    ],
)
def test_what_cannot_be_meant_is_refused(row: dict[str, Any], path: str) -> None:
    """Own work without an interval, and work in no section of the site, are faults with a place."""
    with pytest.raises(SettingsError, match=path.replace("[", r"\[")):
        site(periodic=[row])


def test_due_by_whichever_comes_first() -> None:
    """A day before its date it is due soon, after it overdue; a wrong clock at the first tick does
    not matter; running counts only while seen; done, both begin anew; a restart changes nothing."""
    rows = [{"name": "filter service", "every": "100 d", "every_running": "10 h"}]
    work = Work(site(periodic=rows))
    work.look(0.0, False)
    key = "supply/filter service"
    assert states(work, 60 * DAY_S, EPOCH)[key] == "planned"
    assert states(work, 99 * DAY_S, EPOCH)[key] == "due soon"
    assert states(work, 101 * DAY_S, EPOCH)[key] == "overdue"
    for s in range(0, int(9.5 * HOUR_S), 60):
        work.look(float(s), True)
    work.look(30 * DAY_S, True)  # a gap of weeks is not counted
    assert states(work, 30 * DAY_S, EPOCH)[key] == "due soon"
    for s in range(0, 3601, 60):
        work.look(31 * DAY_S + s, True)
    other = Work(site(periodic=rows))
    other.restore(json.loads(json.dumps(work.state())))
    for one in (work, other):
        assert states(one, 31 * DAY_S, EPOCH)[key] == "overdue"
        (event,) = one.ask(Request(1, "work_done", "page", DONE), 31 * DAY_S, EPOCH, [])
        assert states(one, 31 * DAY_S, EPOCH)[key] == "planned"
    assert event.numbers["work"] == "filter service"


def test_a_record_of_work_says_all_of_it() -> None:
    """Asked through the judge: the event is told without the sheet; the sheet has every reading
    with time, source and uncertainty, what the channels showed, findings, who signed."""
    judge = Judge(site())
    request = Request(1, "work_done", "R. F. on 10.0.0.7", DONE)
    (event,) = judge.look(Tick(0.0, EPOCH, (300.0, 1.5, 0.0, 20.0, 206.8), requests=(request,)))
    assert event.kind == "record_made"
    record = Record.of(event.aside["record"])
    figures = {f.what: f for chapter in record.chapters for f in chapter.figures}
    across = figures["across the filter"]
    assert (across.value, across.uncertainty, across.source) == (3.0 * PSI, 0.5 * PSI, "gauge 7")
    assert figures["element"].text == "black, <b>oily</b>"
    assert figures["pressure, supply"].value == 300.0
    assert figures[f"pressure, {SYSTEM}"].source == "channel aisles"
    assert figures["oxygen"].value == 1.5
    assert figures["done before"].text == "not known"
    assert record.findings == ("The drain was stuck.",)
    assert (record.signatures[0].name, record.signatures[0].by) == ("R. Fenwick", request.by)
    assert judge.picture()["work"]


@pytest.mark.parametrize(
    "change",
    [
        {"work": ""},
        {"section": "nowhere"},
        {"readings": [{"what": "x", "value": float("nan")}]},
        {"readings": [{"what": "x", "value": 1.0, "quantity": "goodness"}]},
        {"readings": "many"},
        {"done_at": "yesterday"},
        {"notes": 7},
    ],
)
def test_nonsense_makes_no_record(change: dict[str, Any]) -> None:
    """A request that makes no sense leaves no event and no trace, and the watching goes on."""
    judge = Judge(site())
    request = Request(1, "work_done", "page", {**DONE, **change})
    assert judge.look(Tick(0.0, EPOCH, (300.0,) * 5, requests=(request,))) == []
    assert judge.work.done == {}


def test_other_proofs_count_as_work() -> None:
    """A standard hold test with a result is its section's leakage test, a void one is not, nor one
    that was not the standard's or is not settled, until that is answered; a
    calibration is its channel's; a commissioning record is the beginning of everything else."""
    work = Work(site(calibrated=date(2026, 5, 14)))
    test = {"method": "periodic 2 h", "by": "R. Fenwick", "code_result": "pass"}
    work.hear(Event(EPOCH, "hold_test_finished", "", SYSTEM, {**test, "void": "a valve"}))
    work.hear(Event(EPOCH, "hold_test_finished", "", SYSTEM, {**test, "method": "supply line"}))
    work.hear(Event(EPOCH, "hold_test_finished", "", SYSTEM, {**test, "code_result": None}))
    assert work.done == {}
    work.hear(Event(EPOCH, "hold_test_answered", "", SYSTEM, test))
    work.hear(Event(EPOCH + 1, "calibrated", "", "supply", {"channel": "oxygen", "by": "R."}))
    assert set(work.done) == {f"{SYSTEM}/{LEAKAGE}", "supply/calibration of oxygen"}
    record = Record(COMMISSIONING, "t", "R. Fenwick", ())
    work.hear(made(record, EPOCH + 2, "Handed over."))
    assert len(work.done) == len(work.items)
    assert work.done["supply/calibration of oxygen"]["at"] == EPOCH + 1


@pytest.mark.parametrize("days", [0.0, 3.0, 30.0, 50.0, 90.0])
def test_running_hours_count_from_when_the_work_was_done(days: float) -> None:
    """A service recorded days after it was done has used up what ran since, here six hours a day
    for a month and then all day, to within what a week's mark leaves open."""
    work, t = Work(site()), 0.0
    for minute in range(60 * 24 * 60):
        t = 60.0 * minute
        work.look(t, minute >= 30 * 1440 or minute % 1440 < 360)
    what = {**DONE, "work": "compressor service"}
    at = EPOCH + t
    what["done_at"] = iso(at - days * DAY_S)
    work.ask(Request(1, "work_done", "R. Fenwick", what), t, at, [])
    due = work.standing(work.items["supply/compressor service"], t, at)
    ran_h = min(days, 30.0) * 24.0 + min(max(days - 30.0, 0.0), 30.0) * 6.0
    assert due.left_s is not None
    assert 1000.0 - due.left_s / HOUR_S == pytest.approx(ran_h, abs=30.0)
    kept = Work(site())
    kept.restore(work.state())
    assert kept.picture(t, at) == work.picture(t, at)
