"""What an oxygen cell shows in air: altitude, weather and humidity.

A galvanic cell feels the partial pressure of oxygen, so it is set in air to what that air has.
Sources: ISO 2533 (standard atmosphere, to 11 km); saturation pressure of water after WMO-No. 8,
annex 4.B (Magnus form). Dry air has 20.95 % of oxygen; the modern value, 20.946 % (from memory),
differs by less than any cell here resolves.
"""

from math import exp, hypot
from typing import NamedTuple

from edge.core.units import STANDARD_KPA

DRY_AIR_PCT = 20.95

WEATHER_REL = 0.03 / 2.0
"""Standard deviation of the barometer about its mean at one place, as a share: +-3 % at 95 %."""

HUMIDITY_PCT, HUMIDITY_SD_PCT = 50.0, 25.0
"""Relative humidity where nobody measured it; common practice, no source."""

TEMPERATURE_SD_C = 1.0
HUMIDITY_MEASURED_SD_PCT = 3.0
BAROMETER_SD_KPA = 0.1
"""What instruments of the trade are good for; common practice, no source."""


class Shown(NamedTuple):
    """What a sound cell shows, % oxygen, with its standard deviation."""

    oxygen_pct: float
    sd_pct: float


def standard_atmosphere_kpa(elevation_m: float) -> float:
    """Absolute pressure of the standard atmosphere at an elevation, m.

    ValueError above 11 km, where another law holds.
    """
    if not -1000.0 <= elevation_m <= 11000.0:
        raise ValueError("an elevation from -1000 m to 11000 m")
    return float(STANDARD_KPA * (1.0 - 2.25577e-5 * elevation_m) ** 5.25588)


def saturation_kpa(celsius: float) -> float:
    """Pressure of water vapour over water, kPa, from -45 to 60 °C (ValueError beyond)."""
    if not -45.0 <= celsius <= 60.0:
        raise ValueError("a temperature from -45 °C to 60 °C")
    return 0.6112 * exp(17.62 * celsius / (243.12 + celsius))


def in_moist_air_pct(celsius: float, humidity_pct: float, absolute_kpa: float) -> float:
    """Volume share of oxygen in air of this temperature and relative humidity, %.

    This is what a cell must be set to show when it is calibrated in that air. ValueError when the
    air would be all water, or the humidity is outside 0 to 100 %.
    """
    if not 0.0 <= humidity_pct <= 100.0:
        raise ValueError("a relative humidity from 0 % to 100 %")
    water_kpa = saturation_kpa(celsius) * humidity_pct / 100.0
    if not absolute_kpa > water_kpa:
        raise ValueError("a pressure above that of the water in the air")
    return DRY_AIR_PCT * (1.0 - water_kpa / absolute_kpa)


def in_air(
    celsius: float,
    humidity_pct: float | None = None,
    *,
    barometer_kpa: float | None = None,
    elevation_m: float = 0.0,
) -> Shown:
    """The oxygen that the air on site has, for calibrating in it, with its uncertainty.

    Without a humidity, half of saturation is taken, and its uncertainty with it. Without a
    barometer the standard atmosphere at the elevation is taken.
    """
    assumed = humidity_pct is None
    rh = HUMIDITY_PCT if humidity_pct is None else humidity_pct
    rh_sd = HUMIDITY_SD_PCT if assumed else HUMIDITY_MEASURED_SD_PCT
    absolute = standard_atmosphere_kpa(elevation_m) if barometer_kpa is None else barometer_kpa
    pressure_sd = WEATHER_REL * absolute if barometer_kpa is None else BAROMETER_SD_KPA
    pct = in_moist_air_pct(celsius, rh, absolute)
    water = saturation_kpa(celsius) / absolute
    warmer = saturation_kpa(min(celsius + TEMPERATURE_SD_C, 60.0)) / absolute
    sd = DRY_AIR_PCT * hypot(
        water * rh_sd / 100.0,
        (warmer - water) * rh / 100.0,
        water * rh / 100.0 * pressure_sd / absolute,
    )
    return Shown(pct, sd)
