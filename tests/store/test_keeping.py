"""What is kept, read back as the page, the export and the next start read it."""

import json
import shutil
import sqlite3
from collections.abc import Callable, Iterator
from contextlib import closing
from pathlib import Path

import pytest
from small_site import RAW

from edge.errors import StoreError
from edge.model import Event, Request, Tick, iso, on_grid
from edge.settings import check
from edge.store.curves import Point
from edge.store.read import Reader, Run
from edge.store.schema import FILE
from edge.store.write import Writer

T0 = 1_764_072_000.0  # 2025-11-25 12:00 UTC

Make = Callable[..., Writer]


def ticks(first: float, count: int, offset_s: float = 0.0) -> list[Tick]:
    """One a second; a pressure that wanders, a run contact, and a fault every 100th."""
    made = []
    for i in range(count):
        t = first + i
        pressure = None if i % 100 == 7 else on_grid(300.0 + (t * 7919 % 1000) / 37.0)
        faults = {"line": "no answer"} if pressure is None else {}
        made.append(Tick(t, offset_s, (pressure, float(t % 600 < 120)), faults))
    return made


def event(at: float, kind: str = "cut_in", **numbers: object) -> Event:
    return Event(at, kind, "It happened.", "supply", numbers)


def in_batches(writer: Writer, made: list[Tick]) -> None:
    for i in range(0, len(made), 60):
        writer.keep(made[i : i + 60], [], None)


@pytest.fixture
def reader(tmp_path: Path) -> Iterator[Callable[[], Reader]]:
    opened: list[Reader] = []

    def make() -> Reader:
        opened.append(Reader(tmp_path))
        return opened[-1]

    yield make
    for one in opened:
        one.close()


def test_readings_come_back_exactly(writer: Make, reader: Callable[[], Reader]) -> None:
    """Every tick kept is read again unchanged, whole or by a part of time without its start."""
    made = ticks(T0, 500)
    in_batches(writer(), made)
    assert list(reader().readings(["line", "run"])) == made
    assert list(reader().readings(["line", "run"], T0 + 100, T0 + 250)) == made[101:251]
    swapped = list(reader().readings(["run", "later"], T0 + 6, T0 + 7))
    assert swapped == [Tick(T0 + 7, 0.0, (made[7].values[1], None), {})]


def test_no_question_scans_what_years_fill(writer: Make, reader: Callable[[], Reader]) -> None:
    """What a start and a page ask of readings and roll-ups goes by their keys, by SQLite's own plan."""
    made, asked = ticks(T0, 500), list[str]()
    one = writer()
    in_batches(one, made)
    page = reader()
    for database in (one._card.conn, page.connection):
        database.set_trace_callback(asked.append)
    assert list(one.readings.since(T0 + 250)) == made[251:]
    assert one.readings.steady() == T0 + 499
    assert page.span() == (T0, T0 + 499)
    assert list(page.readings(["line", "run"], T0 + 100, T0 + 250)) == made[101:251]
    for database in (one._card.conn, page.connection):
        database.set_trace_callback(None)
    plans = [
        row[3]
        for sql in asked
        for row in page.connection.execute(f"EXPLAIN QUERY PLAN {sql}")
        if row[3].split()[1] in ("readings", "minutes", "quarter_hours")
    ]
    assert [plan for plan in plans if not plan.startswith("SEARCH")] == []
    assert len(plans) >= 8


def test_order_and_utc_survive_a_clock_set_back(writer: Make, reader: Callable[[], Reader]) -> None:
    """After the wall clock is set an hour back, both stretches are found by their own UTC, in
    the order in which they happened."""
    before, after = ticks(T0, 120), ticks(T0 + 120, 120, offset_s=-3600.0)
    writer().keep([*before, *after], [], None)
    assert list(reader().readings(["line", "run"])) == [*before, *after]
    back = list(reader().readings(["line", "run"], T0 - 3600.0 + 119, T0 - 3600.0 + 239))
    assert back == after
    assert reader().span() == (T0, T0 + 239 - 3600.0)


