"""Read-only questions to what the daemon keeps, for the page and for export. Times are seconds
since 1970 UTC. Never writes; every answer is of one moment, so a question may be asked anew for
each request."""

import itertools
import json
import math
import zlib
from bisect import bisect_right
from collections.abc import Iterator, Sequence
from datetime import datetime
from pathlib import Path
from typing import Any, NamedTuple, cast

from edge.errors import StoreError
from edge.model import GRID, SUPPLY, Tick
from edge.store import codec
from edge.store.asking import Questions
from edge.store.curves import Point, Ribbon, gathered, stretch_s
from edge.store.records import Records
from edge.store.schema import BATCH_OF, FILE, NEWEST_MS

LATEST = "latest.json"

RAW_UP_TO_S = 2 * 3600.0
MINUTES_UP_TO_S = 2 * 86400.0
STEPPED_MS = 1000
"""Less between two starts is the clock's own running, and disorders nothing."""

UNROLLED_S = 2 * 900.0  # more than the writer leaves to be rolled up


_SHAPE = {"at": str, "written_at": str, "channels": dict, "picture": dict, "monitor": dict}
"""What edge.latest puts together; a file of something else is as good as none."""


def latest(runtime: Path) -> dict[str, Any]:
    """What the daemon wrote at its last tick; StoreError where it has not written, or not whole.

    The caller shows its age: the file of a daemon that stopped stays.
    """
    path = runtime / LATEST
    try:
        found = json.loads(path.read_bytes())
    except (OSError, ValueError, RecursionError) as error:
        raise StoreError(f"{path}: expected the daemon's latest, found: {error}") from error
    for name, make in _SHAPE.items():
        if not isinstance(found, dict) or not isinstance(found.get(name), make):
            raise StoreError(f"{path}: expected the daemon's latest, found no {name} in it")
    return cast(dict[str, Any], found)


class Run(NamedTuple):
    """From a cut-in to its cut-out; None for one not seen, with the time from which it was then
    seen to run, or to rest again, where that is known."""

    started: float | None
    ended: float | None
    inferred: bool
    seen_from: float | None = None
    rest_seen_from: float | None = None


class _Epoch(NamedTuple):
    """Steady milliseconds [first, before) are UTC less `offset`."""

    first: int
    before: int
    offset: int


