"""The chain of records: appended to only, and every way of meddling with it shows."""

import json
import sqlite3
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import settings as trying
from hypothesis import strategies as st
from small_site import RAW

from edge.errors import StoreError
from edge.model import Event
from edge.record import PERIODIC, Chapter, Figure, Record, Signature, made
from edge.settings import check
from edge.store import chain
from edge.store.read import Reader
from edge.store.records import HEADING
from edge.store.schema import FILE
from edge.store.write import Writer

T0 = 1_764_000_000.0
TEXT = st.text(st.characters(exclude_categories=["Cs"]), max_size=20)


def sheet(n: int, **more: Any) -> Record:
    figure = Figure("gauge", 262.5 + n, "pressure", "", "2026-11-25T08:00:00.000Z", "hand", 0.5)
    signed = Signature("R. Fenwick", "technician", "2026-11-25T08:00:00.000Z", "site")
    return Record(
        PERIODIC, "2026-11-25T08:00:00.000Z", "R. Fenwick", (Chapter(f"Gauges {n}", (figure,)),),
        signatures=(signed,), **more,
    )  # fmt: skip


def held(at: float) -> Event:
    """A hold test as its end is told."""
    return Event(
        at, "hold_test_finished", "It holds.", "supply",
        {"verdict": "holds", "by": "R. Fenwick"}, {"start_t": at - 60.0, "end_t": at, "x": [1, 2]},
    )  # fmt: skip


def keep(folder: Path, events: list[Event]) -> None:
    writer = Writer(folder, check(RAW), [])
    writer.keep([], events, {})
    writer.close()


@contextmanager
def meddling(folder: Path) -> Iterator[sqlite3.Connection]:
    """A hand that knows SQL and takes the guards away."""
    db = sqlite3.connect(folder / FILE)
    for trigger in ("stay", "remain", "follow"):
        db.execute(f"DROP TRIGGER records_{trigger}")
    with db:
        yield db
    db.close()


def looked(folder: Path, *told: str) -> chain.Chain:
    with Reader(folder) as db:
        return db.records.chain(told)


@pytest.fixture
def five(tmp_path: Path) -> Path:
    keep(tmp_path, [made(sheet(n), T0 + n, "Done.") for n in range(3)] + [held(T0 + 4)])
    keep(tmp_path, [made(sheet(9, supersedes="x"), T0 + 5, "Done again.")])
    return tmp_path


def test_records_come_back_as_they_were_made(five: Path) -> None:
    """Newest first, whole and linked; the event tells the link but not the sheet; a restart goes on."""
    assert looked(five) == chain.Chain(5, looked(five).head, ())
    with Reader(five) as db:
        kept, (event, *_) = db.records.all(), db.events(kinds=["record_made"])
    assert [r["seq"] for r in kept] == [5, 4, 3, 2, 1]
    assert Record.of(kept[0]) == sheet(9, supersedes="x")
    assert kept[1]["event"]["verdict"] == "holds"
    assert (event["record"], event["record_hash"]) == (5, looked(five).head)
    assert "chapters" not in event


def test_a_list_reads_headings_alone(five: Path) -> None:
    """Headings say what the records of those kinds say, links included, and nothing of chapters."""
    with Reader(five) as db:
        whole, heads = db.records.all([PERIODIC], 3), db.records.headings([PERIODIC], 3)
        kinds = [db.records.kind_of(seq) for seq in (5, 4, 6)]
    names = (*HEADING, "seq", "hash", "event_number", "superseded_by")
    assert heads == [{name: one.get(name) for name in names} for one in whole]
    assert [one["seq"] for one in heads] == [5, 3, 2]
    assert kinds == [PERIODIC, "hold test", None]


@pytest.mark.parametrize(
    "sql",
    [
        "UPDATE records SET body = replace(body, '262.5', '262.6') WHERE seq = 1",
        "DELETE FROM records WHERE seq = 5",
        "INSERT OR REPLACE INTO records SELECT * FROM records WHERE seq = 2",
        "INSERT INTO records SELECT 7, 'a', kind, made_at, body, NULL, hash, 'h', 1 FROM records"
        " WHERE seq = 5",
    ],
)
def test_the_database_itself_refuses(five: Path, sql: str) -> None:
    """No statement alters, deletes, replaces or slips in a record."""
    db = sqlite3.connect(five / FILE)
    with pytest.raises(sqlite3.IntegrityError, match="a record"):
        db.execute(sql)
    db.close()


@pytest.mark.parametrize(
    ("sql", "says"),
    [
        ("UPDATE records SET body = replace(body, '262.5', '262.6') WHERE seq = 1", "record 1"),
        ("UPDATE records SET supersedes = NULL WHERE seq = 5", "record 5: its supersedes"),
        ("DELETE FROM records WHERE seq = 3", "expected record 3 before it"),
        ("DELETE FROM records WHERE seq = 1", "expected record 1 before it"),
        ("DELETE FROM records WHERE seq = 5", "record 5: expected the one that event 5"),
        ("UPDATE events SET body = replace(body, 'holds', 'leaks') WHERE id = 4", "record 4: event"),
        ("UPDATE tests SET aside = x'00'", "record 4: what was kept beside"),
        ("UPDATE records SET seq = 9 WHERE seq = 1; UPDATE records SET seq = 1 WHERE seq = 2;"
         " UPDATE records SET seq = 2 WHERE seq = 9", "does not follow"),
    ],
)  # fmt: skip
def test_meddling_shows(five: Path, sql: str, says: str) -> None:
    """With the guards gone, a changed, removed, reordered or cut-off row is told with its number."""
    with meddling(five) as db:
        db.executescript(sql)
    found = looked(five)
    assert not found.holds
    assert any(says in fault for fault in found.faults), found.faults


