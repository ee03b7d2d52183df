"""A batch of ticks as one small blob, and back, exactly. Readable by any language:

zlib of a UTF-8 JSON object with
  "t": milliseconds from each tick to the next; the first tick's is the row's first_ms
  "v": for each channel a list with one entry a tick: null for no value, else a whole number of
       1/GRID of the unit, less the channel's value before it (the first one stands whole)
  "why": for each channel that was without a value, by its place: [from, to, reason] with the
       places of the first and last tick of each stretch that has this reason
"""

import json
import zlib
from collections.abc import Iterator, Mapping, Sequence
from itertools import pairwise
from typing import Any

from edge.errors import DamagedError, StoreError
from edge.model import GRID, Tick

Number = int | None


def parsed(text: str | bytes) -> Any:
    """What was kept as JSON; DamagedError for what is none."""
    try:
        return json.loads(text)
    except (TypeError, ValueError, RecursionError) as error:
        raise DamagedError(f"expected what was kept as JSON, found: {error}") from error


def names(layout: str) -> list[str]:
    """The channels of a layout as it was kept, in order; DamagedError for what is none."""
    try:
        return [str(name) for name, _ in parsed(layout)]
    except (TypeError, ValueError) as error:
        raise DamagedError(f"expected a list of channels, found: {error}") from error


def whole(value: float | None) -> Number:
    """A value in grid steps; ValueError for one that is not on the grid (nor a number)."""
    if value is None:
        return None
    steps = round(value * GRID)
    if steps / GRID != value:
        raise ValueError(f"{value!r} is not on the grid of 1/{GRID}")
    return steps


def milliseconds(seconds: float) -> int:
    """Seconds as whole milliseconds, the resolution that time is kept in."""
    return round(seconds * 1000.0)


def encode(ticks: Sequence[Tick], names: Sequence[str]) -> bytes:
    """The blob of at least one tick; `names` are the channels in the order of their values."""
    times = [milliseconds(tick.t) for tick in ticks]
    columns = [
        _differences([whole(tick.values[place]) for tick in ticks]) for place in range(len(names))
    ]
    why = {
        str(place): stretches
        for place, name in enumerate(names)
        if (stretches := _stretches([tick.faults.get(name) for tick in ticks]))
    }
    plain = {
        "t": [later - sooner for sooner, later in pairwise(times)],
        "v": columns,
        "why": why,
    }
    return zlib.compress(json.dumps(plain, separators=(",", ":")).encode(), 9)


def decode(data: bytes, first_ms: int, offset_ms: int, names: Sequence[str]) -> list[Tick]:
    """The ticks of a blob; StoreError for one that is damaged."""
    try:
        plain = json.loads(zlib.decompress(data))
        columns = [list(_sums(column)) for column in plain["v"]]
        times = [first_ms]
        for step in plain["t"]:
            times.append(times[-1] + step)
        faults = _reasons(plain["why"], names, len(times))
        offset_s = offset_ms / 1000.0
        return [
            Tick(t / 1000.0, offset_s, values, why)
            for t, values, why in zip(times, zip(*columns, strict=True), faults, strict=True)
        ]
    except (zlib.error, ValueError, KeyError, IndexError, TypeError) as error:
        raise StoreError(
            f"readings from {first_ms} ms: expected a batch, found: {error}"
        ) from error


def _differences(values: Sequence[Number]) -> list[Number]:
    before, out = 0, list[Number]()
    for value in values:
        if value is None:
            out.append(None)
        else:
            out.append(value - before)
            before = value
    return out


def _sums(differences: Sequence[Number]) -> Iterator[float | None]:
    value = 0
    for difference in differences:
        if difference is None:
            yield None
        else:
            value += difference
            yield value / GRID


def _stretches(reasons: Sequence[str | None]) -> list[list[Any]]:
    out: list[list[Any]] = []
    for place, reason in enumerate(reasons):
        if reason is None:
            continue
        if out and out[-1][1] == place - 1 and out[-1][2] == reason:
            out[-1][1] = place
        else:
            out.append([place, place, reason])
    return out


def _reasons(
    why: Mapping[str, Sequence[Any]], names: Sequence[str], count: int
) -> list[dict[str, str]]:
    faults: list[dict[str, str]] = [{} for _ in range(count)]
    for place, stretches in why.items():
        name = names[int(place)]
        for first, last, reason in stretches:
            for tick in range(first, last + 1):
                faults[tick][name] = reason
    return faults
