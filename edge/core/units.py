"""Conversion at the borders. Inside: kPa, litres, °C (K in gas laws), seconds, % and volts.

Flows are standard litres a minute. "Standard" is 101.325 kPa (14.696 psia) and 15.56 °C
(60 °F), the US gas trade's; 0 °C (Nm³) holds 5.7 % more gas in the same number, so Nm³/h
is converted by temperature too.

Sources: NIST SP 811 (conversion factors, exact where the unit is defined exactly).
"""

import re
from collections.abc import Mapping
from math import isfinite
from typing import NamedTuple

STANDARD_KPA = 101.325
ZERO_C_K = 273.15
STANDARD_C = (60.0 - 32.0) / 1.8  # 60 °F
STANDARD_K = STANDARD_C + ZERO_C_K

PSI = 0.45359237 * 9.80665 / 0.0254**2 / 1000.0  # kPa, exact by definition of lb, g_n and inch
FOOT3 = 0.3048**3 * 1000.0  # litres
GALLON = 231 * 0.0254**3 * 1000.0  # US liquid gallon, litres


class Unit(NamedTuple):
    """value inside = (number + offset) * factor"""

    factor: float
    offset: float = 0.0


_TIME = {"h": 3600.0, "s": 1.0, "min": 60.0, "d": 86400.0, "ms": 0.001}
_PRESSURE = {  # the inside unit, then those that people most write: faults name the first few
    "kPa": 1.0,
    "psi": PSI,
    "bar": 100.0,
    "mbar": 0.1,
    "inHg": 3.386389,
    "mmHg": 0.133322387415,
    "hPa": 0.1,
    "Pa": 0.001,
    "MPa": 1000.0,
}
_VOLUME = {
    "L": 1.0,
    "l": 1.0,
    "m³": 1000.0,
    "m3": 1000.0,
    "gal": GALLON,
    "ft³": FOOT3,
    "ft3": FOOT3,
}

KINDS: Mapping[str, Mapping[str, Unit]] = {
    "pressure": {name: Unit(f) for name, f in _PRESSURE.items()},
    "pressure rate": {
        f"{p}/{t}": Unit(f * 3600.0 / s)  # kPa/h
        for t, s in _TIME.items()
        for p, f in _PRESSURE.items()
        if t != "ms"
    },
    "time": {name: Unit(f) for name, f in _TIME.items()},
    "temperature": {
        "°C": Unit(1.0),
        "°F": Unit(5.0 / 9.0, -32.0),
        "K": Unit(1.0, -ZERO_C_K),
    },
    "fraction": {"%": Unit(1.0)},
    "flow": {
        "scfh": Unit(FOOT3 / 60.0),
        "scfm": Unit(FOOT3),
        "L/min": Unit(1.0),
        "l/min": Unit(1.0),
        "Nm³/h": Unit(1000.0 / 60.0 * STANDARD_K / ZERO_C_K),
        "Nm3/h": Unit(1000.0 / 60.0 * STANDARD_K / ZERO_C_K),
    },
    "volume": {name: Unit(f) for name, f in _VOLUME.items()},
    "length": {
        "m": Unit(1.0),
        "mm": Unit(0.001),
        "cm": Unit(0.01),
        "ft": Unit(0.3048),
        "in": Unit(0.0254),
    },
    "power": {"kW": Unit(1.0), "W": Unit(0.001), "hp": Unit(0.745699872)},
    "voltage": {"V": Unit(1.0), "mV": Unit(0.001)},
    "resistance": {"Ω": Unit(1.0), "ohm": Unit(1.0), "kΩ": Unit(1000.0)},
    "running": {"": Unit(1.0)},
}
"""Every kind of quantity a user may write, with its units; the inside unit has factor 1."""

QUANTITY_KIND: Mapping[str, str] = {
    "pressure": "pressure",
    "barometer": "pressure",
    "oxygen": "fraction",
    "temperature": "temperature",
    "running": "running",
    "voltage": "voltage",
}
"""The kind of unit in which each measured quantity is written."""

_WRITTEN = re.compile(r"[^\S\r\n]*([-+−]?(?:\d+(?:\.\d*)?|\.\d+))[^\S\r\n]*(\S*)[^\S\r\n]*")


def unit_of(kind: str, name: str) -> Unit:
    """The unit called `name` among those of `kind`; ValueError naming what would do."""
    units = KINDS[kind]
    if name in units:
        return units[name]
    raise ValueError(f"a unit of {kind} ({some_of(units)})")


def some_of(names: Mapping[str, Unit]) -> str:
    """A few of the names, for telling a person what would have done."""
    shown = [name for name in names if name][:6]
    return ", ".join(shown) if shown else "none"


def inside(kind: str, number: float, unit: str) -> float:
    """`number` in `unit`, in the unit used inside; ValueError for a unit of another kind."""
    factor, offset = unit_of(kind, unit)
    return (number + offset) * factor


def outside(kind: str, value: float, unit: str) -> float:
    """A value held inside, as the number to write in `unit`."""
    factor, offset = unit_of(kind, unit)
    return value / factor - offset


def parse(kind: str, text: object) -> float:
    """A quantity string such as "38 psi" as a float in the inside unit.

    Raises ValueError whose text is what was expected, for the caller to set beside what it found.
    """
    example = {"time": "8 s", "fraction": "98 %", "flow": "45 scfh", "temperature": "-20 °C"}.get(
        kind, f"38 {next(iter(KINDS[kind]))}"
    )
    if not isinstance(text, str):
        raise ValueError(f'a number and a unit of {kind} in quotes, as "{example}"')
    found = _WRITTEN.fullmatch(text)
    if found is None:
        raise ValueError(f'a number and a unit of {kind}, as "{example}"')
    number, unit = found.groups()
    if not unit:
        raise ValueError(f"a unit after the number ({some_of(KINDS[kind])})")
    value = inside(kind, float(number.replace("−", "-")), unit)
    if not isfinite(value):
        raise ValueError(f'a number that is not beyond all bounds, as "{example}"')
    return value


def show_gas(litres: float, flow_unit: str) -> str:
    """An amount of gas, standard litres, as people write it who read flows in that unit."""
    if flow_unit in ("scfh", "scfm"):
        return f"{litres / FOOT3:.0f} scf"
    return f"{litres / 1000.0:.0f} m³ (at 15.56 °C, 101.3 kPa)"


def show(kind: str, value: float, unit: str, digits: int | None = None) -> str:
    """A value held inside, written in `unit` with about three figures or `digits` decimals."""
    number = outside(kind, value, unit)
    if digits is None:
        size = abs(number)
        digits = 0 if size >= 100 else 1 if size >= 10 else 2 if size >= 0.095 else 3
    text = f"{number:.{digits}f}"
    if float(text) == 0.0:
        text = text.lstrip("-")
    return f"{text} {unit}"
