"""The database in use: the card's, or one in memory while the card takes nothing."""

import json
import logging
import shutil
import sqlite3
import time
import uuid
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from edge.errors import DamagedError, StoreError
from edge.model import Event
from edge.store import standin
from edge.store.database import FAULTS, as_store_error, set_aside
from edge.store.schema import FILE, open_database

log = logging.getLogger(__name__)

TRY_EVERY_MS = 10 * 1000
"""How often a card that took nothing is tried again."""

SAID_S = 86_400.0
"""How long it is said that a damaged database was set aside; the event stays."""

DAMAGED_KEPT = 2
"""Files set aside that are left on the card, the newest: each may be as large as all history."""


class Card:
    """One connection, used from one thread. Every fault of the disk or file is a StoreError.

    While the card takes nothing, a database in memory stands in and `troubles` says so. A damaged
    file is set aside under a name with the date, and a new one begun with what could be saved.
    """

    installation: str
    """What every event's id begins with."""

    def __init__(
        self, folder: Path, utc: Callable[[], float], changed: Callable[[Event | None], None]
    ) -> None:
        """`utc` dates what is set aside. `changed` is called whenever another database has come
        into use, with the event to keep that a damaged one was set aside, if it was."""
        self.path = folder / FILE
        self.age = 0
        """Grows whenever what somebody remembers of the database may no longer be so: after a
        transaction undone and after a change of database."""
        self.moved: dict[int, int] = {}
        """The numbers on the card of the stand-in's events, once it has them."""
        self._folder, self._utc, self._changed = folder, utc, changed
        self._damage: str | None = None  # found since the last keeping
        self._standing_in: str | None = None  # why memory takes the card's place
        self._tried_ms = 0
        self._next_stand_in = standin.FIRST
        self._unsaid: Event | None = None

    @property
    def standing_in(self) -> bool:
        """Whether memory takes the card's place."""
        return self._standing_in is not None

    def start(self, look: Callable[[], None]) -> None:
        """Open the database; `look` reads from it what going on needs, so that damage shows."""
        try:
            self._use(open_database(self._folder))
            look()
        except DamagedError as error:
            self._renew(str(error))
            look()
        except StoreError as error:
            self._stand_in(str(error), None)
            look()

    def through(self, work: Callable[[], None], now_ms: int | None) -> None:
        """Do `work` on the card where it takes it, otherwise on a new file or in memory."""
        if self._damage is not None:
            self._renew(self._damage)
        if self.standing_in:
            self._try_card(now_ms)
        try:
            work()
        except DamagedError as error:
            self._renew(str(error))
            work()
        except StoreError as error:
            if self.standing_in:
                raise
            self._stand_in(str(error), self.conn)
            self._tried_ms = now_ms or 0
            work()

    def close(self) -> None:
        self._db.close()

    def troubles(self) -> dict[str, str]:
        """What is wrong with the keeping, by its kind, in plain sentences; empty when all is well."""
        found = {}
        if self._standing_in is not None:
            found["storage"] = (
                f"The monitor's disk takes nothing ({self._standing_in}); what happens is held in"
                " memory and lost if the power fails."
            )
        said = self._set_aside
        if said is not None and self._utc() - said["at"] < SAID_S:
            found["database"] = said["text"]
        return found

    def free_pct(self) -> float | None:
        """Free share of the state folder's disk, in per cent; None when the disk does not say."""
        try:
            disk = shutil.disk_usage(self._folder)
        except OSError:
            return None
        return 100.0 * disk.free / disk.total

    # --- questions and changes

    @contextmanager
    def transaction(self, lasting: bool = False) -> Iterator[None]:
        """One transaction; with `lasting`, on the card itself before it is over."""
        try:
            if lasting:
                self.conn.execute("PRAGMA synchronous = FULL")
            try:
                with self._db.atomic():
                    yield
            finally:
                if lasting:
                    self.conn.execute("PRAGMA synchronous = NORMAL")
        except (*FAULTS, OSError) as error:
            self.age += 1
            raise self._found("to keep a batch", error) from error

    def do(self, sql: str, given: Sequence[Any] = ()) -> sqlite3.Cursor:
        """Change something, within a transaction, whose errors are its own."""
        return self.conn.execute(sql, given)

    def all(self, sql: str, given: Sequence[Any] = ()) -> list[Any]:
        """Every row of an answer."""
        try:
            return self.conn.execute(sql, given).fetchall()
        except FAULTS as error:
            raise self._found("an answer", error) from error

    def each(self, sql: str) -> Iterator[Any]:
        """As `all`, a row at a time: of years, not all at once."""
        try:
            yield from self.conn.execute(sql)
        except FAULTS as error:
            raise self._found("an answer", error) from error

    def one(self, sql: str, given: Sequence[Any] = ()) -> Any:
        """The first row of an answer, or None."""
        return next(iter(self.all(sql, given)), None)

    def fact(self, name: str) -> str | None:
        row = self.one("SELECT value FROM facts WHERE name = ?", (name,))
        return None if row is None else str(row[0])

    def number(self, name: str) -> int:
        """A fact that counts something; 0 where there is none, or none that can be read."""
        text = self.fact(name) or "0"
        return int(text) if text.isascii() and text.isdigit() else 0

    def set(self, name: str, value: str) -> str:
        """Keep a fact, within a transaction; the value."""
        self.do("INSERT OR REPLACE INTO facts VALUES (?, ?)", (name, value))
        return value

    def _found(self, expected: str, error: Exception) -> StoreError:
        found = as_store_error(self.path, expected, error)
        if isinstance(found, DamagedError) and not self.standing_in:
            self._damage = str(found)
        return found

    # --- from one database to another

    def _use(self, database: Any) -> None:
        self._db = database
        self.conn: sqlite3.Connection = database.conn
        self.age += 1
        with self.transaction():
            self.installation = self.fact("installation") or self.set(
                "installation", str(uuid.uuid4())
            )
        self._set_aside = _said(self.fact("set_aside"))
        self._changed(self._unsaid)
        self._unsaid = None

    def _stand_in(self, why: str, source: sqlite3.Connection | None) -> None:
        log.error("memory stands in for the disk: %s", why)
        memory = standin.begin(self._folder, source, self._next_stand_in)
        if source is not None:
            self._db.close()
        self._standing_in, self._damage = why, None
        self._use(memory)

    def _try_card(self, now_ms: int | None) -> None:
        """Go back to the card, with all that was kept meanwhile, where it takes it."""
        if now_ms is not None:
            if abs(now_ms - self._tried_ms) < TRY_EVERY_MS:
                return
            self._tried_ms = now_ms
        try:
            card = self._open_or_renew()
        except StoreError as error:
            self._standing_in = str(error)
            return
        try:
            moved = standin.bring_back(self.conn, card)
        except FAULTS as error:
            self._standing_in = str(as_store_error(self.path, "to write what waited", error))
            card.close()
            return
        self.moved.update(moved)
        self._next_stand_in = max([self._next_stand_in, *(n + 1 for n in moved)])
        self._db.close()
        self._standing_in = None
        self._use(card)
        log.info("the disk is written again, with %d events that waited in memory", len(moved))

    def _open_or_renew(self) -> Any:
        try:
            return open_database(self._folder)
        except DamagedError as error:
            return self._begin_anew(str(error), None)

    def _renew(self, why: str) -> None:
        """Set the damaged file aside and go on with a new one; StoreError never: where the card
        does not even take that, memory stands in."""
        self._damage = None
        opened: sqlite3.Connection | None = getattr(self, "conn", None)
        try:
            self._use(self._begin_anew(why, opened))
        except StoreError as error:
            self._stand_in(f"{why}; {error}", None)

    def _begin_anew(self, why: str, opened: sqlite3.Connection | None) -> Any:
        log.error("the database is damaged and set aside: %s", why)
        if opened is not None:
            opened.close()
        at = self._utc()
        stamp = time.strftime("%Y%m%dT%H%M%SZ", time.gmtime(at))
        try:
            aside = set_aside(self.path, stamp)
            for old in sorted(self._folder.glob("*.damaged-*.db"))[:-DAMAGED_KEPT]:
                log.warning("removed an older damaged database: %s", old.name)
                old.unlink()
                old.with_name(f"{old.name}-wal").unlink(missing_ok=True)
        except OSError as error:
            raise StoreError(f"{self.path}: expected to set it aside, found: {error}") from error
        database = open_database(self._folder)
        carried = standin.Carried([], list(standin.WHOLE))
        try:
            source = sqlite3.connect(aside)
            carried = standin.carry(source, database.conn, records=True)
            source.close()
        except FAULTS as error:
            log.error("nothing more can be carried over: %s", error)
            database.conn.rollback()
        text = _renewed(aside.name, carried)
        said = {"at": at, "text": text}
        sql = "INSERT OR REPLACE INTO facts VALUES ('set_aside', ?)"
        database.conn.execute(sql, (json.dumps(said),))
        database.conn.commit()
        self._unsaid = Event(at, "database_set_aside", text, None, {
            "file": aside.name, "why": why, "carried": carried.whole, "incomplete": carried.partly,
        })  # fmt: skip
        return database


def _said(text: str | None) -> dict[str, Any] | None:
    """What is said of a file that was set aside; None for nothing, or nothing that can be read."""
    try:
        said = json.loads(text or "null")
        return {"at": float(said["at"]), "text": str(said["text"])}
    except (LookupError, TypeError, ValueError, RecursionError):
        return None


def _renewed(name: str, carried: standin.Carried) -> str:
    saved = "Commissioned figures, alerts and messages that waited were carried over"
    if carried.partly:
        saved = f"What could be read was carried over ({', '.join(carried.partly)} not in full)"
    return (
        f"The monitor's database was damaged. It was set aside as {name} and a new one begun."
        f" {saved}; the history before is in that file alone."
    )
