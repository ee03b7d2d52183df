"""A database in memory that stands in while the card takes nothing, and what is carried between
databases: into the stand-in, out of a damaged file, and back to the card.

The stand-in numbers its events from FIRST on, so that no number of it is one of the card's; what is
told meanwhile has an id of its own (a UUID), which the event keeps on the card. So no id is ever
given to two events, whatever of the card's newest could not be read.
"""

import json
import logging
import sqlite3
import uuid
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any, NamedTuple

from edge.errors import StoreError
from edge.store import chain
from edge.store.database import FAULTS, Database, open_for_reading, open_in_memory, typed
from edge.store.schema import FILE, migrations

log = logging.getLogger(__name__)

FIRST = 10**12
ROOM_PAGES = 4096  # of database.PAGE_BYTES: days of readings, and the daemon stays under 64 MB

MOST_EVENTS = 20_000
MOST_NOTICES = 100_000
"""What is carried over at most, the newest first: seconds of work, some megabytes."""

WHOLE = ("facts", "layouts", "epochs", "state", "memories")
WAITING = (
    "SELECT messenger, event_id, NULL accepted_ms FROM outbox"
    " WHERE typeof(accepted_ms) != 'integer'"
)
"""Notices not yet accepted; where damage left no time there, told twice is better than never."""


class Carried(NamedTuple):
    """What came over: names of tables whole, and of those that could not be read to their end."""

    whole: list[str]
    partly: list[str]


def begin(folder: Path, source: sqlite3.Connection | None, first: int) -> Any:
    """A database in memory with what is needed to go on, from an open connection to the card's or
    what can be read of its file. Its events have numbers from `first` on."""
    memory = open_in_memory(migrations, ROOM_PAGES)
    opened = None
    if source is None:
        source = opened = _readable(folder / FILE)
    if source is not None:
        carry(source, memory.conn, events=2_000)
    if opened is not None:
        opened.close()
    # The records' chain goes on once its newest can be read and written.
    memory.conn.execute("CREATE TABLE asides (event INTEGER PRIMARY KEY, data TEXT NOT NULL)")
    memory.conn.execute("DELETE FROM sqlite_sequence WHERE name = 'events'")
    memory.conn.execute("INSERT INTO sqlite_sequence VALUES ('events', ?)", (first - 1,))
    memory.conn.commit()
    return memory


def _readable(path: Path) -> sqlite3.Connection | None:
    try:
        return open_for_reading(path)
    except StoreError:
        pass
    try:
        # On a read-only disk a write-ahead log cannot be joined; without it the newest is missing.
        return sqlite3.connect(f"{path.absolute().as_uri()}?mode=ro&immutable=1", uri=True)
    except FAULTS:
        return None


def put_by(memory: sqlite3.Connection, number: int, aside: Mapping[str, Any]) -> None:
    """What a record is made of, until the stand-in's event of that number is on the card."""
    memory.execute("INSERT INTO asides VALUES (?, ?)", (number, json.dumps(aside)))


def carry(
    source: sqlite3.Connection,
    into: sqlite3.Connection,
    events: int = MOST_EVENTS,
    records: bool = False,
) -> Carried:
    """Copy what going on needs: facts, layouts, the clock's epochs, the judges' state with the
    readings after it, what messengers remember, notices that wait, the newest `events` and the
    calibrations; with `records` the chain of records and what it rests on.

    Reads what can be read, table by table; sqlite3.Error only from `into`. An event whose notice
    waits comes along however old it is. Where the events' numbering cannot be read, the
    installation gets a new name, so that no id repeats.
    """
    whole, partly = list[str](), list[str]()
    # A text that is damaged comes along as far as it is text, and keeps no other row back.
    source.text_factory = lambda raw: raw.decode("utf-8", "replace")

    def copy(table: str, sql: str, given: Sequence[Any] = ()) -> None:
        done = True
        for row in _rows(source, sql, given):
            if row is None:
                done = False
            else:
                marks = ", ".join("?" * len(row))
                into.execute(f"INSERT OR REPLACE INTO {table} VALUES ({marks})", row)
        (whole if done else partly).append(table)

    for table in WHOLE:
        copy(table, f"SELECT * FROM {table}")
    copy("events", "SELECT * FROM events ORDER BY id DESC LIMIT ?", (events,))
    copy("events", f"SELECT * FROM events WHERE id IN (SELECT event_id FROM ({WAITING}))")
    copy("events", "SELECT * FROM events WHERE kind = 'calibrated'")
    if records:
        for table, key in (("tests", "id"), ("records", "event")):
            copy("events", f"SELECT * FROM events WHERE id IN (SELECT {key} FROM {table})")
            copy(table, f"SELECT * FROM {table} ORDER BY 1")
    copy("outbox", f"{WAITING} LIMIT ?", (MOST_NOTICES,))
    into.execute("DELETE FROM outbox WHERE event_id NOT IN (SELECT id FROM events)")
    copy(
        "readings",
        "SELECT * FROM readings WHERE last_ms > (SELECT max(steady_ms) FROM state)"
        " ORDER BY first_ms LIMIT 2000",
    )
    for table in (*WHOLE, "outbox"):  # or it would be found damaged again at the next start
        if into.execute(f"DELETE FROM {table} WHERE NOT ({typed(into, table)})").rowcount:
            partly.append(table)
    known = [row[0] for row in into.execute("SELECT id FROM layouts")]
    into.execute(f"DELETE FROM readings WHERE layout NOT IN ({', '.join('?' * len(known))})", known)
    numbers = list(_rows(source, "SELECT seq FROM sqlite_sequence WHERE name = 'events'"))
    into.execute("DELETE FROM sqlite_sequence WHERE name = 'events'")
    for row in numbers:
        if row is None:
            into.execute("DELETE FROM facts WHERE name = 'installation'")
        else:
            into.execute("INSERT INTO sqlite_sequence VALUES ('events', ?)", row)
    into.commit()
    partly = sorted(set(partly))
    return Carried(sorted(set(whole) - set(partly)), partly)