@pytest.mark.parametrize("body", ["[]", "{", "[" * 100_000, '{"title": "\\ud800"}'])
def test_a_spoilt_record_is_named_and_told_to_nobody(five: Path, body: str) -> None:
    """What is no record, or has half a character in it that no page can be sent with, is refused
    under its number; the others are read."""
    with meddling(five) as db:
        db.execute("UPDATE records SET body = ? WHERE seq = 3", (body,))
    with Reader(five) as db:
        with pytest.raises(StoreError, match="record 3: expected its content"):
            db.records.one(3)
        assert db.records.one(2)["seq"] == 2


def test_a_tail_cut_off_everywhere_shows_beside_a_hash_told_elsewhere(five: Path) -> None:
    """With record and event gone the rest is whole in itself; the hash in a letter proves it is not all."""
    head = looked(five).head
    assert looked(five, head).holds
    assert looked(five, head[:12].upper()).holds
    assert not looked(five, head[:11]).holds
    with meddling(five) as db:
        db.executescript("DELETE FROM records WHERE seq = 5; DELETE FROM events WHERE id = 5")
    assert looked(five).holds
    (fault,) = looked(five, head).faults
    assert "cut off" in fault


def rows(bodies: list[dict[str, Any]]) -> list[chain.Row]:
    out: list[chain.Row] = []
    for n, plain in enumerate(bodies, 1):
        full = {**plain, "id": str(n), "kind": "k", "made_at": "t", "supersedes": None}
        body = chain.canonical(full)
        previous = out[-1].hash if out else chain.FIRST
        link = chain.link(previous, body)
        out.append(chain.Row(n, str(n), "k", "t", body, None, previous, link, None))
    return out


Twist = Callable[[list[chain.Row]], list[chain.Row]]


@trying(max_examples=60, deadline=None, derandomize=True)
@given(
    st.lists(st.dictionaries(TEXT, TEXT | st.integers() | st.floats()), min_size=2, max_size=6),
    st.data(),
)
def test_any_single_meddling_with_any_chain_shows(bodies: list[Any], data: st.DataObject) -> None:
    """For chains of any content: one character of a body, one row removed, two rows exchanged, a
    row's hash made anew: each is found, and the untouched chain never is."""
    whole = rows(bodies)
    assert chain.look(whole).holds
    n = data.draw(st.integers(0, len(whole) - 1))
    row = whole[n]
    place = data.draw(st.integers(0, len(row.body) - 1))
    other = chr(ord(row.body[place]) ^ 1)
    changed = row._replace(body=row.body[:place] + other + row.body[place + 1 :])
    assert not chain.look([*whole[:n], changed, *whole[n + 1 :]]).holds
    if n < len(whole) - 1:
        assert not chain.look([*whole[:n], *whole[n + 1 :]]).holds
        following = [r.seq for r in whole]
        renumbered = [
            r._replace(seq=seq)
            for r, seq in zip([*whole[:n], *whole[n + 1 :]], following, strict=False)
        ]
        assert not chain.look(renumbered).holds
        twisted = [*whole]
        twisted[n], twisted[n + 1] = whole[n + 1], whole[n]
        moved = [r._replace(seq=seq) for r, seq in zip(twisted, following, strict=True)]
        assert not chain.look(moved).holds
        forged = changed._replace(hash=chain.link(changed.previous, changed.body))
        assert not chain.look([*whole[:n], forged, *whole[n + 1 :]]).holds


@trying(max_examples=40, deadline=None, derandomize=True)
@given(TEXT, TEXT, st.floats(allow_nan=False, allow_infinity=False), st.none() | TEXT)
def test_a_record_survives_json(what: str, note: str, value: float, skipped: str | None) -> None:
    """Out as JSON text and back, of whatever people type: the same record."""
    figure = Figure(what, value, "pressure", note=note)
    record = Record(PERIODIC, "t", what, (Chapter(note, (figure,), (what,), skipped),))
    assert Record.of(json.loads(json.dumps(record.plain()))) == record


def test_what_was_kept_before_the_chain_is_entered_and_says_so(tmp_path: Path) -> None:
    """A database from before: its hold tests and put-backs enter in order, marked, and verify."""
    back = Event(T0 + 9, "valves_put_back", "All back.", "supply", {"by": "R. Fenwick"})
    keep(tmp_path, [held(T0), held(T0 + 5), back])
    with meddling(tmp_path) as db:
        db.executescript(
            "DROP TABLE records; DELETE FROM _sqlite_migrations WHERE name = 'records';"
            "UPDATE events SET body = json_remove(body, '$.record', '$.record_hash')"
        )
    keep(tmp_path, [held(T0 + 20)])
    with Reader(tmp_path) as db:
        kept = db.records.all()
    assert [r.get("from_before") for r in kept] == [None, True, True, True]
    assert [r["kind"] for r in kept[1:]] == [chain.PUT_BACK, "hold test", "hold test"]
    assert looked(tmp_path).holds


def test_a_record_that_is_no_number_is_never_made() -> None:
    """A figure that is infinite is refused where the record is made, not where it is kept."""
    bad = Record(PERIODIC, "t", "x", (Chapter("c", (Figure("f", float("inf"), "pressure"),)),))
    with pytest.raises(ValueError, match="float"):
        made(bad, T0, "Done.")
