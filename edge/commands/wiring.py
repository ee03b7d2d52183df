"""dryhold wiring: what each channel says right now, in volts and in its unit, for hooking up."""

import argparse
import json
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import Any, TextIO

from edge.clock import SystemClock
from edge.core import units
from edge.model import Reading, Status, iso
from edge.ports import Clock
from edge.sensors.bench import Bench, look, open_sensors
from edge.settings import Channel, Settings, load

CAUTION = (
    "Switch off and lock out before touching terminals: mains and compressed gas injure."
    " This only looks; it commands nothing."
)
HEAD = ("channel", "input", "at the pin", "value", "status")


def arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--settings", type=Path, required=True, metavar="FILE")
    parser.add_argument(
        "--once",
        action="store_true",
        help="look once; exit 1 if a channel has no value or is simulated",
    )
    parser.add_argument("--json", action="store_true", help="one JSON object a line for each look")


def run(args: argparse.Namespace) -> int:
    settings = load(args.settings)
    clock = SystemClock()
    with Bench(steady=clock.steady, utc=clock.utc) as bench:
        return watch(settings, bench, clock, sys.stdout, once=args.once, as_json=args.json)


def watch(
    settings: Settings, bench: Bench, clock: Clock, out: TextIO, *, once: bool, as_json: bool
) -> int:
    """Show every channel once, or until the clock is asked to stop.

    Returns 1 when the last look had a channel without a value or a simulated one, else 0.
    """
    sensors = open_sensors(settings, bench)
    try:
        due = clock.steady()
        while True:
            readings = look(sensors)
            if as_json:
                out.write(_line(settings, readings, clock.utc()))
            else:
                out.write(_screen(table(settings.channel, readings), out.isatty() and not once))
            out.flush()
            due += settings.keeping.every_s
            if once or clock.wait_until(due):
                unwired = settings.simulated or any(r.value is None for r in readings)
                return int(bool(unwired))
    finally:
        for sensor in sensors:
            sensor.close()


def table(channels: Sequence[Channel], readings: Sequence[Reading]) -> list[str]:
    """Lines of text: one for each channel, and a second one where there is a reason to tell."""
    rows = [
        (c.name, c.input, _volts(r), _value(c, r), r.status.value)
        for c, r in zip(channels, readings, strict=True)
    ]
    widths = [max(len(row[i]) for row in (HEAD, *rows)) for i in range(len(HEAD))]
    lines = [_columns(HEAD, widths)]
    for row, reading in zip(rows, readings, strict=True):
        lines.append(_columns(row, widths))
        if reading.why is not None:
            lines.append(f"    {reading.why}")
    good = sum(r.status is Status.GOOD for r in readings)
    return [*lines, f"{good} of {len(readings)} good. {CAUTION}"]


def _columns(cells: Sequence[str], widths: Sequence[int]) -> str:
    return "  ".join(f"{cell:<{width}}" for cell, width in zip(cells, widths, strict=True)).rstrip()


def _volts(reading: Reading) -> str:
    return "-" if reading.volts is None else f"{reading.volts:.5f} V"


def _value(channel: Channel, reading: Reading) -> str:
    if reading.value is None:
        return "none"
    if channel.quantity == "running":
        return "running" if reading.value else "at rest"
    return units.show(units.QUANTITY_KIND[channel.quantity], reading.value, channel.unit, 3)


def _screen(lines: list[str], live: bool) -> str:
    if live:  # home, each line's rest wiped, then everything below
        return "\x1b[H" + "".join(f"{line}\x1b[K\n" for line in lines) + "\x1b[J"
    return "\n".join(lines) + "\n"


def _line(settings: Settings, readings: Sequence[Reading], at_utc: float) -> str:
    rows: list[dict[str, Any]] = [
        {
            "channel": c.name,
            "input": c.input,
            "volts": r.volts,
            "value": None
            if r.value is None
            else units.outside(units.QUANTITY_KIND[c.quantity], r.value, c.unit),
            "unit": c.unit,
            "status": r.status.value,
            "why": r.why,
        }
        for c, r in zip(settings.channel, readings, strict=True)
    ]
    return json.dumps({"at": iso(at_utc), "channels": rows}, ensure_ascii=False) + "\n"
