"""The letterbox: what page, button and shell ask of the daemon. A small file of its own, so that
dryhold.db keeps one writer. Written by many processes, emptied by the daemon."""

import json
import logging
import sqlite3
import time
from collections.abc import Callable, Mapping
from math import inf
from pathlib import Path
from typing import Any

from edge.errors import DamagedError, StoreError
from edge.model import Request
from edge.store.database import FAULTS, Migrations, as_store_error, open_for_writing, set_aside
from edge.store.schema import FILE as DATABASE

FILE = "letterbox.db"

KINDS = {
    "acknowledge": "an alert was seen by a person",
    "shelve": "an alert stays quiet for a limited time",
    "hold_start": "begin a hold test",
    "hold_stop": "end the hold test",
    "hold_alarm": "after a test with the source shut off: whether the low-pressure alarm operated",
    "hold_put_back": "after a hold test every valve is back as it was",
    "baseline_learn": "forget the commissioned figures and learn them anew",
    "baseline_set": "set the commissioned loss",
    "calibrate": "set an oxygen cell against air or a known gas",
    "visit_start": "begin a commissioning visit",
    "visit_answer": "a step of the visit is done: what was entered",
    "visit_skip": "a step of the visit is left out, and why",
    "visit_sign": "the visit is over and signed",
    "visit_abandon": "the visit is given up without a record",
    "work_done": "periodic work was done: make its record",
    "gas_restart": "a section was filled with air, drained or measured: follow its gas anew",
    "working": "a technician is at work: keep alerts quiet for a limited time",
}
"""What may be asked for."""

MOST_WAITING = 100
"""More than this unread means that nobody empties the letterbox; then posting is refused."""

LARGEST = 64 * 1024
"""Characters of one request: as many as a form of the page may have bytes. Whatever else writes into
the file, the daemon takes no more than MOST_WAITING times that into its memory."""

KEPT_S = 90 * 86400.0

UNREADABLE = "set aside: it could not be read"

AGAIN_S = 30.0
"""How often the daemon tries a letterbox that could not be opened."""

log = logging.getLogger(__name__)

migrations = Migrations("letterbox")


@migrations()  # type: ignore[untyped-decorator]
def begin(db: Any) -> None:
    db.executescript(
        """
        CREATE TABLE requests (
            id INTEGER PRIMARY KEY AUTOINCREMENT,
            posted_ms INTEGER NOT NULL,
            kind TEXT NOT NULL,
            by TEXT NOT NULL,
            what TEXT NOT NULL,
            done_ms INTEGER,
            answer TEXT
        );
        CREATE INDEX requests_waiting ON requests (id) WHERE done_ms IS NULL;
        """
    )


def _plain(text: str) -> str:
    """Text that can be written as UTF-8; a question mark for what cannot."""
    return text.encode("utf-8", "replace").decode()