def test_roll_ups_agree_with_the_readings(writer: Make, reader: Callable[[], Reader]) -> None:
    """Minutes and quarter-hours have the count, least, mean and most of the readings in
    (start, end], also when the writer was started anew in the middle of them."""
    made = ticks(T0 + 1, 4 * 3600)
    first = writer()
    in_batches(first, made[:5000])
    first.close()
    in_batches(writer(), made[5000:])
    for span_s, length_s in ((3 * 3600, 60), (50 * 3600, 900)):
        ribbon = reader().ribbon("line", T0 - 1, T0 + span_s, points=1000)
        assert ribbon.step_s == length_s
        whole = [p for p in ribbon.points if p.at + length_s <= T0 + 3 * 3600]
        assert len(whole) == 3 * 3600 // length_s
        for point in whole:
            values = [
                t.values[0]
                for t in made
                if point.at < t.t <= point.at + length_s and t.values[0] is not None
            ]
            mean = sum(values) / len(values)
            assert point[:3] == (point.at, len(values), min(values))
            assert point.high == max(values)
            assert point.mean == pytest.approx(mean, abs=1e-4)


def test_a_ribbon_keeps_its_gaps(writer: Make, reader: Callable[[], Reader]) -> None:
    """Time without readings has no points, in the readings as in the minutes."""
    kept = writer()
    kept.keep(ticks(T0, 600), [], None)
    kept.keep(ticks(T0 + 3000, 600), [], None)
    for until in (T0 + 3600, T0 + 3 * 3600):
        at = [p.at for p in reader().ribbon("line", T0 - 1, until).points]
        assert any(t < T0 + 600 for t in at)
        assert any(t >= T0 + 3000 for t in at)
        assert not [t for t in at if T0 + 600 <= t < T0 + 2940]
    one = reader().ribbon("line", T0, T0 + 1).points
    (value,) = [t.values[0] for t in ticks(T0, 2)[1:]]
    assert one == [Point(T0 + 1, 1, value, value, value)]


def test_events_have_ids_that_never_repeat(writer: Make, reader: Callable[[], Reader]) -> None:
    """An id is not used again even after its event is deleted, and another site's differ."""
    first = writer()
    first.keep(ticks(T0, 1), [event(T0), event(T0 + 1)], {})
    ids = [e["id"] for e in reader().events()]
    first.close()
    with sqlite3.connect(reader().path) as db:
        db.execute("DELETE FROM outbox")
        db.execute("DELETE FROM events")
    db.close()
    writer().keep(ticks(T0 + 1, 1), [event(T0 + 2)], {})
    (fresh,) = reader().events()
    assert fresh["n"] == 3
    assert fresh["id"] not in ids
    assert fresh["id"].rpartition("-")[0] == reader().fact("installation")


def test_events_are_found_by_kind_time_and_page(writer: Make, reader: Callable[[], Reader]) -> None:
    """Newest first, and every filter of the question holds."""
    made = [event(T0 + i, "cut_in" if i % 2 else "cut_out", pressure_kpa=262.5) for i in range(10)]
    writer().keep(ticks(T0, 1), made, {})
    ask = reader().events
    assert [e["n"] for e in ask(limit=3)] == [10, 9, 8]
    assert [e["n"] for e in ask(limit=3, before=8)] == [7, 6, 5]
    assert [e["n"] for e in ask(kinds=["cut_in"], since=T0 + 3, until=T0 + 7)] == [8, 6]
    assert {k: v for k, v in ask(limit=1)[0].items() if k not in ("id", "n")} == made[9].as_json()


def test_runs_are_paired(writer: Make, reader: Callable[[], Reader]) -> None:
    """A run under way at either end of the time asked for is there, with its other end unknown
    only when it was not seen."""
    turns = [(0, "cut_in"), (100, "cut_out"), (1000, "cut_in"), (1100, "cut_out"), (2000, "cut_in")]
    events = [event(T0 + s, kind, inferred=s == 1000) for s, kind in turns]
    writer().keep(ticks(T0, 1), events, {})
    assert reader().runs(T0 + 1050, T0 + 3000) == [
        Run(T0 + 1000, T0 + 1100, True),
        Run(T0 + 2000, None, False),
    ]
    assert reader().runs(T0 + 50, T0 + 60) == [Run(T0, None, False)]
    assert reader().runs(T0 + 150, T0 + 900) == []


def test_turns_that_nobody_saw_stay_unknown(writer: Make, reader: Callable[[], Reader]) -> None:
    """Of a run whose end or start was missed, only since when the state after it was seen is told."""
    events = [
        event(T0, "cut_in"),
        event(T0 + 1000, "cut_in", seen_from=iso(T0 + 600)),
        event(T0 + 1100, "cut_out"),
        event(T0 + 2000, "cut_out", seen_from=iso(T0 + 1900)),
    ]
    writer().keep(ticks(T0, 1), events, {})
    assert reader().runs(T0 - 1, T0 + 3000) == [
        Run(T0, None, False, rest_seen_from=T0 + 600),
        Run(T0 + 1000, T0 + 1100, False),
        Run(None, T0 + 2000, False, seen_from=T0 + 1900),
    ]


