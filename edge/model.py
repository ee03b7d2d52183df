"""The plain, frozen records that travel from sensing to telling, and the names of their parts.

Units inside the program: kPa (gauge unless a name says absolute), °C for temperatures as
measured, % oxygen, seconds, litres. The user's units exist only at the borders (core.units).
"""

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime
from enum import StrEnum
from typing import Any, NamedTuple

SUPPLY = "supply"
"""The name of the section up to the air maintenance devices; systems go by their own names."""


class Quantity(NamedTuple):
    """How one measured quantity is held and shown."""

    unit: str  # the unit inside the program
    suffix: str  # what a number of it is called in events and columns
    label: str


QUANTITIES: Mapping[str, Quantity] = {
    "pressure": Quantity("kPa", "kpa", "Pressure"),
    "oxygen": Quantity("%", "pct", "Oxygen"),
    "temperature": Quantity("°C", "c", "Temperature"),
    "barometer": Quantity("kPa", "kpa", "Barometer"),
    "running": Quantity("", "", "Running"),
    "voltage": Quantity("V", "v", "Voltage"),
}


class Status(StrEnum):
    """Channel status after NAMUR NE 107."""

    GOOD = "good"
    FAILURE = "failure"
    FUNCTION_CHECK = "function check"
    OUT_OF_SPECIFICATION = "out of specification"
    MAINTENANCE_REQUIRED = "maintenance required"


ALERTS = [
    "low_pressure",
    "high_pressure",
    "no_cut_in",
    "no_cut_out",
    "slow_build",
    "long_run",
    "excess_runtime",
    "short_cycling",
    "leak_growth",
    "fast_drop",
    "low_purity",
    "bypass_suspected",
    "setpoint_drift",
    "maintenance_device_fault",
    "channel_fault",
    "stuck_reading",
    "hold_test_failed",
    "calibration_due",
    "work_due",
    "storage_low",
    "monitor_fault",
]
"""Every alert of the events contract; receivers find the state of each under its name."""

GRID = 10_000
"""Measured values are kept to 1/GRID of their unit: finer than any sensor here resolves, and
exact when written out and read back, so that a recording judged again gives the same answer."""


def on_grid(value: float) -> float:
    """`value` rounded to the grid that every reading is kept on."""
    return (value * GRID + 0.5) // 1 / GRID


@dataclass(frozen=True, slots=True)
class Reading:
    """What one channel said at one moment: a value, or None and why.

    `value` is in the quantity's unit (QUANTITIES) and on the grid. A value may come with a
    status other than good (out of specification, function check): then `why` says so and the
    value is shown but still judged; with FAILURE there is no value.
    """

    channel: str
    quantity: str
    value: float | None
    status: Status = Status.GOOD
    why: str | None = None
    volts: float | None = None  # at the converter's pin, for hooking up


class Request(NamedTuple):
    """Something a person asked for through the letterbox, folded into the next tick."""

    id: int
    kind: str  # "acknowledge", "shelve", "hold_start", "hold_stop", ...
    by: str  # who asked, as far as is known
    what: Mapping[str, Any]


class Tick(NamedTuple):
    """One look at every channel.

    `t` is steady time in seconds: it never jumps, and durations are measured in it.
    `offset_s` is what to add to `t` for seconds since 1970 UTC; a clock step changes only this.
    `values` are in the order of the settings' channels, None where there is no value;
    `faults` says why, by channel name, for every None of a fitted channel.
    """

    t: float
    offset_s: float
    values: tuple[float | None, ...]
    faults: Mapping[str, str] = {}
    requests: tuple[Request, ...] = ()
    storage_free_pct: float | None = None  # of the disk the state is on, where it was looked at
    troubles: Mapping[str, str] | None = None  # the monitor's own, by kind; None in a recording


def iso(at: float) -> str:
    """Seconds since 1970 as ISO 8601 UTC with milliseconds and Z."""
    stamp = datetime.fromtimestamp(round(at, 3), UTC).replace(tzinfo=None)
    return f"{stamp.isoformat(timespec='milliseconds')}Z"  # strftime would shorten early years


@dataclass(frozen=True, slots=True)
class Event:
    """A past-tense fact. `at` is when it happened, in seconds since 1970 UTC."""

    at: float
    kind: str
    text: str
    section: str | None = None
    numbers: Mapping[str, Any] = field(default_factory=dict)
    aside: Mapping[str, Any] = field(default_factory=dict)  # kept with it, told to nobody

    def as_json(self) -> dict[str, Any]:
        """The object of the events contract; JSON-ready."""
        head: dict[str, Any] = {"at": iso(self.at), "kind": self.kind}
        if self.section is not None:
            head["section"] = self.section
        return {**head, **self.numbers, "text": self.text}
