"""The one writer of dryhold.db: readings, roll-ups, events, notices and state, in one transaction."""

import json
import logging
import shutil
import sqlite3
import uuid
import zlib
from collections.abc import Collection, Iterator, Mapping, Sequence
from contextlib import contextmanager
from itertools import groupby
from pathlib import Path
from typing import Any, NamedTuple

from edge.errors import StoreError
from edge.model import Event, Tick
from edge.settings import Settings
from edge.store import chain, codec
from edge.store.rollup import RollUp, Row
from edge.store.schema import FILE, open_database

log = logging.getLogger(__name__)

OUTBOX_LIMIT = 100_000
"""The most notices that may wait for one messenger: years of a quiet site, weeks of a bad one."""

PRUNE_EVERY_MS = 3600 * 1000
PRUNE_ROWS = 240  # four times what an hour adds, so that a change of retention catches up

ROLLUPS_AT_ONCE = 5
"""Minutes that are put down together. Until then they are in memory and, from the readings, in
every answer and after every restart: a page of the card is changed a fifth as often."""

_TIERS = {"minutes": 60, "quarter_hours": 900}


class Saved(NamedTuple):
    """The judges' state as last kept, and the steady second up to which it had seen."""

    state: Mapping[str, Any]
    steady: float


class Writer:
    """Store and outbox; used from one thread. Every fault of the disk or file is a StoreError."""

    def __init__(
        self,
        folder: Path,
        settings: Settings,
        messengers: Sequence[str],
        outbox_limit: int = OUTBOX_LIMIT,
        only: Mapping[str, Collection[str]] = {},
    ) -> None:
        """`only` names the kinds of events that a messenger is told, for those not told all."""
        self._path = folder / FILE
        self._keeping = settings.keeping
        self._messengers = tuple(messengers)
        self._limit, self._only = outbox_limit, only
        self._names = [channel.name for channel in settings.channel]
        self._db = open_database(folder)
        self._conn: sqlite3.Connection = self._db.conn
        self._pruned_ms: int | None = None
        self._backlog: dict[str, int] = {}  # counted when first asked for after a change
        self._dropped: dict[str, int] = {}
        with self._transaction():
            self._installation = self._fact("installation") or self._set(
                "installation", str(uuid.uuid4())
            )
            self._layout = self._layout_of([[c.name, c.quantity] for c in settings.channel])
        self._last_request = int(self._fact("last_request") or 0)
        newest = self._one("SELECT offset_ms FROM epochs ORDER BY first_ms DESC LIMIT 1")
        self._offset_ms: int | None = None if newest is None else newest[0]
        self._rollups = self._resumed()
        self._rows: dict[str, list[Row]] = {name: [] for name in self._rollups}

    def close(self) -> None:
        self._db.close()

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

        With events it returns only once they would survive a power cut. On StoreError nothing of
        it was kept, and the same call may be made again.
        """
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
        if ticks:
            try:
                self._prune(codec.milliseconds(ticks[-1].t))
            except StoreError as error:
                # What was given is kept; letting go of old rows can wait for the next hour.
                log.warning("could not let go of old readings: %s", error)

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
        number = self._do(
            "INSERT INTO events (at_ms, kind, section, body) VALUES (?, ?, ?, ?)",
            (codec.milliseconds(event.at), event.kind, event.section, _text(plain)),
        ).lastrowid
        if event.kind in chain.CHAINED:
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
            (messenger, after, limit),
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
                    (codec.milliseconds(at), messenger, number),
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
            with self._transaction():
                self._do(
                    f"DELETE FROM {table} WHERE {key} IN (SELECT {key} FROM {table}"
                    f" WHERE {key} < ?{free} ORDER BY {key} LIMIT {PRUNE_ROWS})",
                    (oldest,),
                )

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
            raise StoreError(f"{self._path}: expected to keep a batch, found: {error}") from error

    def _do(self, sql: str, given: Sequence[Any] = ()) -> sqlite3.Cursor:
        return self._conn.execute(sql, given)

    def _all(self, sql: str, given: Sequence[Any] = ()) -> list[Any]:
        try:
            return self._conn.execute(sql, given).fetchall()
        except sqlite3.Error as error:
            raise StoreError(f"{self._path}: expected an answer, found: {error}") from error

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