def test_all_of_a_batch_or_nothing(writer: Make, reader: Callable[[], Reader]) -> None:
    """When one part cannot be kept, none is, and the same batch can be kept later."""
    kept = writer()
    kept.keep(ticks(T0, 60), [event(T0)], {"n": 1})
    batch, bad = ticks(T0 + 60, 3600), Event(T0, "cut_in", "It happened.", numbers={"x": object()})
    with pytest.raises(TypeError):
        kept.keep(batch, [event(T0 + 1), bad], {"n": 2})
    assert [e["n"] for e in reader().events()] == [1]
    kept.keep(batch, [event(T0 + 1)], {"n": 2})
    assert len(list(reader().readings(["line"]))) == 3660
    saved = kept.saved()
    assert saved is not None
    assert (saved.state, saved.steady) == ({"n": 2}, T0 + 3659)
    minutes = reader().ribbon("line", T0 - 60, T0 + 3 * 3600, points=1000).points
    assert sum(p.n for p in minutes if p.at < T0 + 3600) >= 3600 - 37


def test_a_restart_finds_what_the_state_has_not_seen(writer: Make) -> None:
    """The ticks kept after the state, and only they, are there for catching up."""
    first = writer()
    made = ticks(T0, 180)
    first.keep(made[:60], [event(T0)], {"n": 1})
    first.keep(made[60:120], [], None)
    first.keep(made[120:], [], None)
    first.close()
    again = writer()
    saved = again.saved()
    assert saved is not None
    assert list(again.readings.since(saved.steady)) == made[60:]
    assert again.readings.steady() == T0 + 179
    again.keep([], [], {"n": 2})  # a state without new ticks has seen all of them
    assert list(again.readings.since(again.saved().steady)) == []  # type: ignore[union-attr]


def test_a_channel_added_later_is_nothing_before(writer: Make) -> None:
    """Readings kept under other settings are given in the order of the present ones."""
    first = writer()
    made = ticks(T0, 10)
    first.keep(made, [], {})
    first.close()
    raw = json.loads(json.dumps(RAW))
    raw["channel"].insert(0, {**raw["channel"][0], "name": "new"})
    again = list(writer(settings=check(raw)).readings.since(T0 + 7))
    assert [t.values for t in again] == [(None, *t.values) for t in made[8:]]


def test_a_damaged_state_is_an_error_of_the_store(writer: Make, tmp_path: Path) -> None:
    """Garbage in the state's place is reported, not judged with."""
    kept = writer()
    kept.keep(ticks(T0, 1), [], {"n": 1})
    with sqlite3.connect(tmp_path / "dryhold.db") as db:
        db.execute("UPDATE state SET data = x'00'")
    db.close()
    with pytest.raises(StoreError):
        kept.saved()


def test_old_rows_are_let_go_in_steps(writer: Make, reader: Callable[[], Reader]) -> None:
    """Readings and roll-ups past their retention go; events stay."""
    raw = {**RAW, "keeping": {"readings": "1 h", "minutes": "2 h", "quarter_hours": "3 h"}}
    kept = writer(settings=check(raw))
    kept.keep(ticks(T0, 1), [event(T0)], {})
    in_batches(kept, ticks(T0 + 1, 8 * 3600))
    oldest = next(reader().readings(["line"])).t
    end = T0 + 8 * 3600
    assert end - 2 * 3600 - 60 <= oldest <= end - 3600 + 60
    minutes = reader().ribbon("line", T0 - 1, T0 + 10 * 3600, points=10000).points
    assert end - 3 * 3600 - 60 <= minutes[0].at <= end - 2 * 3600 + 60
    quarters = reader().ribbon("line", T0 - 1, T0 + 60 * 3600, points=10000).points
    assert end - 4 * 3600 - 900 <= quarters[0].at <= end - 3 * 3600 + 900
    assert len(reader().events()) == 1


