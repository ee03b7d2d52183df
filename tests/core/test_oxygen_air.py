"""What a cell shows in air, against published and worked-out figures."""

import CoolProp.CoolProp as CP
import pytest

from edge.core.oxygen_air import (
    Shown,
    in_air,
    in_moist_air_pct,
    saturation_kpa,
    standard_atmosphere_kpa,
)
from edge.core.units import STANDARD_KPA

FOOT_M = 0.3048


def test_humid_air() -> None:
    """Saturated air at 100 °F has 19.60 % (CCPS glossary), at 25 °C and 50 % 20.62 % (worked out)."""
    assert in_moist_air_pct((100 - 32) / 1.8, 100.0, STANDARD_KPA) == pytest.approx(
        19.60, abs=0.005
    )
    assert in_moist_air_pct(25.0, 50.0, STANDARD_KPA) == pytest.approx(20.62, abs=0.005)
    assert in_moist_air_pct(25.0, 0.0, STANDARD_KPA) == 20.95


@pytest.mark.parametrize("celsius", [1.0, 10.0, 25.0, 37.78, 50.0])
def test_water_vapour(celsius: float) -> None:
    """The vapour pressure of water is that of CoolProp's equation of state within 0.4 %."""
    real = CP.PropsSI("P", "T", celsius + 273.15, "Q", 0, "Water") / 1000.0
    assert saturation_kpa(celsius) == pytest.approx(real, rel=0.004)


def test_altitude() -> None:
    """At 5000 ft the standard atmosphere has 84.307 kPa (ISO 2533, 1524 m); dry air stays 20.95 %."""
    assert standard_atmosphere_kpa(5000 * FOOT_M) == pytest.approx(84.307, abs=0.01)
    assert in_air(20.0, 0.0, elevation_m=1524.0).oxygen_pct == pytest.approx(20.95)


def test_what_is_not_measured_makes_it_less_sure() -> None:
    """Air whose humidity or barometer nobody measured is known less well, and more so when warm."""
    full = in_air(25.0, 50.0, barometer_kpa=100.0)
    guess = in_air(25.0)
    assert isinstance(full, Shown)
    assert 0.0 < full.sd_pct < 0.05 < guess.sd_pct < 0.3
    assert in_air(40.0).sd_pct > guess.sd_pct > in_air(0.0).sd_pct


@pytest.mark.parametrize(
    ("celsius", "humidity", "kpa", "said"),
    [(80.0, 50.0, 101.0, "60 °C"), (20.0, 101.0, 101.0, "100 %"), (50.0, 100.0, 5.0, "water")],
)
def test_refused(celsius: float, humidity: float, kpa: float, said: str) -> None:
    """Air that cannot be is refused with what was expected."""
    with pytest.raises(ValueError, match=said):
        in_moist_air_pct(celsius, humidity, kpa)
