"""The one writer of dryhold.db: readings, roll-ups, events, notices and state, in one transaction."""

import json
import logging
import shutil
import sqlite3
import time
import uuid
import zlib
from collections.abc import Callable, Collection, Iterator, Mapping, Sequence
from contextlib import contextmanager
from itertools import groupby
from pathlib import Path
from typing import Any, NamedTuple

from edge.errors import DamagedError, StoreError
from edge.model import Event, Tick
from edge.settings import Settings
from edge.store import chain, codec, standin
from edge.store.database import as_store_error, set_aside
from edge.store.rollup import RollUp, Row
from edge.store.schema import FILE, open_database

log = logging.getLogger(__name__)

OUTBOX_LIMIT = 100_000
"""The most notices that may wait for one messenger: years of a quiet site, weeks of a bad one."""

PRUNE_EVERY_MS = 3600 * 1000
PRUNE_ROWS = 240  # four times what an hour adds, so that a change of retention catches up

CARD_EVERY_MS = 10 * 1000
"""How often a card that took nothing is tried again."""

SAID_S = 86_400.0
"""How long it is said that a damaged database was set aside; the event stays."""

DAMAGED_KEPT = 2
"""Files set aside that are left on the card, the newest: each may be as large as all history."""

NOTICES_KEPT_MS = 30 * 86_400 * 1000
"""How long it is remembered when a receiver accepted a notice."""

ROLLUPS_AT_ONCE = 10
"""Minutes that are put down together. Until then they are in memory and, from the readings, in
every answer and after every restart: a page of the card is changed a tenth as often."""

_ROUTINE = "'cut_in', 'cut_out', 'run_measured', 'idle_measured', 'purity_measured'"
"""Events that go with the quarter-hours; all others are kept for good."""

_TIERS = {"minutes": 60, "quarter_hours": 900}


class Saved(NamedTuple):
    """The judges' state as last kept, and the steady second up to which it had seen."""

    state: Mapping[str, Any]
    steady: float