class Box:
    """The letterbox in a state folder; each thread and process opens its own."""

    def __init__(self, folder: Path, utc: Callable[[], float] = time.time) -> None:
        self._path = folder / FILE
        self._utc = utc
        # What a person asked for outlives a power cut.
        self._db = open_for_writing(self._path, migrations, lasting=True, checked=("requests",))
        self._conn: sqlite3.Connection = self._db.conn
        # One damaged row must not keep all others from being read.
        self._conn.text_factory = lambda text: text.decode("utf-8", "replace")

    def close(self) -> None:
        self._db.close()

    def post(self, kind: str, by: str, what: Mapping[str, Any]) -> int:
        """Ask; the request's number. ValueError for an unknown kind, StoreError for a full box or
        for more than LARGEST."""
        if kind not in KINDS:
            raise ValueError(f"expected a request of {', '.join(KINDS)}, found {kind!r}")
        # A terminal hands over bytes that are no UTF-8 as what no database and no receiver takes.
        text = _plain(json.dumps(dict(what), separators=(",", ":"), ensure_ascii=False))
        if len(text) + len(by) > LARGEST:
            raise StoreError(
                f"{self._path}: expected a request of at most {LARGEST:,} characters,"
                f" found {len(text) + len(by):,}"
            )
        added = self._ask(
            "INSERT INTO requests (posted_ms, kind, by, what) SELECT ?, ?, ?, ?"
            " WHERE (SELECT count(*) FROM requests WHERE done_ms IS NULL) < ?",
            (self._now_ms(), kind, _plain(by), text, MOST_WAITING),
        )
        if added.rowcount != 1 or added.lastrowid is None:
            raise StoreError(
                f"{self._path}: expected the daemon to read requests,"
                f" found {MOST_WAITING} of them unread"
            )
        return added.lastrowid

    def waiting(self) -> list[Request]:
        """Requests not done yet, oldest first."""
        rows = self._ask(
            "SELECT id, substr(kind, 1, 80), substr(by, 1, ?), CASE WHEN length(what) <= ? THEN what END"
            " FROM requests WHERE done_ms IS NULL ORDER BY id LIMIT ?",
            (LARGEST, LARGEST, MOST_WAITING),
        )
        found = []
        for n, kind, by, what in rows.fetchall():
            try:
                asked = json.loads(what)
                # What could not be written down again would end the watching at every start.
                json.dumps([kind, by, asked], ensure_ascii=False).encode()
            except (TypeError, ValueError, RecursionError):
                asked = None
            if isinstance(asked, dict):
                found.append(Request(n, kind, by, asked))
            else:
                # It would be found again each second, and must not end the watching.
                self.done(n, UNREADABLE)
        return found

    def done(self, request_id: int, answer: str) -> None:
        """Set a request aside with what became of it; old ones are let go."""
        now = self._now_ms()
        self._ask(
            "UPDATE requests SET done_ms = ?, answer = ? WHERE id = ?", (now, answer, request_id)
        )
        self._ask("DELETE FROM requests WHERE done_ms < ?", (now - int(KEPT_S * 1000),))

    def number_from(self, last: int) -> None:
        """See that the next request has a number after `last`: a letterbox that was begun anew would
        use those again that the judges have seen."""
        self._ask(
            "INSERT INTO sqlite_sequence SELECT 'requests', ? WHERE NOT EXISTS"
            " (SELECT 1 FROM sqlite_sequence WHERE name = 'requests')",
            (last,),
        )
        self._ask(
            "UPDATE sqlite_sequence SET seq = ? WHERE name = 'requests' AND seq < ?", (last, last)
        )

    def answer(self, request_id: int) -> str | None:
        """What became of a request; None while it waits or when it is no longer kept."""
        row = self._ask("SELECT answer FROM requests WHERE id = ?", (request_id,)).fetchone()
        return None if row is None else row[0]

    def taken_up(self, kind: str, section: str) -> float | None:
        """When the newest request of that kind for a section was taken up, seconds since 1970 UTC
        by the daemon's clock: infinity while it waits, None where none is kept."""
        row = self._ask(
            "SELECT done_ms FROM requests WHERE kind = ? AND json_valid(what)"
            " AND json_extract(what, '$.section') = ? ORDER BY id DESC LIMIT 1",
            (kind, section),
        ).fetchone()
        return None if row is None else inf if row[0] is None else row[0] / 1000.0

    def _now_ms(self) -> int:
        return round(self._utc() * 1000.0)

    def _ask(self, sql: str, given: tuple[Any, ...] = ()) -> sqlite3.Cursor:
        try:
            # The library's own way to run a statement takes five times as long, each second.
            with self._conn:
                return self._conn.execute(sql, given)
        except FAULTS as error:
            raise as_store_error(self._path, "an answer", error) from error


def box_of_monitor(folder: Path) -> Box:
    """The letterbox of a monitor that has been started there; StoreError where none was, so that
    nothing is asked of nobody."""
    if not (folder / DATABASE).exists():
        raise StoreError(
            f"{folder}: expected the state folder of a monitor that was started,"
            f" found no {DATABASE}"
        )
    return Box(folder)


class Inbox:
    """The daemon's own letterbox: opened when it can be, so that a fault of its file or of the
    card ends neither judging nor telling; a damaged one is set aside and a new one begun."""

    def __init__(
        self,
        folder: Path,
        last: int,
        utc: Callable[[], float] = time.time,
        steady: Callable[[], float] = time.monotonic,
    ) -> None:
        """`last` is the highest number of a request that the judges have seen."""
        self._folder, self._last, self._utc, self._steady = folder, last, utc, steady
        self._box: Box | None = None
        self._why: str | None = None
        self._tried = float("-inf")
        self._opened()

    def close(self) -> None:
        if self._box is not None:
            self._box.close()
            self._box = None

    def troubles(self) -> dict[str, str]:
        if self._why is None:
            return {}
        return {"letterbox": f"What people ask for cannot be read ({self._why})."}

    def post(self, kind: str, by: str, what: Mapping[str, Any]) -> int:
        box = self._opened()
        if box is None:
            raise StoreError(self._why or "")
        return box.post(kind, by, what)

    def waiting(self) -> list[Request]:
        """Requests not done yet; none while they cannot be read."""
        box = self._opened()
        try:
            found = [] if box is None else box.waiting()
        except StoreError as error:
            self._failed(error)
            return []
        self._last = max([self._last, *(request.id for request in found)])
        return found

    def done(self, request_id: int, answer: str) -> None:
        """Set a request aside; where that cannot be kept it is found, and set aside, again."""
        try:
            if self._box is not None:
                self._box.done(request_id, answer)
        except StoreError as error:
            self._failed(error)

    def _opened(self) -> Box | None:
        now = self._steady()
        if self._box is None and now - self._tried >= AGAIN_S:
            self._tried = now
            try:
                self._box = Box(self._folder, self._utc)
                self._box.number_from(self._last)
                self._why = None
            except StoreError as error:
                self._failed(error)
        return self._box

    def _failed(self, error: StoreError) -> None:
        if self._why is None:
            log.error("the letterbox fails: %s", error)
        self._why = str(error)
        self.close()
        if isinstance(error, DamagedError):
            stamp = time.strftime("%Y%m%dT%H%M%SZ", time.gmtime(self._utc()))
            try:
                log.error("set aside: %s", set_aside(self._folder / FILE, stamp))
                self._tried = float("-inf")
            except OSError as problem:
                log.error("could not be set aside: %s", problem)
