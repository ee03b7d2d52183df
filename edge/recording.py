"""Recordings: CSV of a site's readings, in and out.

UTF-8, comma, header line; first column `time` (ISO 8601 with offset or Z); every other column a
channel's name, its unit in brackets behind it or else the channel's own. An empty cell is a
missing reading. A row is one line, so that a stray quote spoils no more than its own. A row that
cannot be read is named and passed over; the rest is used.

Where the wall clock was set meanwhile, a column `steady [s]` has the seconds of a clock that never
jumps: then that is what orders the rows and measures what lies between them, and `time` only says
what the wall clock showed.
"""

import csv
import math
from collections.abc import Callable, Iterable, Iterator, Sequence
from datetime import datetime
from pathlib import Path
from typing import IO, NamedTuple

from edge.core import scale, units
from edge.errors import RecordingError
from edge.model import GRID, Tick, iso
from edge.settings import Channel, Settings

STEADY = "steady [s]"
"""Its unit is no channel's, so that a channel may have the same name."""

MOST_STEPS, STEPPED_S = 20, 1.0
"""Settings of the clock that are noted one by one; less is its own running between two starts."""

NO_CELL = "no reading in the recording"
LARGEST = 1e9
EARLIEST, LATEST = -60_000_000_000.0, 250_000_000_000.0
"""The years 68 and 9892: stamps before and after cannot be written again."""
JUMP_S = 86400.0
"""A row so far ahead of the one before it is believed only if the next does not go back again."""


class _Column(NamedTuple):
    """A known column: what a cell of it means, and what it can."""

    cell: int
    place: int  # in the tick
    factor: float
    offset: float
    low: float
    high: float
    binary: bool


