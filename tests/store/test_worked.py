"""What work was done when outlives the judges' state, since it stands in the records."""

import sqlite3
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from small_site import RAW

from edge.judge import Judge
from edge.model import Event, Request, Tick, iso
from edge.record import COMMISSIONING, Record, made
from edge.settings import check
from edge.store.schema import FILE
from edge.store.write import Writer
from edge.usual import DAY_S, LEAKAGE
from edge.wiring import judge_as_kept

T0 = 1_764_072_000.0  # 2025-11-25 12:00 UTC
SITE = check({**RAW, "periodic": [{"name": "drain the drip leg", "every": "92 d"}]})


def asked(number: int, work: str, day: float, by: str, supersedes: str | None = None) -> Request:
    what: dict[str, Any] = {"work": work, "done_at": iso(T0 + day * DAY_S), "done_by": by}
    return Request(number, "work_done", "the page", {**what, "supersedes": supersedes})


class Site:
    """A judge that sees a tick an hour, and everything kept as the daemon keeps it."""

    def __init__(self, writer: Writer) -> None:
        self.writer, self.judge, self.t = writer, Judge(SITE), T0

    def look(self, hours: int, *requests: Request, facts: tuple[Event, ...] = ()) -> None:
        for i in range(hours):
            self.t += 3600.0
            tick = Tick(self.t, 0.0, (300.0, 0.0), requests=requests if i == 0 else ())
            events = [*self.judge.look(tick), *(facts if i == 0 else ())]
            for fact in facts if i == 0 else ():
                self.judge.work.hear(fact)
            self.writer.keep([tick], events, self.judge.state())


def run(end: float, hours: float) -> Event:
    numbers = {"started": iso(end - 3600.0 * hours), "run_s": 3600.0 * hours}
    return Event(end, "run_measured", "A run.", "supply", {**numbers, "rise_kpa_per_h": 400.0})


@pytest.mark.parametrize("how", ["gone", "of another make"])
def test_lost_dates_of_work_come_back_from_the_records(
    writer: Callable[..., Writer], tmp_path: Path, how: str
) -> None:
    """With the judges' state gone or of no use, each item of work stands as it did: last date,
    who, running since, first day of watching; a superseded record counts for nothing."""
    site = Site(writer(settings=SITE))
    handed_over = made(Record(COMMISSIONING, iso(T0 + 3600.0), "R. Fenwick", ()), T0 + 3600.0, "")
    site.look(24, facts=(handed_over,))
    test = {"method": "source shut off 4 h", "by": "M. Orr", "code_result": None}
    answer = {**test, "code_result": "pass"}
    told = (
        Event(T0 + DAY_S, "hold_test_finished", "", "supply", test),
        Event(T0 + 2 * DAY_S, "hold_test_answered", "", "supply", answer),
    )
    site.look(24 * 9, facts=told)
    site.look(1, asked(1, "filter service", 7.0, "M. Orr"))
    site.look(24, asked(2, "compressor service", 8.0, "M. Orr"))
    (wrong,) = (
        sqlite3.connect(tmp_path / FILE)
        .execute("SELECT id FROM records WHERE body LIKE '%Compressor service%'")
        .fetchone()
    )
    site.look(24, asked(3, "compressor service", 6.0, "R. Fenwick", wrong))
    site.look(24, asked(4, "drain the drip leg", 9.5, "M. Orr"))
    runs = [run(T0 + day * DAY_S, 2.0) for day in (5.0, 6.5, 7.5, 12.0)]
    site.writer.keep([], runs, None)
    before = {d["section"] + "/" + d["name"]: d for d in site.judge.work.picture(site.t, site.t)}
    assert before["supply/compressor service"]["last"] == iso(T0 + 6.0 * DAY_S)

    card = sqlite3.connect(tmp_path / FILE)
    card.execute("DELETE FROM state" if how == "gone" else "UPDATE state SET data = x'00'")
    card.commit()
    card.close()
    judge, _ = judge_as_kept(SITE, site.writer)
    assert judge.supply.t is None, "the judges begin anew"
    judge.work.look(site.t, False)
    after = {d["section"] + "/" + d["name"]: d for d in judge.work.picture(site.t, site.t)}
    for key, was in before.items():
        now = after[key]
        for name in ("last", "last_by", "due", "counted_from"):
            assert now[name] == was[name], (key, name)
    # The judge never saw these runs; the kept events did: two since the filter, three since the
    # compressor's service.
    used = {key: d["running_s"] - d["running_left_s"] for key, d in after.items() if d["running_s"]}
    assert used["supply/filter service"] == pytest.approx(4.0 * 3600.0)
    assert used["supply/compressor service"] == pytest.approx(6.0 * 3600.0)
    assert after[f"supply/{LEAKAGE}"]["last"] == iso(T0 + 2 * DAY_S)