def test_what_is_let_go_is_old_by_its_own_clock(writer: Make, tmp_path: Path) -> None:
    """With steady time two months ahead of the wall clock, what a receiver accepted a moment ago is
    still remembered, so that it can be told again; routine events go by the wall clock too, and
    none whose notice waits."""
    raw = {**RAW, "keeping": {"readings": "1 h", "minutes": "2 h", "quarter_hours": "3 h"}}
    ahead = 60 * 86_400.0
    kept = writer(settings=check(raw), messengers=["a", "b"])
    kept.keep(ticks(T0, 1, -ahead), [event(T0 - ahead), event(T0 - ahead)], {})
    kept.outbox.accepted("a", [1, 2], T0 - ahead)
    kept.outbox.accepted("b", [1], T0 - ahead)
    for hour in range(1, 3):
        kept.keep(ticks(T0 + hour * 3600, 1, -ahead), [], None)
    kept.outbox.doubt("a", None, 3600.0)
    assert kept.outbox.backlog("a") == 2
    kept.outbox.accepted("a", [1, 2], T0 - ahead)
    month = T0 + 31 * 86_400.0
    for hour in range(3):
        kept.keep(ticks(month + hour * 3600, 1, -ahead), [], None)
    numbers = [n for (n,) in sqlite3.connect(tmp_path / FILE).execute("SELECT id FROM events")]
    assert numbers == [2]
    assert kept.outbox.backlog("b") == 1


def test_letting_go_keeps_pace_with_the_fastest_writing(writer: Make, tmp_path: Path) -> None:
    """A batch every five seconds for six hours leaves no more batches than its hour holds, and
    those of the next."""
    raw = {**RAW, "keeping": {"readings": "1 h", "minutes": "2 h", "quarter_hours": "3 h"}}
    kept = writer(settings=check(raw))
    for second in range(0, 6 * 3600, 5):
        kept.keep(ticks(T0 + second, 1), [], None)
    (rows,) = sqlite3.connect(tmp_path / FILE).execute("SELECT count(*) FROM readings").fetchone()
    assert rows <= 2 * 720 + 2


def test_the_outbox_marks_bounds_and_says_what_it_dropped(writer: Make) -> None:
    """Notices wait in order until accepted; past the bound the oldest go, and are counted."""
    kept = writer(messengers=["a", "b"], outbox_limit=3)
    kept.keep(ticks(T0, 1), [event(T0 + i) for i in range(3)], {})
    assert [n for n, _ in kept.outbox.waiting("a", 0, 10)] == [1, 2, 3]
    kept.outbox.accepted("a", [1, 2], T0)
    kept.keep(ticks(T0 + 1, 1), [event(T0 + i) for i in range(4)], {})
    assert [n for n, _ in kept.outbox.waiting("a", 0, 10)] == [5, 6, 7]
    assert (kept.outbox.backlog("a"), kept.outbox.dropped("a")) == (3, 2)
    assert (kept.outbox.backlog("b"), kept.outbox.dropped("b")) == (3, 4)
    assert [n for n, _ in kept.outbox.waiting("b", 5, 1)] == [6]
    assert kept.outbox.waiting("b", 5, 1)[0][1]["id"].endswith("-6")


def test_requests_seen_are_remembered_with_their_effect(writer: Make) -> None:
    """The number of the last request is kept in the transaction of the tick that carried it."""
    first = writer()
    request = Request(4, "acknowledge", "page", {"alert": "low_pressure"})
    first.keep([ticks(T0, 1)[0]._replace(requests=(request,))], [], {})
    first.close()
    assert writer().last_request() == 4


def test_the_page_cannot_write(writer: Make, reader: Callable[[], Reader]) -> None:
    """The read side's connection refuses to change anything."""
    writer().keep(ticks(T0, 1), [], None)
    with pytest.raises(StoreError, match="readonly"):
        reader().ask("DELETE FROM readings")


def test_reading_before_the_first_start_is_said_plainly(tmp_path: Path) -> None:
    """No database yet is the store's error, and no file is made by looking."""
    with pytest.raises(StoreError):
        Reader(tmp_path)
    assert list(tmp_path.iterdir()) == []


def test_the_free_share_is_of_what_is_free(writer: Make, monkeypatch: pytest.MonkeyPatch) -> None:
    """Of a disk of 100 with 95 used, 5 % are free, which storage_low goes by; one that does not say
    is not known to be anything."""
    kept = writer()
    monkeypatch.setattr("shutil.disk_usage", lambda _: shutil._ntuple_diskusage(100, 95, 5))
    assert kept.free_pct() == 5.0

    def silent(_: Path) -> None:
        raise OSError("no such disk")

    monkeypatch.setattr("shutil.disk_usage", silent)
    assert kept.free_pct() is None


CELLS = {"facts": "value", "layouts": "channels", "epochs": "offset_ms", "state": "data",
         "outbox": "accepted_ms", "memories": "data"}  # fmt: skip