class Recording:
    """A recording opened for reading with a site's settings.

    `absent` are the settings' channels without a column, `notes` what was passed over. Iterating
    gives a Tick for each usable row; `bad` counts the others, each told to `complain`; `set_by` are
    the seconds by which the clock was set between rows, with the UTC before.
    """

    def __init__(self, path: Path, settings: Settings, complain: Callable[[str], None]) -> None:
        """Raises RecordingError for a file without a usable header."""
        self.path = path
        self.rows = self.bad = 0
        self.notes: list[str] = []
        self.set_by: list[tuple[float, float]] = []
        self._complain = complain
        self._settings = settings
        try:
            self.file: IO[str] = path.open(encoding="utf-8-sig", errors="replace")
        except OSError as error:
            raise RecordingError(f"{path}: expected a recording, found {error.strerror}") from error
        try:
            self._steady: int | None = None  # the cell with the steady second
            self._columns = self._header()
        except RecordingError:
            self.file.close()
            raise

    def close(self) -> None:
        self.file.close()

    def _header(self) -> list[_Column]:
        """Every known column."""
        where = f"{self.path}, line 1"
        try:
            header = _cells(self.file.readline())
        except csv.Error as error:
            raise RecordingError(f"{where}: expected a header line, found {error}") from error
        if not header or header[0].strip() != "time":
            found = f'"{header[0]}"' if header else "nothing"
            raise RecordingError(f'{where}: expected a first column "time", found {found}')
        self._width = len(header)
        known = {channel.name: (i, channel) for i, channel in enumerate(self._settings.channel)}
        columns: list[_Column] = []
        seen: set[str] = set()
        for cell, title in enumerate(header[1:], 1):
            if title.strip() == STEADY and self._steady is None:
                self._steady = cell
                continue
            name, _, rest = title.strip().partition("[")
            name, unit = name.strip(), rest.rstrip("] ") if rest else None
            if name not in known:
                self.notes.append(f'{where}: column "{title}" is not a channel of the settings')
                continue
            if name in seen:
                raise RecordingError(f'{where}: expected each channel once, found "{name}" twice')
            seen.add(name)
            place, channel = known[name]
            factor, offset = _unit(where, channel, unit)
            low, high = _ends(channel) or (-LARGEST, LARGEST)
            binary = channel.quantity == "running"
            columns.append(_Column(cell, place, factor, offset, low, high, binary))
        self.absent = frozenset(known) - seen
        if not columns:
            names = ", ".join(known)
            raise RecordingError(f"{where}: expected columns of channels ({names}), found none")
        return columns

    def __iter__(self) -> Iterator[Tick]:
        before: Tick | None = None
        for tick in self._in_order():
            if before is not None and tick.offset_s != before.offset_s:
                step_s = round(tick.offset_s - before.offset_s, 3)
                if abs(step_s) > STEPPED_S and len(self.set_by) < MOST_STEPS:
                    self.set_by.append((before.t + before.offset_s, step_s))
            before = tick
            self.rows += 1
            yield tick

    def _in_order(self) -> Iterator[Tick]:
        last: Tick | None = None
        held: tuple[int, Tick] | None = None  # far ahead, and not yet believed
        for number, tick in self._read():
            t, past = tick.t, float("-inf") if last is None else last.t
            if held is not None and past < t < held[1].t - JUMP_S:
                found = f"expected a time that the next row goes on from, found {_said(held[1])}"
                self._pass_over(held[0], found)
                held = None
            if held is not None:
                last, past = held[1], held[1].t
                yield last
                held = None
            if last is not None and t <= past:
                found = f"expected a time after the row before ({_said(last)}), found {_said(tick)}"
                self._pass_over(number, found)
            elif t - past > JUMP_S:
                held = number, tick
            else:
                last = tick
                yield tick
        if held is not None:
            yield held[1]

    def _pass_over(self, line: int, why: str) -> None:
        self.bad += 1
        self._complain(f"{self.path}, line {line}: {why}")

    def _read(self) -> Iterator[tuple[int, Tick]]:
        """Every row that can be read by itself, with its line."""
        width, settings, columns = self._width, self._settings, self._columns
        blank: list[float | None] = [None] * len(settings.channel)
        names = [c.name for c in settings.channel]
        parse, none, steady = datetime.fromisoformat, (), self._steady
        earliest = math.inf
        whole = dict[str, str]()
        with self.file:
            for number, line in enumerate(self.file, 2):
                if line == "\n":
                    continue
                try:
                    row = _cells(line)
                    if len(row) != width:
                        raise ValueError(f"expected {width} cells, found {len(row)}")
                    t, offset_s = _time(row[0], parse), 0.0
                    if steady is not None:
                        t, offset_s = _steady(row[steady], t, earliest)
                    values = blank.copy()
                    missing: list[str] | tuple[()] = none
                    beyond: dict[str, str] = whole
                    if "_" in line and (odd := _underscored(row, columns)):
                        raise ValueError(f"expected a reading, found {odd}")
                    for cell, place, factor, offset, low, high, binary in columns:
                        text = row[cell]
                        if not text or text.isspace():
                            missing = [*missing, names[place]]
                            continue
                        value = (float(text) + offset) * factor
                        if low <= value <= high:
                            if binary and value not in (0.0, 1.0):
                                raise ValueError(f"expected {names[place]} 0 or 1, found {text}")
                            values[place] = (value * GRID + 0.5) // 1 / GRID
                        elif -LARGEST <= value <= LARGEST:
                            beyond = {**beyond, names[place]: _beyond(text, names[place])}
                        else:
                            raise ValueError(f"expected a reading, found {text}")
                except (ValueError, csv.Error) as error:
                    self._pass_over(number, _why(error))
                    continue
                earliest = min(earliest, t)
                if missing or beyond:
                    faults = {**dict.fromkeys(missing, NO_CELL), **beyond}
                    yield number, Tick(t, offset_s, tuple(values), faults)
                else:
                    yield number, Tick(t, offset_s, tuple(values))


def _underscored(row: Sequence[str], columns: Sequence[_Column]) -> str | None:
    """The first reading that Python takes for a number and nobody else does."""
    return next((row[c.cell] for c in columns if "_" in row[c.cell]), None)


def _beyond(text: str, name: str) -> str:
    return f"{text} in the recording, beyond what {name} can read"


