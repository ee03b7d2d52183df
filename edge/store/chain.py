"""The chain of records: appended to, never altered, and any change to it shows.

Each row's hash is SHA-256 over the hash before it (64 zeros for the first) followed by the row's
body: JSON in ASCII, keys sorted, no spaces. A changed, removed or moved row breaks the chain;
that the newest rows were cut off shows beside a hash that was told elsewhere (events, the weekly
mail), since every hash ever told must be found in it.
"""

import hashlib
import json
import sqlite3
import zlib
from collections.abc import Iterable, Iterator, Mapping
from typing import Any, NamedTuple

from edge.model import Event
from edge.record import ANSWERED, HOLD_TEST

FIRST = "0" * 64
SHORTEST = 12
"""Characters of a hash that are enough to name a row of any chain a site will ever have."""

PUT_BACK = "valves put back"
CHAINED = {
    "record_made": None,
    "hold_test_finished": HOLD_TEST,
    "hold_test_answered": ANSWERED,
    "valves_put_back": PUT_BACK,
}
"""Kinds of events that make a record, and the kind of record where the event alone says it."""

COLUMNS = "seq, id, kind, made_at, body, supersedes, previous, hash, event"


class Row(NamedTuple):
    """One row as it stands in the table."""

    seq: int
    id: str
    kind: str
    made_at: str
    body: str
    supersedes: str | None
    previous: str
    hash: str
    event: int | None  # the event that told of it; None where that cannot be said


def row_of(found: Iterable[Any]) -> Row:
    """A row of the table. A cell that is no text, as only somebody else puts there, becomes one
    that no hash fits."""
    return Row._make(
        c if c is None or isinstance(c, str | int) else f"{c!r} is no text" for c in found
    )


class Chain(NamedTuple):
    """What a look at the whole chain found."""

    rows: int
    head: str  # the newest row's hash; 64 zeros for none
    faults: tuple[str, ...]

    @property
    def holds(self) -> bool:
        return not self.faults


def canonical(plain: Mapping[str, Any]) -> str:
    """The one way of writing a body."""
    return json.dumps(plain, sort_keys=True, separators=(",", ":"))


def link(previous: str, body: str) -> str:
    """The hash of a row."""
    return hashlib.sha256((previous + body).encode()).hexdigest()


def body_of(event: Mapping[str, Any], kind: str | None, aside: Mapping[str, Any]) -> dict[str, Any]:
    """What a row says: a whole record, or the event of a hold test with the digest of what was
    kept beside it. `event` is as in the events contract, without id and without its own link."""
    if kind is None:
        return dict(aside["record"])
    plain = {
        "kind": kind,
        "made_at": event["at"],
        "section": event.get("section"),
        "by": event.get("by"),
        "supersedes": None,
        "event": dict(event),
    }
    if aside:
        plain["kept_sha256"] = digest(aside)
    return plain


def digest(aside: Mapping[str, Any]) -> str:
    """SHA-256 of what was kept beside a hold test."""
    return hashlib.sha256(canonical(aside).encode()).hexdigest()


def append(
    db: sqlite3.Connection,
    installation: str,
    event: Event,
    number: int,
) -> dict[str, Any]:
    """Append the record that an event makes, inside the caller's transaction. The link is told
    with the event: "record" (seq) and "record_hash"."""
    return _append(
        db, installation, body_of(event.as_json(), CHAINED[event.kind], event.aside), number
    )


def _append(
    db: sqlite3.Connection, installation: str, plain: Mapping[str, Any], number: int
) -> dict[str, Any]:
    last = db.execute("SELECT seq, hash FROM records ORDER BY seq DESC LIMIT 1").fetchone()
    seq, previous = (1, FIRST) if last is None else (last[0] + 1, last[1])
    name = f"{installation}-record-{seq}"
    body = canonical({**plain, "id": name})
    made = link(previous, body)
    db.execute(
        f"INSERT INTO records ({COLUMNS}) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?)",
        Row(
            seq,
            name,
            plain["kind"],
            plain["made_at"],
            body,
            plain["supersedes"],
            previous,
            made,
            number,
        ),
    )
    return {"record": seq, "record_hash": made}


def append_late(
    db: sqlite3.Connection, number: int, event: Mapping[str, Any], aside: Mapping[str, Any]
) -> dict[str, Any]:
    """As `append`, for an event that was kept and told before, under its number here."""
    row = db.execute("SELECT value FROM facts WHERE name = 'installation'").fetchone()
    plain = {name: value for name, value in event.items() if name != "id"}
    return _append(db, row[0], body_of(plain, CHAINED[plain["kind"]], aside), number)