@pytest.mark.parametrize("table", CELLS)
def test_a_cell_of_another_kind_is_damage(
    writer: Make, reader: Callable[[], Reader], tmp_path: Path, table: str
) -> None:
    """A flipped bit may make a cell of another type, which SQLite's own check takes for sound: the
    file is set aside, it is said what came along in part, what waited to be told still waits, and
    the next start finds nothing odd."""
    first = writer()
    first.keep(ticks(T0, 120), [event(T0)], {"version": 1})
    first.close()
    with closing(sqlite3.connect(tmp_path / FILE)) as db, db:
        db.execute("INSERT OR IGNORE INTO memories VALUES ('mqtt here', '{}')")
        other = "'text'" if (table, CELLS[table]) == ("state", "data") else "x'00'"
        db.execute(f"UPDATE {table} SET {CELLS[table]} = {other}")
        assert db.execute("PRAGMA integrity_check").fetchone() == ("ok",)
    again = writer()
    again.keep(ticks(T0 + 120, 60), [event(T0 + 120)], {"version": 1})
    again.close()
    (said,) = (e for e in reader().events(10) if e["kind"] == "database_set_aside")
    assert table == "outbox" or table in said["incomplete"]
    assert (tmp_path / said["file"]).exists()
    last = writer()
    told = [e["kind"] for _, e in last.outbox.waiting("mqtt here", 0, 9)]
    assert told == ["cut_in", "database_set_aside", "cut_in"]
    assert len(list(tmp_path.glob("*.damaged-*.db"))) == 1
    last.keep(ticks(T0 + 180, 60), [], {"version": 1})


def test_a_layout_that_cannot_be_read_is_passed_over(
    writer: Make, caplog: pytest.LogCaptureFixture, tmp_path: Path
) -> None:
    """A name of a channel damaged into no JSON ends no start: its batches are passed over with a
    word in the log, and what comes is kept and read."""
    first = writer()
    first.keep(ticks(T0, 120), [], {"version": 1})
    first.close()
    with closing(sqlite3.connect(tmp_path / FILE)) as db, db:
        db.execute("UPDATE layouts SET channels = replace(channels, ',', ';')")
    again = writer()
    assert "passed over a batch" in caplog.text
    again.keep(ticks(T0 + 120, 60), [], {"version": 1})
    assert [t.t for t in again.readings.since(0.0)] == [T0 + 120 + n for n in range(60)]


MISNAMED = {
    "a column": "ALTER TABLE readings RENAME COLUMN last_ms TO lasu_ms",
    "a table": "ALTER TABLE events RENAME TO evenus",
    "a type": "UPDATE sqlite_schema SET sql = replace(sql, 'id INTEGER', 'id INTEGES')"
              " WHERE name = 'layouts'",
    "what a column refers to": "UPDATE sqlite_schema SET sql = replace(sql, 'layouts (id)', 'layouus (id)')"
                               " WHERE name = 'readings'",
    "SQLite's own": "UPDATE sqlite_schema SET sql = replace(sql, 'seq)', 'sep)')"
                    " WHERE name = 'sqlite_sequence'",
    "the record of migrations": "ALTER TABLE _sqlite_migrations RENAME COLUMN applied_at TO bpplied_at",
    "no record of migrations": "DROP TABLE _sqlite_migrations",
    "one migration off the record": "DELETE FROM _sqlite_migrations WHERE name = 'begin'",
    "one without its name": "UPDATE _sqlite_migrations SET name = NULL WHERE name = 'begin'",
}  # fmt: skip


@pytest.mark.parametrize("what", MISNAMED)
def test_tables_that_are_not_as_they_were_made_are_damage(
    writer: Make, reader: Callable[[], Reader], tmp_path: Path, what: str
) -> None:
    """A flipped bit may misname a table or a column, which SQLite takes for sound and in which
    nothing can be kept: the file is set aside, a new one is begun, and it is said."""
    first = writer()
    first.keep(ticks(T0, 120), [event(T0)], {"version": 1})
    first.close()
    with closing(sqlite3.connect(tmp_path / FILE)) as db, db:
        db.execute("PRAGMA writable_schema = ON")
        db.execute(MISNAMED[what])
        assert db.execute("PRAGMA integrity_check").fetchone() == ("ok",)
    again = writer()
    again.keep(ticks(T0 + 120, 60), [event(T0 + 120)], {"version": 1})
    again.close()
    (said,) = (e for e in reader().events(10) if e["kind"] == "database_set_aside")
    assert (tmp_path / said["file"]).exists()
    assert [t.t for t in writer().readings.since(0.0)] == [T0 + 120 + n for n in range(60)]