def _ends(channel: Channel) -> tuple[float, float] | None:
    """Inside values past which the channel cannot have read; None where nothing tells its range."""
    reads = channel.reads
    at = None if reads is None else reads.volts or reads.milliamps or reads.ratio
    if reads is None or at is None:
        return None
    shows, milliamps = (reads.as_[0], reads.as_[1]), reads.milliamps is not None
    kind = units.QUANTITY_KIND[channel.quantity]
    ends = scale.beyond((at[0], at[1]), shows, milliamps)
    low, high = sorted(units.inside(kind, end, channel.unit) for end in ends)
    return low, high


def _cells(line: str) -> list[str]:
    if '"' in line:
        return next(csv.reader([line]), [])
    line = line.rstrip("\n")
    return line.split(",") if line else []


def _why(error: Exception) -> str:
    text = str(error)
    if text.startswith("could not convert string to float: "):
        return (
            f"expected a number, found {text.removeprefix('could not convert string to float: ')}"
        )
    return text


def _time(text: str, parse: Callable[[str], datetime]) -> float:
    try:
        stamp = parse(text)
        t = stamp.timestamp()
        if stamp.tzinfo is None or not 0.0 <= t < LATEST:
            raise ValueError
        return t
    except (ValueError, OverflowError):
        raise ValueError(
            f'expected a time as 2026-11-25T08:00:00Z, with its offset, found "{text}"'
        ) from None


def _steady(text: str, at: float, earliest: float) -> tuple[float, float]:
    """The steady second of a row, and what to add to it for its UTC; ValueError where by that the
    `earliest` steady second would have no stamp."""
    t = float(text)
    if not 0.0 <= t < LATEST or "_" in text or at - t + earliest < EARLIEST:
        raise ValueError(f"expected a steady second that goes with the row's time, found {text}")
    t = round(t, 3)
    return t, round(at - t, 3)


def _said(tick: Tick) -> str:
    """A tick's time in words, with its steady second where that is another."""
    stamp = iso(tick.t + tick.offset_s)
    return f"steady second {tick.t:.3f}, {stamp}" if tick.offset_s else stamp


def _unit(where: str, channel: Channel, unit: str | None) -> tuple[float, float]:
    kind = units.QUANTITY_KIND[channel.quantity]
    try:
        return units.unit_of(kind, channel.unit if unit is None else unit)
    except ValueError as error:
        raise RecordingError(
            f'{where}: column {channel.name}: expected {error}, found "{unit}"'
        ) from error


def write(file: IO[str], settings: Settings, ticks: Iterable[Tick], *, steady: bool = False) -> int:
    """Write ticks as a recording in the channels' own units, with their steady second where the
    clock was set among them; the number of rows.

    Every value is written with as many digits as bring it back to the same point of the grid.
    """
    rows = -1  # the header is none
    for line in lines(settings, ticks, steady=steady):
        file.write(line)
        rows += 1
    return rows


class _Line:
    """What the csv module writes to: it gives the text back."""

    def write(self, text: str) -> str:
        return text


def lines(settings: Settings, ticks: Iterable[Tick], *, steady: bool = False) -> Iterator[str]:
    """What `write` writes, line by line, the header first."""
    line = csv.writer(_Line(), lineterminator="\n").writerow
    head, scale = ["time", STEADY] if steady else ["time"], []
    for channel in settings.channel:
        factor, offset = units.unit_of(units.QUANTITY_KIND[channel.quantity], channel.unit)
        head.append(f"{channel.name} [{channel.unit}]" if channel.unit else channel.name)
        scale.append((factor, offset, channel.quantity == "running"))
    yield line(head)
    for tick in ticks:
        row = [iso(tick.t + tick.offset_s)]
        if steady:
            row.append(f"{tick.t:.3f}")
        for value, (factor, offset, binary) in zip(tick.values, scale, strict=True):
            if value is None:
                row.append("")
            elif binary:
                row.append("1" if value > 0.5 else "0")
            else:
                row.append(_digits(value, factor, offset))
        yield line(row)


def _digits(value: float, factor: float, offset: float) -> str:
    """The shortest of a few roundings that reads back to the same point of the grid."""
    number = value / factor - offset
    for digits in (4, 5, 6, 7, 8):
        text = f"{number:.{digits}f}"
        if ((float(text) + offset) * factor * GRID + 0.5) // 1 / GRID == value:
            return text
    return repr(number)
