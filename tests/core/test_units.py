"""Units against scipy.constants (CODATA, NIST SP 811), and what a person may write."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import constants as c

from edge.core.units import (
    GALLON,
    KINDS,
    PSI,
    STANDARD_K,
    inside,
    outside,
    parse,
    show,
    unit_of,
)

FOOT3_L = c.foot**3 * 1000.0
SOURCE = {
    ("pressure", "Pa"): 1e-3,
    ("pressure", "hPa"): 0.1,
    ("pressure", "MPa"): 1e3,
    ("pressure", "bar"): c.bar / 1e3,
    ("pressure", "mbar"): c.bar / 1e6,
    ("pressure", "psi"): c.psi / 1e3,
    ("pressure", "mmHg"): c.mmHg / 1e3,
    ("pressure", "inHg"): c.mmHg * 25.4 / 1e3,  # at 0 °C; NIST SP 811 prints 3.386 389
    ("volume", "gal"): c.gallon_US * 1000.0,
    ("volume", "ft³"): FOOT3_L,
    ("volume", "m³"): 1000.0,
    ("flow", "scfh"): FOOT3_L / 60.0,
    ("flow", "scfm"): FOOT3_L,
    ("flow", "Nm³/h"): 1000.0 / 60.0 * c.convert_temperature(60.0, "F", "K") / 273.15,
    ("length", "ft"): c.foot,
    ("length", "in"): c.inch,
    ("time", "d"): c.day,
    ("time", "h"): c.hour,
    ("time", "min"): c.minute,
    ("pressure rate", "psi/min"): c.psi / 1e3 * 60.0,
    ("pressure rate", "psi/h"): c.psi / 1e3,
    ("pressure rate", "bar/d"): c.bar / 1e3 / 24.0,
}


@pytest.mark.parametrize(("kind", "unit"), SOURCE)
def test_factor(kind: str, unit: str) -> None:
    """Each unit converts as scipy's constants do."""
    assert inside(kind, 1.0, unit) == pytest.approx(SOURCE[kind, unit], rel=2e-6)


@pytest.mark.parametrize(("unit", "scale"), [("°F", "F"), ("K", "K"), ("°C", "C")])
@given(number=st.floats(-200.0, 500.0))
def test_temperature(unit: str, scale: str, number: float) -> None:
    """Temperatures convert as scipy does, offset and all."""
    theirs = c.convert_temperature(number, scale, "C")
    assert inside("temperature", number, unit) == pytest.approx(theirs, abs=1e-9)


def test_standard_condition() -> None:
    """Standard is 60 °F and one atmosphere; a normal cubic metre holds 5.7 % more gas."""
    assert c.convert_temperature(60.0, "F", "K") == pytest.approx(STANDARD_K, abs=1e-9)
    assert inside("flow", 60.0, "Nm³/h") == pytest.approx(1057.0, abs=0.1)
    assert pytest.approx(c.atm / 1e3, rel=1e-4) == PSI * 14.696
    assert pytest.approx(3.785411784, rel=1e-12) == GALLON


EVERY = [(kind, unit) for kind, units in KINDS.items() for unit in units if unit]


@pytest.mark.parametrize(("kind", "unit"), EVERY)
@given(number=st.floats(-1e6, 1e6))
def test_there_and_back(kind: str, unit: str, number: float) -> None:
    """Inside and out again is the same number, and a written quantity reads the same way."""
    assert outside(kind, inside(kind, number, unit), unit) == pytest.approx(
        number, rel=1e-12, abs=1e-9
    )
    assert parse(kind, f"{number:.4f} {unit}") == pytest.approx(
        inside(kind, round(number, 4), unit), rel=1e-12, abs=1e-9
    )


@pytest.mark.parametrize("text", [38, None, "38", "psi", "38 bar/h", "3,8 psi", "1 2 psi", ""])
def test_no_quantity(text: object) -> None:
    """A number without a unit of the kind, or none at all, says what was expected."""
    with pytest.raises(ValueError, match=r"unit of pressure|unit after the number"):
        parse("pressure", text)


def test_unknown_unit_names_some_that_would_do() -> None:
    """A unit of another kind is refused with a few that would do."""
    with pytest.raises(ValueError, match="kPa, psi, bar, mbar, inHg, mmHg"):
        unit_of("pressure", "°C")


@given(kpa=st.floats(0.01, 1e4), unit=st.sampled_from(sorted(KINDS["pressure"])))
def test_shown_to_three_figures(kpa: float, unit: str) -> None:
    """What is shown is within half a per cent, or half of the last digit shown."""
    text, shown_unit = show("pressure", kpa, unit).split(" ")
    exact = outside("pressure", kpa, unit)
    assert shown_unit == unit
    last = 10.0 ** -len(text.partition(".")[2])
    assert abs(float(text) - exact) <= max(0.006 * exact, 0.5 * last) * (1.0 + 1e-9)
    assert math.isfinite(float(text))
    assert not show("pressure", -1e-9, unit).startswith("-")