class Reader(Questions):
    """What is kept, but for the records, which `records` has; use as a context manager, one for each
    request or thread."""

    def __init__(self, folder: Path) -> None:
        """Opens dryhold.db in the state folder; StoreError where it is absent or not ours."""
        super().__init__(folder / FILE)

    @property
    def records(self) -> Records:
        return Records(self)

    def fact(self, name: str) -> str | None:
        """A single fact, as "installation"."""
        row = self.ask("SELECT value FROM facts WHERE name = ?", (name,)).fetchone()
        return None if row is None else str(row[0])

    def span(self) -> tuple[float, float] | None:
        """UTC of the first and the last of what is kept, roll-ups included; None for nothing."""
        first, last = self.ask(
            "SELECT max(min(a), (SELECT min(first_ms) FROM epochs)), max(b) FROM"
            f" (SELECT (SELECT min(first_ms) FROM readings) a, {NEWEST_MS} b"
            " UNION ALL SELECT (SELECT min(start_s) FROM quarter_hours) * 1000,"
            " (SELECT max(start_s) FROM quarter_hours) * 1000)"
        ).fetchone()
        return None if first is None else (self._utc_s(first), self._utc_s(last))

    def newest(self) -> tuple[int, int]:
        """Changes with everything that a ribbon, a run or an event is drawn from."""
        row = self.ask(
            "SELECT coalesce((SELECT max(first_ms) FROM readings), 0),"
            " coalesce((SELECT max(id) FROM events), 0)"
        ).fetchone()
        return int(row[0]), int(row[1])

    def ribbon(self, channel: str, since: float, until: float, points: int = 600) -> Ribbon:
        """The channel over (since, until] in at most about `points` equal stretches.

        From the readings themselves up to 2 hours, minutes up to 2 days, quarter-hours beyond; for
        what is long ago, from the next coarser where the finer are no longer all kept.
        """
        length = max(until - since, 1.0)
        best = Ribbon(0.0, [])
        for table, base, up_to in (
            ("readings", 1, RAW_UP_TO_S),
            ("minutes", 60, MINUTES_UP_TO_S),
            ("quarter_hours", 900, math.inf),
        ):
            if length > up_to:
                continue
            step = stretch_s(length, float(base), points)
            line = Ribbon(step, self._points(table, base, channel, since, until, step))
            # Short gaps look shorter in what is coarse: it must hold clearly more.
            if not best.step_s or line.covers_s > best.covers_s + UNROLLED_S:
                best = line
            newest_ms, _ = self.newest()
            if not newest_ms or until > self._utc_s(newest_ms) - MINUTES_UP_TO_S:
                break
        return best

    def _points(
        self, table: str, base: int, channel: str, since: float, until: float, step: float
    ) -> list[Point]:
        if table == "readings":
            return gathered(self._raw(channel, since, until), step)
        rows, done = self._rolled(table, base, channel, since, until, step)
        # The newest readings are not rolled up yet.
        newest = self._raw(channel, max(done, until - UNROLLED_S), until)
        return gathered(itertools.chain(rows, newest), step)

    def events(
        self,
        limit: int = 100,
        before: int | None = None,
        kinds: Sequence[str] = (),
        since: float | None = None,
        until: float | None = None,
    ) -> list[dict[str, Any]]:
        """The newest events first, as the events contract has them, each with its never-repeated
        "id"; "n" is its place in the order of becoming known: `before` takes that for paging."""
        where, given = ["1"], list[Any]()
        if before is not None:
            where.append("id < ?")
            given.append(before)
        if kinds:
            where.append(f"kind IN ({', '.join('?' * len(kinds))})")
            given += kinds
        if since is not None:
            where.append("at_ms > ?")
            given.append(codec.milliseconds(since))
        if until is not None:
            where.append("at_ms <= ?")
            given.append(codec.milliseconds(until))
        rows = self.ask(
            f"SELECT id, body FROM events WHERE {' AND '.join(where)} ORDER BY id DESC LIMIT ?",
            (*given, limit),
        )
        installation = self.fact("installation")
        return [{"id": f"{installation}-{n}", "n": n, **codec.parsed(body)} for n, body in rows]

    def runs(self, since: float, until: float) -> list[Run]:
        """The supply's runs that touch (since, until], in order; the last may still be going."""
        rows = self.ask(
            "SELECT at_ms, kind, body FROM events WHERE kind IN ('cut_in', 'cut_out')"
            " AND section = ? AND at_ms <= ? AND at_ms > coalesce((SELECT max(at_ms) FROM events"
            " WHERE kind = 'cut_out' AND section = ? AND at_ms <= ?), -1) ORDER BY at_ms, id",
            (SUPPLY, codec.milliseconds(until), SUPPLY, codec.milliseconds(since)),
        )
        runs: list[Run] = []
        for at_ms, kind, body in rows:
            at, told = at_ms / 1000.0, codec.parsed(body)
            inferred, seen = bool(told.get("inferred")), told.get("seen_from")
            seen_from = None if seen is None else datetime.fromisoformat(seen).timestamp()
            if kind == "cut_in":
                if runs and runs[-1].ended is None:
                    runs[-1] = runs[-1]._replace(rest_seen_from=seen_from)
                runs.append(Run(at, None, inferred))
            elif runs and runs[-1].ended is None:
                runs[-1] = runs[-1]._replace(ended=at, inferred=runs[-1].inferred or inferred)
            else:
                runs.append(Run(None, at, inferred, seen_from))
        return runs

    def readings(
        self, channels: Sequence[str], since: float | None = None, until: float | None = None
    ) -> Iterator[Tick]:
        """Every kept tick of (since, until] in steady order, values in the order of `channels`;
        None without a fault for a channel that was not configured then."""
        for epoch, low, high in self._stretches(since, until):
            yield from self._ticks(channels, low, high, epoch)

    def stepped(self, since: float | None = None, until: float | None = None) -> bool:
        """Whether the clock was set among the readings of (since, until], so that their UTC does
        not tell their order or what lay between them."""
        offsets = [epoch.offset for epoch, _, _ in self._stretches(since, until)]
        return bool(offsets) and max(offsets) - min(offsets) > STEPPED_MS

    def slices(self, since: float, until: float, most_s: float) -> Iterator[tuple[float, float]]:
        """The readings of (since, until] in steady order: first and last steady second of stretches
        no longer than `most_s`, each to be asked of `steady`."""
        most = codec.milliseconds(most_s)
        for _, low, high in self._stretches(since, until):
            for first in range(low, high + 1, most):
                yield first / 1000.0, min(first + most - 1, high) / 1000.0

    def tests(self, limit: int = 100) -> list[dict[str, Any]]:
        """The newest finished hold tests first: their events, each with its number "n"."""
        return self.events(limit, kinds=("hold_test_finished",))

    def test(self, number: int) -> tuple[dict[str, Any], dict[str, Any] | None]:
        """A finished hold test by its number: its event, and what was kept beside it (terms,
        site, trace, fit, start_t, end_t); None for one that never began to hold. StoreError for
        none of that number."""
        found = self.events(1, before=number + 1, kinds=("hold_test_finished",))
        if not found or found[0]["n"] != number:
            raise StoreError(f"{self.path}: expected a hold test of number {number}, found none")
        row = self.ask("SELECT aside FROM tests WHERE id = ?", (number,)).fetchone()
        if row is None:
            return found[0], None
        try:
            return found[0], json.loads(zlib.decompress(row[0]))
        except (zlib.error, ValueError) as error:
            raise StoreError(f"{self.path}: expected a hold test, found: {error}") from error

    def steady(self, channels: Sequence[str | None], first: float, last: float) -> Iterator[Tick]:
        """Every kept tick of steady seconds [first, last], as `readings`; None stands for a
        channel that is not fitted."""
        names = [name or "" for name in channels]
        low, high = codec.milliseconds(first), codec.milliseconds(last)
        for epoch in self._epochs():
            yield from self._ticks(names, low, high, epoch)

    # --- underneath

    def _epochs(self) -> list[_Epoch]:
        rows = self.ask("SELECT first_ms, offset_ms FROM epochs ORDER BY first_ms").fetchall()
        ends = [*(first for first, _ in rows[1:]), 2**62][: len(rows)]
        return [_Epoch(first, end, offset) for (first, offset), end in zip(rows, ends, strict=True)]

    def _stretches(
        self, since: float | None, until: float | None
    ) -> Iterator[tuple[_Epoch, int, int]]:
        """Every epoch with the first and last steady milliseconds of it that lie in (since, until]
        and among the readings that are kept."""
        sql = f"SELECT (SELECT min(first_ms) FROM readings), {NEWEST_MS}"
        oldest, newest = self.ask(sql).fetchone()
        for epoch in self._epochs() if newest is not None else ():
            low, high = max(epoch.first, oldest), min(epoch.before - 1, newest)
            if since is not None:
                low = max(low, codec.milliseconds(since) - epoch.offset + 1)
            if until is not None:
                high = min(high, codec.milliseconds(until) - epoch.offset)
            if low <= high:
                yield epoch, low, high

    def _utc_s(self, steady_ms: int) -> float:
        epochs = self._epochs()
        place = bisect_right([epoch.first for epoch in epochs], steady_ms) - 1
        return (steady_ms + epochs[max(place, 0)].offset) / 1000.0

    def _layouts(self) -> dict[int, list[str]]:
        kept = self.ask("SELECT id, channels FROM layouts")
        return {number: codec.names(text) for number, text in kept}

    def _ticks(self, channels: Sequence[str], low: int, high: int, epoch: _Epoch) -> Iterator[Tick]:
        low, high = max(low, epoch.first), min(high, epoch.before - 1)
        if low > high:
            return  # every power cut of years begins an epoch
        layouts = self._layouts()
        rows = self.ask(
            "SELECT first_ms, layout, data FROM readings WHERE last_ms >= ? AND first_ms <= ?"
            f" AND first_ms >= {BATCH_OF} ORDER BY first_ms",
            (low, high, low),
        )
        for first_ms, layout, data in rows:
            names = layouts[layout]
            places = [names.index(c) if c in names else None for c in channels]
            same = places == list(range(len(names)))
            for tick in codec.decode(data, first_ms, epoch.offset, names):
                if low <= codec.milliseconds(tick.t) <= high:
                    yield (
                        tick
                        if same
                        else tick._replace(
                            values=tuple(None if p is None else tick.values[p] for p in places),
                            faults={n: why for n, why in tick.faults.items() if n in channels},
                        )
                    )

    def _raw(self, channel: str, since: float, until: float) -> Iterator[Point]:
        for tick in self.readings([channel], since, until):
            value = tick.values[0]
            if value is not None:
                yield Point(tick.t + tick.offset_s, 1, value, value, value)

    def _rolled(
        self, table: str, length_s: int, channel: str, since: float, until: float, step_s: float
    ) -> tuple[list[Point], float]:
        """The roll-ups gathered over each step, and the end of the last of them (`since` for
        none). SQLite takes the one channel out of each row and gathers: of a year's 35,000 rows
        only the few hundred points that are drawn become Python."""
        cells = {
            number: f"$[{names.index(channel)}]"
            for number, names in self._layouts().items()
            if channel in names
        }
        points, done = list[Point](), since
        for epoch in self._epochs():
            # A row belongs to the epoch in which it ended.
            offset_s = epoch.offset / 1000.0
            low = max(since - offset_s, epoch.first / 1000.0 - length_s)
            last = min(epoch.before / 1000.0 - length_s, until - offset_s)
            if low >= last:
                continue
            for number, cell in cells.items():
                rows = self.ask(
                    "SELECT (start_s * 1000 + ?) / ? place, sum(n), min(least), sum(n * mean),"
                    " max(most), max(start_s) FROM (SELECT start_s,"
                    f" json_extract(data, '{cell}[0]') n, json_extract(data, '{cell}[1]') least,"
                    f" json_extract(data, '{cell}[2]') mean, json_extract(data, '{cell}[3]') most"
                    f" FROM {table} WHERE start_s > ? AND start_s < ? AND start_s <= ?"
                    " AND layout = ?) WHERE n IS NOT NULL GROUP BY place",
                    (
                        epoch.offset,
                        round(step_s * 1000.0),
                        low,
                        until - offset_s,
                        epoch.before / 1000.0 - length_s,
                        number,
                    ),
                )
                for place, n, least, total, most, start_s in rows:
                    mean = total / n / GRID
                    points.append(Point(place * step_s, n, least / GRID, mean, most / GRID))
                    done = max(done, start_s + offset_s + length_s)
        return points, done