def _rows(
    source: sqlite3.Connection, sql: str, given: Sequence[Any] = ()
) -> Iterator[tuple[Any, ...] | None]:
    """The rows as far as they can be read; then None where that was not to the end."""
    try:
        yield from source.execute(sql, given)
    except FAULTS as error:
        log.error("cannot be read: %s (%s)", sql, error)
        yield None


def bring_back(memory: sqlite3.Connection, card: Database) -> dict[int, int]:
    """Put what was kept in memory on the card, in one lasting transaction. The card's numbers of
    the stand-in's events. sqlite3.Error when nothing of it could be put there."""
    to = card.conn
    to.execute("PRAGMA synchronous = FULL")
    moved: dict[int, int] = {}
    try:
        with card.atomic():
            sql = "INSERT OR IGNORE INTO facts SELECT 'installation', ?"
            to.execute(sql, (str(uuid.uuid4()),))
            layouts = {}
            for number, channels in memory.execute("SELECT id, channels FROM layouts"):
                to.execute("INSERT OR IGNORE INTO layouts (channels) VALUES (?)", (channels,))
                sql = "SELECT id FROM layouts WHERE channels = ?"
                layouts[number] = to.execute(sql, (channels,)).fetchone()[0]
            for row in memory.execute("SELECT * FROM epochs"):
                to.execute("INSERT OR IGNORE INTO epochs VALUES (?, ?)", row)
            for first, last, count, layout, data in memory.execute("SELECT * FROM readings"):
                row = (first, last, count, layouts[layout], data)
                to.execute("INSERT OR IGNORE INTO readings VALUES (?, ?, ?, ?, ?)", row)
            for table in ("minutes", "quarter_hours"):
                for start, layout, text in memory.execute(f"SELECT * FROM {table}"):
                    row = (start, layouts[layout], text)
                    to.execute(f"INSERT OR REPLACE INTO {table} VALUES (?, ?, ?)", row)
            for number, *rest in memory.execute(
                "SELECT * FROM events WHERE id >= ? ORDER BY id", (FIRST,)
            ):
                sql = "INSERT INTO events (at_ms, kind, section, body) VALUES (?, ?, ?, ?)"
                moved[number] = int(to.execute(sql, rest).lastrowid or 0)
            asides = dict(memory.execute("SELECT * FROM asides"))
            for number, data in sorted(asides.items()):
                sql = "SELECT body FROM events WHERE id = ?"
                event = json.loads(to.execute(sql, (moved[number],)).fetchone()[0])
                linked = chain.append_late(to, moved[number], event, json.loads(data))
                body = json.dumps({**event, **linked}, separators=(",", ":"), ensure_ascii=False)
                to.execute("UPDATE events SET body = ? WHERE id = ?", (body, moved[number]))
            for number, first, last, aside in memory.execute("SELECT * FROM tests"):
                row = (moved[number], first, last, aside)
                to.execute("INSERT INTO tests VALUES (?, ?, ?, ?)", row)
            for messenger, number, accepted in memory.execute("SELECT * FROM outbox"):
                if number in moved:
                    row = (messenger, moved[number], accepted)
                    to.execute("INSERT OR REPLACE INTO outbox VALUES (?, ?, ?)", row)
                elif accepted is not None:
                    sql = "UPDATE outbox SET accepted_ms = ? WHERE messenger = ? AND event_id = ?"
                    to.execute(sql, (accepted, messenger, number))
            for table in ("state", "memories"):
                for row in memory.execute(f"SELECT * FROM {table}"):
                    marks = ", ".join("?" * len(row))
                    to.execute(f"INSERT OR REPLACE INTO {table} VALUES ({marks})", row)
            for row in memory.execute("SELECT * FROM facts WHERE name != 'installation'"):
                to.execute("INSERT OR REPLACE INTO facts VALUES (?, ?)", row)
    finally:
        to.execute("PRAGMA synchronous = NORMAL")
    return moved