def enter_old(db: sqlite3.Connection) -> None:
    """Enter what was kept before there was a chain, marked so; for the migration."""
    if db.execute("SELECT 1 FROM records").fetchone() is not None:
        return  # a power cut came after this was done, and before it was noted as done
    row = db.execute("SELECT value FROM facts WHERE name = 'installation'").fetchone()
    old = db.execute(
        "SELECT events.id, events.kind, events.body, tests.aside FROM events"
        " LEFT JOIN tests ON tests.id = events.id"
        " WHERE events.kind IN ('hold_test_finished', 'valves_put_back') ORDER BY events.id"
    ).fetchall()
    for number, kind, body, aside in old:
        kept = {} if aside is None else json.loads(zlib.decompress(aside))
        plain = body_of(json.loads(body), CHAINED[kind], kept)
        _append(db, row[0], {**plain, "from_before": True}, number)


def look(rows: Iterable[Row]) -> Chain:
    """Walk the rows in the order of seq and say everything that is wrong with them."""
    walk = _Walk()
    for row in rows:
        walk.step(row)
    return Chain(walk.seq, walk.head, tuple(walk.faults))


class _Walk:
    """One row at a time, so that a chain of many years takes no memory."""

    def __init__(self) -> None:
        self.seq, self.head = 0, FIRST
        self.faults: list[str] = []

    def step(self, row: Row) -> None:
        seq = self.seq
        if row.seq != seq + 1:
            gap = f"{seq + 1}" if row.seq == seq + 2 else f"{seq + 1} to {row.seq - 1}"
            self.faults.append(f"record {row.seq}: expected record {gap} before it, found none")
        elif row.previous != self.head:
            self.faults.append(f"record {row.seq}: it does not follow the record before it")
        if link(row.previous, row.body) != row.hash:
            self.faults.append(f"record {row.seq}: its content is not what was recorded")
        self.faults += _columns(row)
        self.head, self.seq = row.hash, row.seq


def inspect(db: sqlite3.Connection, told: Iterable[str] = ()) -> Chain:
    """The chain in a database: its rows; what hold tests rest on and the events that told of
    records, which are kept in other tables; and that every hash in `told` (copied from an event or
    a letter; its first 12 characters or more are enough) is in it."""
    walk, hashes = _Walk(), dict[int, str]()
    for found in db.execute(f"SELECT {COLUMNS} FROM records ORDER BY seq"):
        row = row_of(found)
        walk.step(row)
        walk.faults += _beside(db, row)
        hashes[row.seq] = row.hash
    faults = [*walk.faults, *_told_here(db, hashes)]
    for head in told:
        plain = head.strip().lower()
        if len(plain) < SHORTEST or not any(h.startswith(plain) for h in hashes.values()):
            faults.append(
                f"hash {head}: expected a record with it, found none: records were cut off"
            )
    return Chain(walk.seq, walk.head, tuple(faults))


def _beside(db: sqlite3.Connection, row: Row) -> Iterator[str]:
    """What stands in other tables about one record."""
    plain = _read(row.body)
    if "event" in plain:
        told = db.execute("SELECT body FROM events WHERE id = ?", (row.event,)).fetchone()
        event = _read(told[0]) if told else {}
        event.pop("id", None)  # told before it could be kept
        event.pop("record", None)
        event.pop("record_hash", None)
        if event != plain["event"]:
            yield f"record {row.seq}: event {row.event} no longer says what the record says"
    if "kept_sha256" in plain and plain["kept_sha256"] != _kept(db, row.event):
        yield f"record {row.seq}: what was kept beside the hold test was changed"


def _told_here(db: sqlite3.Connection, hashes: Mapping[int, str]) -> Iterator[str]:
    """Events tell the hash of the record that they made."""
    kinds = ", ".join(f"'{kind}'" for kind in CHAINED)
    for number, text in db.execute(
        f"SELECT id, body FROM events WHERE kind IN ({kinds}) ORDER BY id"
    ):
        event = _read(text)
        if not event:
            yield f"event {number}: it cannot be read"
        elif "record" in event and hashes.get(event["record"]) != event.get("record_hash"):
            yield (
                f"record {event['record']}: expected the one that event {number} tells of,"
                " found another or none"
            )


def _kept(db: sqlite3.Connection, number: int | None) -> str | None:
    row = db.execute("SELECT aside FROM tests WHERE id = ?", (number,)).fetchone()
    try:
        return None if row is None else digest(json.loads(zlib.decompress(row[0])))
    except (zlib.error, ValueError, TypeError):
        return None


def _read(body: str) -> dict[str, Any]:
    """A body, empty where it cannot be read (which is a fault of its own)."""
    try:
        plain = json.loads(body)
    except (ValueError, RecursionError):
        return {}
    return plain if isinstance(plain, dict) else {}


def _columns(row: Row) -> list[str]:
    """Columns that stand beside the body must say what it says."""
    plain = _read(row.body)
    if not plain:
        return [f"record {row.seq}: its content cannot be read"]
    said = {name: plain.get(name) for name in ("id", "kind", "made_at", "supersedes")}
    wrong = [name for name, value in said.items() if value != getattr(row, name)]
    return [f"record {row.seq}: its {name} was changed" for name in wrong]
