"""From volts at a converter's pin to the quantity measured: pure, and honest about wiring.

Sources: NAMUR NE 43 for the bands of 4-20 mA; NAMUR NE 107 for the status. What a voltage
output says beyond its ends is common practice, no source: 0.5-4.5 V transducers are taken as
miswired under 0.25 V and over 4.75 V, which is 1/16 of their span beyond either end, and the
same share is used for every other span.
"""

from dataclasses import dataclass
from typing import NamedTuple

from edge.model import Status

MEASURES_MA = (3.8, 20.5)  # NE 43: a live transmitter measures within these
FAULT_MA = (3.6, 21.0)  # NE 43: at or beyond these it, or its loop, has failed
MOST_MA = 22.0  # what a failed-high transmitter may drive; the input must still see it as such

WIRING = 1.0 / 16.0  # of the span beyond an end: the sensor cannot say this, its wiring can
SPECIFIED = 1.0 / 80.0  # of the span beyond an end: still taken as the sensor's own tolerance
DOUBLE = 1.0  # of the span beyond the upper end, where the lower end is zero: nothing was there
SUPPLY_V = (2.9, 5.5)  # 3.3 V and 5 V supplies with 10 % to spare (common practice, no source)

Points = tuple[float, float]


class Scaled(NamedTuple):
    """A value in the channel's unit, or None; why whenever the status is not good."""

    value: float | None
    status: Status = Status.GOOD
    why: str | None = None


def _failed(why: str) -> Scaled:
    return Scaled(None, Status.FAILURE, why)


def _line(x: float, at: Points, shows: Points) -> float:
    return shows[0] + (x - at[0]) * (shows[1] - shows[0]) / (at[1] - at[0])


@dataclass(frozen=True, slots=True)
class TwoPoint:
    """A sensor whose output goes from `volts[0]` to `volts[1]`, the ends of its range.

    Volts are the sensor's own, before any divider. Over the upper end only an output with a
    live zero (0.5-4.5 V, 1-5 V) tells a wiring fault soon: one that starts at zero, such as an
    oxygen cell's, has no sharp upper end, so there a value too high stays a value until it is
    double, which an open input with a bias resistor shows (hardware.md).
    """

    volts: Points
    shows: Points

    def scaled(self, volts: float) -> Scaled:
        return _between(volts, self.volts, self.shows, "V")


@dataclass(frozen=True, slots=True)
class Loop:
    """A 4-20 mA transmitter whose current crosses a shunt of `shunt_ohm`."""

    milliamps: Points
    shows: Points
    shunt_ohm: float

    def scaled(self, volts: float) -> Scaled:
        # Rounded to the nanoampere: 0.36 V over 100 ohm is 3.6 mA and not a bit more.
        ma = round(volts / self.shunt_ohm * 1000.0, 6)
        live = min(self.milliamps) >= FAULT_MA[0]  # 0-20 mA has no live zero to watch
        if live and ma <= FAULT_MA[0]:
            return _failed(
                f"{ma:.2f} mA, at or under the fault limit of {FAULT_MA[0]} mA (NE 43):"
                " open loop, no loop supply, or a failed transmitter"
            )
        if ma >= FAULT_MA[1]:
            return _failed(
                f"{ma:.2f} mA, at or over the fault limit of {FAULT_MA[1]} mA (NE 43):"
                " short circuit or a failed transmitter"
            )
        value = _line(ma, self.milliamps, self.shows)
        if (live and ma < MEASURES_MA[0]) or ma > MEASURES_MA[1]:
            return Scaled(
                value,
                Status.OUT_OF_SPECIFICATION,
                f"{ma:.2f} mA, outside the {MEASURES_MA[0]} to {MEASURES_MA[1]} mA that measure (NE 43)",
            )
        return Scaled(value)


@dataclass(frozen=True, slots=True)
class Ratiometric:
    """A transducer whose output is a share of its own supply, which is measured beside it."""

    ratio: Points
    shows: Points

    def scaled(self, volts: float, supply_v: float) -> Scaled:
        if supply_v < SUPPLY_V[0]:
            return _failed(
                f"its supply is at {supply_v:.2f} V, under the {SUPPLY_V[0]} V that it needs"
            )
        found = _between(volts / supply_v, self.ratio, self.shows, "of its supply")
        if supply_v > SUPPLY_V[1] and found.status is Status.GOOD:
            return Scaled(
                found.value,
                Status.OUT_OF_SPECIFICATION,
                f"its supply is at {supply_v:.2f} V, over {SUPPLY_V[1]} V",
            )
        return found


@dataclass(frozen=True, slots=True)
class Plain:
    """Volts that are the quantity itself."""

    def scaled(self, volts: float) -> Scaled:
        return Scaled(volts)


Scale = TwoPoint | Loop | Ratiometric | Plain


def _between(x: float, at: Points, shows: Points, unit: str) -> Scaled:
    low, high = sorted(at)
    span = high - low
    said = f"{_figure(x, span)} {unit}"
    ends = f"{_figure(low, span)} to {_figure(high, span)} {unit}"
    if x < low - WIRING * span:
        return _failed(f"{said}, far under the sensor's {ends}: wiring fault or no sensor supply")
    if x > high + (WIRING if low > 0.0 else DOUBLE) * span:
        return _failed(f"{said}, far over the sensor's {ends}: wiring fault")
    value = _line(x, at, shows)
    if not low - SPECIFIED * span <= x <= high + SPECIFIED * span:
        return Scaled(value, Status.OUT_OF_SPECIFICATION, f"{said}, outside the sensor's {ends}")
    return Scaled(value)


def _figure(x: float, span: float) -> str:
    return f"{x:.5f}" if span < 0.1 else f"{x:.3f}"


def beyond(at: Points, shows: Points, milliamps: bool) -> Points:
    """The values, least and most, past which a reading is none of the sensor's: what it shows at
    NE 43's fault limits, or as far past the ends of a voltage as wiring alone can bring it."""
    low, high = sorted(at)
    span = high - low
    ends = FAULT_MA if milliamps else (low - WIRING * span, high + WIRING * span)
    if not milliamps and low <= 0.0:
        ends = (ends[0], high + DOUBLE * span)
    if milliamps and low < FAULT_MA[0]:
        ends = (low - WIRING * span, FAULT_MA[1])
    first, second = (_line(x, at, shows) for x in ends)
    return min(first, second), max(first, second)


# --- the converter's side


RANGES_V = (0.256, 0.512, 1.024, 2.048, 4.096, 6.144)
"""Full scales of the ADS1115's amplifier (TI SBAS444, table 1), either sign."""


def most_volts(scale: Scale, divider: float) -> float | None:
    """The largest size of voltage at the pin that has to be told from a wiring fault.

    None where nothing says what to expect.
    """
    if isinstance(scale, TwoPoint):
        span = abs(scale.volts[1] - scale.volts[0])
        return (max(abs(v) for v in scale.volts) + 2.0 * WIRING * span) / divider
    if isinstance(scale, Loop):
        return MOST_MA / 1000.0 * scale.shunt_ohm / divider
    if isinstance(scale, Ratiometric):
        return SUPPLY_V[1] / divider
    return None


def range_for(most_v: float | None) -> float:
    """The finest full scale, in volts, that holds `most_v`; the widest for None.

    A pin may carry more than the chip's supply in no case, whatever the range.
    """
    if most_v is None:
        return RANGES_V[-1]
    return next((full for full in RANGES_V if full >= most_v), RANGES_V[-1])