class Writer:
    """Store and outbox; used from one thread. Every fault of the disk or file is a StoreError.

    While the card takes nothing, a database in memory stands in and `troubles` says so. A damaged
    file is set aside under a name with the date, and a new one begun with what could be saved.
    """

    def __init__(
        self,
        folder: Path,
        settings: Settings,
        messengers: Sequence[str],
        outbox_limit: int = OUTBOX_LIMIT,
        only: Mapping[str, Collection[str]] = {},
        utc: Callable[[], float] = time.time,
    ) -> None:
        """`only` names the kinds of events that a messenger is told, for those not told all; `utc`
        dates what is set aside."""
        self._folder, self._path, self._utc = folder, folder / FILE, utc
        self._keeping = settings.keeping
        self._messengers = tuple(messengers)
        self._limit, self._only = outbox_limit, only
        self._names = [channel.name for channel in settings.channel]
        self._channels = [[c.name, c.quantity] for c in settings.channel]
        self._pruned_ms: int | None = None
        self._backlog: dict[str, int] = {}  # counted when first asked for after a change
        self._dropped: dict[str, int] = {}
        self._damage: str | None = None  # found since the last keeping
        self._standing_in: str | None = None  # why memory takes the card's place
        self._tried_ms = 0
        self._next_stand_in = standin.FIRST
        self._moved: dict[int, int] = {}  # numbers of the stand-in's events, on the card since
        self._offset_ms: int | None = None
        self._last_request = 0
        self._unsaid: Event | None = None  # that a file was set aside
        try:
            self._use(open_database(folder))
            self._rollups = self._resumed()
            self._one("SELECT data FROM state")
            self.steady()
        except DamagedError as error:
            self._renew(str(error))
            self._rollups = self._resumed()
        except StoreError as error:
            self._stand_in(str(error), None)
            self._rollups = self._resumed()
        self._rows: dict[str, list[Row]] = {name: [] for name in self._rollups}

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

    # --- what was kept before

    def saved(self) -> Saved | None:
        """The judges' state, None where there is none; StoreError for a damaged one."""
        row = self._one("SELECT steady_ms, data FROM state")
        if row is None:
            return None
        try:
            state = json.loads(zlib.decompress(row[1]))
        except (zlib.error, ValueError) as error:
            raise StoreError(f"{self._path}: expected the judges' state, found: {error}") from error
        return Saved(state, row[0] / 1000.0)

    def steady(self) -> float | None:
        """The newest steady second that anything was kept for; time goes on from there."""
        row = self._one(
            "SELECT max(t) FROM (SELECT max(last_ms) t FROM readings"
            " UNION ALL SELECT max(steady_ms) FROM state)"
        )
        return None if row is None or row[0] is None else row[0] / 1000.0

    def newest_utc(self) -> float | None:
        """The same second, as the wall clock had it."""
        steady = self.steady()
        return None if steady is None else steady + (self._offset_ms or 0) / 1000.0

    def since(self, steady: float) -> Iterator[Tick]:
        """The kept ticks after that steady second, in the settings' present order of channels; a
        channel that was not configured then has neither value nor fault."""
        after = codec.milliseconds(steady)
        rows = self._all(
            "SELECT first_ms, layout, data FROM readings WHERE last_ms > ? ORDER BY first_ms",
            (after,),
        )
        layouts = {
            number: [name for name, _ in json.loads(text)]
            for number, text in self._all("SELECT id, channels FROM layouts")
        }
        epochs = self._all("SELECT first_ms, offset_ms FROM epochs ORDER BY first_ms DESC")
        for first_ms, layout, data in rows:
            names = layouts[layout]
            offset_ms = next((o for first, o in epochs if first <= first_ms), 0)
            try:
                ticks = codec.decode(data, first_ms, offset_ms, names)
            except StoreError as error:
                log.error("passed over a batch that cannot be read: %s", error)
                continue
            places = [names.index(n) if n in names else None for n in self._names]
            for tick in ticks:
                if codec.milliseconds(tick.t) > after:
                    yield tick._replace(
                        values=tuple(None if p is None else tick.values[p] for p in places),
                        faults={n: why for n, why in tick.faults.items() if n in self._names},
                    )

    def calibrations(self) -> list[dict[str, Any]]:
        """Every `calibrated` event, oldest first."""
        rows = self._all("SELECT body FROM events WHERE kind = 'calibrated' ORDER BY id")
        return [json.loads(body) for (body,) in rows]

    def last_request(self) -> int:
        """The highest number of a request that the judges have seen and whose effect is kept."""
        return self._last_request

    def free_pct(self) -> float | None:
        """Free share of the state folder's disk, in per cent; None when the disk does not say."""
        try:
            disk = shutil.disk_usage(self._path.parent)
        except OSError:
            return None
        return 100.0 * disk.free / disk.total

    # --- keeping

    def keep(
        self, ticks: Sequence[Tick], events: Sequence[Event], state: Mapping[str, Any] | None
    ) -> None:
        """In one transaction: these readings with the roll-ups they finish, these events with a
        notice for every messenger, and the judges' state after `ticks`.

        With events it returns only once they would survive a power cut; on a card that takes
        nothing, once they are in memory. On StoreError nothing of it was kept, and the same call
        may be made again.
        """
        if self._damage is not None:
            self._renew(self._damage)
        if self._standing_in is not None:
            self._try_card(codec.milliseconds(ticks[-1].t) if ticks else None)
        try:
            self._keep(ticks, events, state)
        except DamagedError as error:
            self._renew(str(error))
            self._keep(ticks, events, state)
        except StoreError as error:
            if self._standing_in is not None:
                raise
            self._stand_in(str(error), self._conn)
            self._tried_ms = codec.milliseconds(ticks[-1].t) if ticks else 0
            self._keep(ticks, events, state)
        if ticks:
            try:
                self._prune(codec.milliseconds(ticks[-1].t))
            except StoreError as error:
                # What was given is kept; letting go of old rows can wait for the next hour.
                log.warning("could not let go of old readings: %s", error)

    def _keep(
        self, ticks: Sequence[Tick], events: Sequence[Event], state: Mapping[str, Any] | None
    ) -> None:
        rollups = {name: rollup.copy() for name, rollup in self._rollups.items()}
        rows = {name: list(held) for name, held in self._rows.items()}
        offset_ms, last_request = self._offset_ms, self._last_request
        with self._transaction(lasting=bool(events)):
            for offset, batch in groupby(ticks, key=lambda t: codec.milliseconds(t.offset_s)):
                offset_ms = self._keep_batch(list(batch), offset, offset_ms)
            for name, rollup in rollups.items():
                rows[name] += rollup.feed(map(_plain, ticks))
            if len(rows["minutes"]) >= ROLLUPS_AT_ONCE:
                for name, held in rows.items():
                    self._keep_rows(name, held)
                    held.clear()
            for event in events:
                self._keep_event(event)
            last_request = max([last_request, *(r.id for t in ticks for r in t.requests)])
            if last_request != self._last_request:
                self._set("last_request", str(last_request))
            if state is not None:
                self._keep_state(state, ticks)
        self._rollups, self._rows = rollups, rows
        self._offset_ms, self._last_request = offset_ms, last_request

    def _keep_batch(self, batch: list[Tick], offset: int, before: int | None) -> int:
        first, last = codec.milliseconds(batch[0].t), codec.milliseconds(batch[-1].t)
        if offset != before:
            self._do("INSERT OR REPLACE INTO epochs VALUES (?, ?)", (first, offset))
        self._do(
            "INSERT INTO readings VALUES (?, ?, ?, ?, ?)",
            (first, last, len(batch), self._layout, codec.encode(batch, self._names)),
        )
        return offset

    def _keep_rows(self, table: str, rows: Sequence[Row]) -> None:
        for start_s, cells in rows:
            self._do(
                f"INSERT OR REPLACE INTO {table} VALUES (?, ?, ?)",
                (start_s, self._layout, json.dumps(cells, separators=(",", ":"))),
            )

    def _keep_event(self, event: Event) -> None:
        plain = event.as_json()
        if self._standing_in is not None:
            plain = {"id": str(uuid.uuid4()), **plain}
        number = self._do(
            "INSERT INTO events (at_ms, kind, section, body) VALUES (?, ?, ?, ?)",
            (codec.milliseconds(event.at), event.kind, event.section, _text(plain)),
        ).lastrowid
        if event.kind in chain.CHAINED and self._standing_in is not None:
            standin.put_by(self._conn, int(number or 0), event.aside)
        elif event.kind in chain.CHAINED:
            linked = chain.append(self._conn, self._installation, event, int(number or 0))
            told = _text({**plain, **linked})
            self._do("UPDATE events SET body = ? WHERE id = ?", (told, number))
        if event.kind == "hold_test_finished" and event.aside:
            self._keep_test(number, event.aside)
        for messenger in self._messengers:
            if event.kind not in self._only.get(messenger, (event.kind,)):
                continue
            self._do("INSERT INTO outbox VALUES (?, ?, NULL)", (messenger, number))
            self._backlog.pop(messenger, None)
            self._bound(messenger)

    def _keep_test(self, number: int | None, aside: Mapping[str, Any]) -> None:
        """What a hold test rests on: its readings are kept as long as this is."""
        span = (codec.milliseconds(aside["start_t"]), codec.milliseconds(aside["end_t"]))
        data = zlib.compress(json.dumps(aside, separators=(",", ":")).encode(), 9)
        self._do("INSERT INTO tests VALUES (?, ?, ?, ?)", (number, *span, data))

    def _keep_state(self, state: Mapping[str, Any], ticks: Sequence[Tick]) -> None:
        at = codec.milliseconds(ticks[-1].t if ticks else self.steady() or 0.0)
        data = zlib.compress(json.dumps(state, separators=(",", ":")).encode(), 6)
        self._do("INSERT OR REPLACE INTO state VALUES (1, ?, ?)", (at, data))

    # --- the outbox

    def waiting(self, messenger: str, after: int, limit: int) -> list[tuple[int, dict[str, Any]]]:
        """The oldest events that the messenger has not had accepted, past the number `after`:
        the number and the event as receivers see it, id included."""
        rows = self._all(
            "SELECT id, body FROM outbox JOIN events ON events.id = event_id"
            " WHERE messenger = ? AND accepted_ms IS NULL AND event_id > ?"
            " ORDER BY event_id LIMIT ?",
            (messenger, self._moved.get(after, after), limit),
        )
        return [(n, {"id": f"{self._installation}-{n}", **json.loads(body)}) for n, body in rows]

    def accepted(
        self,
        messenger: str,
        numbers: Sequence[int],
        at: float,
        memory: Mapping[str, Any] | None = None,
    ) -> None:
        """Mark these as accepted by the receiver at that second of UTC, and in the same
        transaction keep what the messenger must remember, where it is given."""
        self._backlog.pop(messenger, None)
        with self._transaction():
            if memory is not None:
                text = json.dumps(memory, separators=(",", ":"), ensure_ascii=False)
                self._do("INSERT OR REPLACE INTO memories VALUES (?, ?)", (messenger, text))
            for number in numbers:
                self._do(
                    "UPDATE outbox SET accepted_ms = ? WHERE messenger = ? AND event_id = ?",
                    (codec.milliseconds(at), messenger, self._moved.get(number, number)),
                )

    def doubt(self, messenger: str, since: float | None, span_s: float) -> None:
        """Let what was accepted within `span_s` before the second `since` of UTC (before the
        newest acceptance where None) wait again: the receiver may have lost it."""
        self._backlog.pop(messenger, None)
        newest = None if since is None else codec.milliseconds(since)
        with self._transaction():
            self._do(
                "UPDATE outbox SET accepted_ms = NULL WHERE messenger = ? AND accepted_ms >="
                " coalesce(?, (SELECT max(accepted_ms) FROM outbox WHERE messenger = ?)) - ?",
                (messenger, newest, messenger, codec.milliseconds(span_s)),
            )

    def memory(self, messenger: str) -> dict[str, Any]:
        """What the messenger asked to be remembered; empty where it never did."""
        row = self._one("SELECT data FROM memories WHERE messenger = ?", (messenger,))
        return {} if row is None else dict(json.loads(row[0]))

    def backlog(self, messenger: str) -> int:
        """How many notices wait for the messenger."""
        if messenger not in self._backlog:
            row = self._one(
                "SELECT count(*) FROM outbox WHERE messenger = ? AND accepted_ms IS NULL",
                (messenger,),
            )
            self._backlog[messenger] = int(row[0])
        return self._backlog[messenger]

    def dropped(self, messenger: str) -> int:
        """How many of the oldest notices were given up since the beginning, for want of room."""
        if messenger not in self._dropped:
            self._dropped[messenger] = int(self._fact(f"dropped {messenger}") or 0)
        return self._dropped[messenger]

    def _bound(self, messenger: str) -> None:
        over = self.backlog(messenger) - self._limit
        if over <= 0:
            return
        self._do(
            "DELETE FROM outbox WHERE messenger = ? AND event_id IN (SELECT event_id FROM outbox"
            " WHERE messenger = ? AND accepted_ms IS NULL ORDER BY event_id LIMIT ?)",
            (messenger, messenger, over),
        )
        self._backlog.pop(messenger, None)
        self._set(f"dropped {messenger}", str(self.dropped(messenger) + over))
        self._dropped.pop(messenger)

    # --- when the card or its file fails

    def _use(self, database: Any) -> None:
        """Go on with this database."""
        self._db = database
        self._conn: sqlite3.Connection = database.conn
        self._backlog.clear()
        self._dropped.clear()
        with self._transaction():
            self._installation = self._fact("installation") or self._set(
                "installation", str(uuid.uuid4())
            )
            self._layout = self._layout_of(self._channels)
        self._last_request = int(self._fact("last_request") or 0)
        newest = self._one("SELECT offset_ms FROM epochs ORDER BY first_ms DESC LIMIT 1")
        self._offset_ms = None if newest is None else newest[0]
        self._set_aside = json.loads(self._fact("set_aside") or "null")
        if self._unsaid is not None:
            with self._transaction(lasting=True):
                self._keep_event(self._unsaid)
            self._unsaid = None

    def _stand_in(self, why: str, source: sqlite3.Connection | None) -> None:
        log.error("memory stands in for the disk: %s", why)
        memory = standin.begin(self._folder, source, self._next_stand_in)
        if source is not None:
            self._db.close()
        self._use(memory)
        self._standing_in, self._damage = why, None

    def _try_card(self, now_ms: int | None) -> None:
        """Go back to the card, with all that was kept meanwhile, where it takes it."""
        if now_ms is not None:
            if abs(now_ms - self._tried_ms) < CARD_EVERY_MS:
                return
            self._tried_ms = now_ms
        try:
            card = self._open_or_renew()
        except StoreError as error:
            self._standing_in = str(error)
            return
        try:
            moved = standin.bring_back(self._conn, card)
        except sqlite3.Error as error:
            self._standing_in = str(as_store_error(self._path, "to write what waited", error))
            card.close()
            return
        self._moved.update(moved)
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
        opened: sqlite3.Connection | None = getattr(self, "_conn", None)
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
            aside = set_aside(self._path, stamp)
            for old in sorted(self._folder.glob("*.damaged-*.db"))[:-DAMAGED_KEPT]:
                log.warning("removed an older damaged database: %s", old.name)
                old.unlink()
                old.with_name(f"{old.name}-wal").unlink(missing_ok=True)
        except OSError as error:
            raise StoreError(f"{self._path}: expected to set it aside, found: {error}") from error
        database = open_database(self._folder)
        carried = standin.Carried([], list(standin.WHOLE))
        try:
            source = sqlite3.connect(aside)
            carried = standin.carry(source, database.conn, records=True)
            source.close()
        except sqlite3.Error as error:
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

    # --- underneath

    def _resumed(self) -> dict[str, RollUp]:
        """The roll-ups as they stood: the unfinished stretches are in the readings."""
        rollups = {}
        for table, length_s in _TIERS.items():
            rollup = RollUp(length_s, len(self._names))
            done = self._one(f"SELECT max(start_s) FROM {table}")
            start = 0.0 if done is None or done[0] is None else float(done[0] + length_s)
            with self._transaction():
                self._keep_rows(table, rollup.feed(map(_plain, self.since(start))))
            rollups[table] = rollup
        return rollups

    def _prune(self, now_ms: int) -> None:
        """Let go of what is older than its retention, in small steps."""
        if self._pruned_ms is not None and now_ms - self._pruned_ms < PRUNE_EVERY_MS:
            return
        self._pruned_ms = now_ms
        keeping = self._keeping
        untested = (
            " AND NOT EXISTS (SELECT 1 FROM tests WHERE tests.first_ms <= readings.last_ms"
            " AND tests.last_ms >= readings.first_ms)"
        )
        for table, key, oldest, free in (
            ("readings", "first_ms", now_ms - codec.milliseconds(keeping.readings_s), untested),
            ("minutes", "start_s", now_ms // 1000 - int(keeping.minutes_s), ""),
            ("quarter_hours", "start_s", now_ms // 1000 - int(keeping.quarter_hours_s), ""),
        ):
            self._let_go(
                f"DELETE FROM {table} WHERE {key} IN (SELECT {key} FROM {table}"
                f" WHERE {key} < ?{free} ORDER BY {key} LIMIT {PRUNE_ROWS})",
                (oldest,),
            )
        self._let_go(
            "DELETE FROM outbox WHERE (messenger, event_id) IN (SELECT messenger, event_id"
            f" FROM outbox WHERE accepted_ms < ? LIMIT {PRUNE_ROWS})",
            (now_ms - NOTICES_KEPT_MS,),
        )
        self._let_go(
            f"DELETE FROM events WHERE id IN (SELECT id FROM events WHERE kind IN ({_ROUTINE})"
            " AND at_ms < ? AND NOT EXISTS (SELECT 1 FROM outbox WHERE event_id = events.id)"
            f" LIMIT {PRUNE_ROWS})",
            (now_ms - codec.milliseconds(keeping.quarter_hours_s),),
        )

    def _let_go(self, sql: str, given: Sequence[Any]) -> None:
        with self._transaction():
            self._do(sql, given)

    @contextmanager
    def _transaction(self, lasting: bool = False) -> Iterator[None]:
        """One transaction; with `lasting`, on the card itself before it is over."""
        try:
            if lasting:
                self._conn.execute("PRAGMA synchronous = FULL")
            try:
                with self._db.atomic():
                    yield
            finally:
                if lasting:
                    self._conn.execute("PRAGMA synchronous = NORMAL")
        except (sqlite3.Error, OSError) as error:
            self._backlog.clear()
            self._dropped.clear()
            raise self._found("to keep a batch", error) from error

    def _found(self, expected: str, error: Exception) -> StoreError:
        found = as_store_error(self._path, expected, error)
        if isinstance(found, DamagedError) and self._standing_in is None:
            self._damage = str(found)
        return found

    def _do(self, sql: str, given: Sequence[Any] = ()) -> sqlite3.Cursor:
        return self._conn.execute(sql, given)

    def _all(self, sql: str, given: Sequence[Any] = ()) -> list[Any]:
        try:
            return self._conn.execute(sql, given).fetchall()
        except sqlite3.Error as error:
            raise self._found("an answer", error) from error

    def _one(self, sql: str, given: Sequence[Any] = ()) -> Any:
        return next(iter(self._all(sql, given)), None)

    def _fact(self, name: str) -> str | None:
        row = self._one("SELECT value FROM facts WHERE name = ?", (name,))
        return None if row is None else str(row[0])

    def _set(self, name: str, value: str) -> str:
        self._do("INSERT OR REPLACE INTO facts VALUES (?, ?)", (name, value))
        return value

    def _layout_of(self, channels: list[list[str]]) -> int:
        text = json.dumps(channels, separators=(",", ":"))
        self._do("INSERT OR IGNORE INTO layouts (channels) VALUES (?)", (text,))
        return int(self._one("SELECT id FROM layouts WHERE channels = ?", (text,))[0])


def _text(plain: Mapping[str, Any]) -> str:
    return json.dumps(plain, separators=(",", ":"), ensure_ascii=False)


def _plain(tick: Tick) -> tuple[int, list[codec.Number]]:
    return codec.milliseconds(tick.t), [codec.whole(value) for value in tick.values]


def _renewed(name: str, carried: standin.Carried) -> str:
    saved = "Commissioned figures, alerts and messages that waited were carried over"
    if carried.partly:
        saved = f"What could be read was carried over ({', '.join(carried.partly)} not in full)"
    return (
        f"The monitor's database was damaged. It was set aside as {name} and a new one begun."
        f" {saved}; the history before is in that file alone."
    )
