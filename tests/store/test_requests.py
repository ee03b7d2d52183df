"""The letterbox."""

import sqlite3
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

import pytest

from edge.errors import StoreError
from edge.model import Request
from edge.store.requests import FILE, KEPT_S, LARGEST, MOST_WAITING, UNREADABLE, Box


@pytest.fixture
def boxes(tmp_path: Path) -> Iterator[tuple[Box, Box, list[float]]]:
    """Two hands on one letterbox, as page and daemon have, and their clock."""
    now = [1_764_072_000.0]
    pair = Box(tmp_path, lambda: now[0]), Box(tmp_path, lambda: now[0])
    yield *pair, now
    for box in pair:
        box.close()


def test_what_is_posted_arrives_once_and_is_answered(boxes: tuple[Box, Box, list[float]]) -> None:
    """A request posted through one connection waits in another until it is done, then its
    poster can read what became of it until it is old."""
    page, daemon, now = boxes
    first = page.post("acknowledge", "page", {"alert": "low_pressure"})
    second = page.post("hold_start", "button", {})
    assert daemon.waiting() == [
        Request(first, "acknowledge", "page", {"alert": "low_pressure"}),
        Request(second, "hold_start", "button", {}),
    ]
    daemon.done(first, "seen")
    assert [r.id for r in daemon.waiting()] == [second]
    assert (page.answer(first), page.answer(second)) == ("seen", None)
    now[0] += KEPT_S + 1
    daemon.done(second, "seen")
    assert (page.answer(first), page.answer(second)) == (None, "seen")


def test_nonsense_and_floods_are_refused(boxes: tuple[Box, Box, list[float]]) -> None:
    """An unknown kind is never written, and an unread box stops filling."""
    page, daemon, _ = boxes
    with pytest.raises(ValueError, match="open_valve"):
        page.post("open_valve", "page", {})
    for _ in range(MOST_WAITING):
        page.post("acknowledge", "page", {})
    with pytest.raises(StoreError):
        page.post("acknowledge", "page", {})
    assert len(daemon.waiting()) == MOST_WAITING


def test_what_no_database_takes_is_not_handed_on(boxes: tuple[Box, Box, list[float]]) -> None:
    """Bytes of a terminal that are no UTF-8, which reach us as lone surrogates, are posted as
    question marks; a row that holds such, or that is no text, is set aside."""
    page, daemon, _ = boxes
    page.post("hold_start", "Z\udcfcrich", {"note": "\udce9t\udce9"})
    raw = page._conn
    with raw:
        for what in (b'{"note": "\\udce9"}', b'{"note": "\xe9"}'):
            raw.execute(
                "INSERT INTO requests (posted_ms, kind, by, what)"
                " VALUES (0, 'hold_start', 'x', CAST(? AS TEXT))",
                (what,),
            )
    found = daemon.waiting()
    assert [(one.by, one.what["note"]) for one in found] == [("Z?rich", "?t?"), ("x", "\ufffd")]
    assert page.answer(2) == UNREADABLE


def test_no_request_is_larger_than_the_memory_for_it(
    boxes: tuple[Box, Box, list[float]], tmp_path: Path
) -> None:
    """More than a form can hold is refused with the figure; written into the file by another hand it
    is set aside unread, and however many wait, the daemon takes no more than a tick's worth."""
    page, daemon, _ = boxes
    with pytest.raises(StoreError, match="at most 65,536 characters, found 65,551"):
        page.post("hold_start", "page", {"note": "x" * LARGEST})
    with closing(sqlite3.connect(tmp_path / FILE)) as db, db:
        db.executemany(
            "INSERT INTO requests (posted_ms, kind, by, what) VALUES (0, 'hold_start', ?, ?)",
            [("y" * 10**6, "{}")] + [("x", f'{{"note": "{"x" * LARGEST}"}}')] + [("x", "{}")] * 300,
        )
    found = daemon.waiting()
    assert len(found) == MOST_WAITING - 1
    assert (len(found[0].by), daemon.answer(2)) == (LARGEST, UNREADABLE)
