"""The tables of dryhold.db, as ordered migrations; each is committed with its own record.

Times of readings and roll-ups are *steady* (model.Tick.t): they never jump back, whatever the
wall clock did. `epochs` says what to add for UTC: from `first_ms` on, until the next row.
Measured values are whole numbers of 1/GRID of the quantity's unit.
"""

from pathlib import Path
from typing import Any

from edge.store import chain
from edge.store.database import Migrations, open_for_writing

FILE = "dryhold.db"
migrations = Migrations("dryhold")


@migrations()  # type: ignore[untyped-decorator]
def begin(db: Any) -> None:
    db.executescript(
        """
        -- Single facts: installation (a UUID), last_request (done by the judges), and so on.
        CREATE TABLE facts (
            name TEXT PRIMARY KEY,
            value TEXT NOT NULL
        ) WITHOUT ROWID;

        -- Which channels a row's data is of, in order: JSON [[name, quantity], ...].
        CREATE TABLE layouts (
            id INTEGER PRIMARY KEY,
            channels TEXT NOT NULL UNIQUE
        );

        CREATE TABLE epochs (
            first_ms INTEGER PRIMARY KEY,
            offset_ms INTEGER NOT NULL
        );

        -- One row a batch; data as in edge/store/codec.py.
        CREATE TABLE readings (
            first_ms INTEGER PRIMARY KEY,
            last_ms INTEGER NOT NULL,
            count INTEGER NOT NULL,
            layout INTEGER NOT NULL REFERENCES layouts (id),
            data BLOB NOT NULL
        );

        -- Roll-ups over (start_s, start_s + 60] and (start_s, start_s + 900]; data is JSON, for
        -- each channel of the layout [n, min, mean, max] or null where nothing was read.
        CREATE TABLE minutes (
            start_s INTEGER PRIMARY KEY,
            layout INTEGER NOT NULL REFERENCES layouts (id),
            data TEXT NOT NULL
        );
        CREATE TABLE quarter_hours (
            start_s INTEGER PRIMARY KEY,
            layout INTEGER NOT NULL REFERENCES layouts (id),
            data TEXT NOT NULL
        );

        -- Ids are never used twice; the id that receivers see is "<installation>-<id>".
        CREATE TABLE events (
            id INTEGER PRIMARY KEY AUTOINCREMENT,
            at_ms INTEGER NOT NULL,
            kind TEXT NOT NULL,
            section TEXT,
            body TEXT NOT NULL
        );
        CREATE INDEX events_by_kind ON events (kind, at_ms);

        -- What each messenger still has to tell (accepted_ms null), and when it was accepted.
        CREATE TABLE outbox (
            messenger TEXT NOT NULL,
            event_id INTEGER NOT NULL REFERENCES events (id),
            accepted_ms INTEGER,
            PRIMARY KEY (messenger, event_id)
        ) WITHOUT ROWID;
        CREATE INDEX outbox_waiting ON outbox (messenger, event_id) WHERE accepted_ms IS NULL;

        -- The judges' state after everything up to steady_ms; data is zlib of JSON.
        CREATE TABLE state (
            id INTEGER PRIMARY KEY CHECK (id = 1),
            steady_ms INTEGER NOT NULL,
            data BLOB NOT NULL
        );
        """
    )


@migrations()  # type: ignore[untyped-decorator]
def tests(db: Any) -> None:
    db.executescript(
        """
        -- Hold tests that are over; times are steady. The event tells the outcome; aside is zlib of
        -- JSON: terms, what was known of the site, trace and fit. Readings from first_ms to last_ms
        -- are never let go, so that the test can be judged again.
        CREATE TABLE tests (
            id INTEGER PRIMARY KEY REFERENCES events (id),
            first_ms INTEGER NOT NULL,
            last_ms INTEGER NOT NULL,
            aside BLOB NOT NULL
        );
        """
    )


@migrations()  # type: ignore[untyped-decorator]
def memories(db: Any) -> None:
    db.executescript(
        """
        -- What a messenger must know after a restart, as JSON of its own making.
        CREATE TABLE memories (
            messenger TEXT PRIMARY KEY,
            data TEXT NOT NULL
        ) WITHOUT ROWID;
        """
    )


@migrations()  # type: ignore[untyped-decorator]
def records(db: Any) -> None:
    db.executescript(
        """
        -- The chain of records (edge/store/chain.py). Hold tests that were kept before it are
        -- entered by this migration, and say so.
        CREATE TABLE IF NOT EXISTS records (
            seq INTEGER PRIMARY KEY,
            id TEXT NOT NULL UNIQUE,
            kind TEXT NOT NULL,
            made_at TEXT NOT NULL,
            body TEXT NOT NULL,
            supersedes TEXT,
            previous TEXT NOT NULL,
            hash TEXT NOT NULL UNIQUE,
            event INTEGER REFERENCES events (id)
        );
        CREATE INDEX IF NOT EXISTS records_by_event ON records (event);
        CREATE TRIGGER IF NOT EXISTS records_stay BEFORE UPDATE ON records BEGIN
            SELECT RAISE(ABORT, 'a record is never altered, only superseded');
        END;
        CREATE TRIGGER IF NOT EXISTS records_remain BEFORE DELETE ON records BEGIN
            SELECT RAISE(ABORT, 'a record is never deleted, only superseded');
        END;
        CREATE TRIGGER IF NOT EXISTS records_follow BEFORE INSERT ON records
        WHEN new.seq <> coalesce((SELECT max(seq) FROM records), 0) + 1
            OR new.previous <> coalesce(
                (SELECT hash FROM records ORDER BY seq DESC LIMIT 1), printf('%064d', 0))
        BEGIN
            SELECT RAISE(ABORT, 'a record follows the newest one');
        END;
        """
    )
    chain.enter_old(db.conn)


CHECKED = ("facts", "layouts", "epochs", "state", "outbox", "memories", "sqlite_schema")
"""Tables that are looked through at every start: small ones, without which nothing can go on. The
readings of years would take minutes."""


# Batches of readings never overlap, and go by their key: what is asked by `last_ms` alone would
# read the whole table, years of it.
BATCH_OF = "coalesce((SELECT max(first_ms) FROM readings WHERE first_ms <= ?), 0)"
"""The key of the batch that may hold a steady millisecond; 0 where none begins by then."""

NEWEST_MS = "(SELECT last_ms FROM readings WHERE first_ms = (SELECT max(first_ms) FROM readings))"
"""The last steady millisecond of the readings; null for none."""


def open_database(folder: Path) -> Any:
    """dryhold.db in the state folder, ready to write."""
    return open_for_writing(folder / FILE, migrations, checked=CHECKED)
