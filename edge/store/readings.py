"""Readings, and the minutes and quarter-hours that they make."""

import json
import logging
from collections.abc import Iterator, Sequence
from itertools import groupby
from typing import NamedTuple

from edge.errors import StoreError
from edge.model import Tick
from edge.settings import Channel
from edge.store import codec
from edge.store.card import Card
from edge.store.rollup import RollUp, Row
from edge.store.schema import BATCH_OF, NEWEST_MS

log = logging.getLogger(__name__)

TIERS = {"minutes": 60, "quarter_hours": 900}
"""The tables of roll-ups and the length of a stretch, in seconds."""

ROLLUPS_AT_ONCE = 10
"""Minutes that are put down together. Until then they are in memory and, from the readings, in
every answer and after every restart: a page of the card is changed a tenth as often."""


class Open(NamedTuple):
    """What is not yet in the database: the unfinished stretches, those that wait to be put down,
    and the offset of the wall clock last put down."""

    rollups: dict[str, RollUp]
    rows: dict[str, list[Row]]
    offset_ms: int | None


class Readings:
    """The readings in the database in use, in batches of one layout of channels."""

    def __init__(self, card: Card, channels: Sequence[Channel]) -> None:
        self._card = card
        self._names = [channel.name for channel in channels]
        self._text = json.dumps([[c.name, c.quantity] for c in channels], separators=(",", ":"))
        self._open = Open({}, {}, None)

    def begin(self) -> None:
        """Go on in another database."""
        with self._card.transaction():
            self._card.do("INSERT OR IGNORE INTO layouts (channels) VALUES (?)", (self._text,))
            sql = "SELECT id FROM layouts WHERE channels = ?"
            self._layout = int(self._card.one(sql, (self._text,))[0])
        newest = self._card.one("SELECT offset_ms FROM epochs ORDER BY first_ms DESC LIMIT 1")
        self._open = self._open._replace(offset_ms=None if newest is None else newest[0])

    def resume(self) -> None:
        """Take up the roll-ups as they stood: the unfinished stretches are in the readings."""
        rollups = {}
        for table, length_s in TIERS.items():
            rollup = RollUp(length_s, len(self._names))
            done = self._card.one(f"SELECT max(start_s) FROM {table}")
            start = 0.0 if done is None or done[0] is None else float(done[0] + length_s)
            with self._card.transaction():
                self._put_down(table, rollup.feed(map(_plain, self.since(start))))
            rollups[table] = rollup
        self._open = Open(rollups, {name: [] for name in rollups}, self._open.offset_ms)

    def keep(self, ticks: Sequence[Tick]) -> Open:
        """Put these down, within a transaction, with the stretches that they finish. What is then
        open, to be `settled` once the transaction is."""
        rollups = {name: rollup.copy() for name, rollup in self._open.rollups.items()}
        rows = {name: list(held) for name, held in self._open.rows.items()}
        offset_ms = self._open.offset_ms
        for offset, ticks_of_offset in groupby(ticks, key=lambda t: codec.milliseconds(t.offset_s)):
            batch = list(ticks_of_offset)
            first, last = codec.milliseconds(batch[0].t), codec.milliseconds(batch[-1].t)
            if offset != offset_ms:
                self._card.do("INSERT OR REPLACE INTO epochs VALUES (?, ?)", (first, offset))
            self._card.do(
                "INSERT INTO readings VALUES (?, ?, ?, ?, ?)",
                (first, last, len(batch), self._layout, codec.encode(batch, self._names)),
            )
            offset_ms = offset
        for name, rollup in rollups.items():
            rows[name] += rollup.feed(map(_plain, ticks))
        if len(rows["minutes"]) >= ROLLUPS_AT_ONCE:
            for name, held in rows.items():
                self._put_down(name, held)
                held.clear()
        return Open(rollups, rows, offset_ms)

    def settled(self, now: Open) -> None:
        """What `keep` put down is in the database."""
        self._open = now

    def _put_down(self, table: str, rows: Sequence[Row]) -> None:
        for start_s, cells in rows:
            self._card.do(
                f"INSERT OR REPLACE INTO {table} VALUES (?, ?, ?)",
                (start_s, self._layout, json.dumps(cells, separators=(",", ":"))),
            )

    def steady(self) -> float | None:
        """The newest steady second that anything was kept for."""
        row = self._card.one(
            f"SELECT max(t) FROM (SELECT {NEWEST_MS} t UNION ALL SELECT max(steady_ms) FROM state)"
        )
        return None if row is None or row[0] is None else row[0] / 1000.0

    def newest_utc(self) -> float | None:
        """The same second, as the wall clock had it."""
        steady = self.steady()
        return None if steady is None else steady + (self._open.offset_ms or 0) / 1000.0

    def since(self, steady: float) -> Iterator[Tick]:
        """The kept ticks after that steady second, in the settings' present order of channels; a
        channel that was not configured then has neither value nor fault. What cannot be read is
        passed over, and said so in the log."""
        after = codec.milliseconds(steady)
        rows = self._card.all(
            "SELECT first_ms, layout, data FROM readings WHERE last_ms > ?"
            f" AND first_ms >= {BATCH_OF} ORDER BY first_ms",
            (after, after),
        )
        layouts = dict(self._card.all("SELECT id, channels FROM layouts"))
        sql = "SELECT first_ms, offset_ms FROM epochs ORDER BY first_ms DESC"
        epochs = self._card.all(sql)
        for first_ms, layout, data in rows:
            offset_ms = next((o for first, o in epochs if first <= first_ms), 0)
            try:
                names = codec.names(layouts.get(layout, ""))
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


def _plain(tick: Tick) -> tuple[int, list[codec.Number]]:
    return codec.milliseconds(tick.t), [codec.whole(value) for value in tick.values]
