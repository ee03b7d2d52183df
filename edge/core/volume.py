"""A volume two ways, each with its uncertainty: taken off from a list of pipes, or by a timed fill.

Uncertainties are standard ones, combined after JCGM 100. Source of the fill: Esposito, Fluid
Power with Applications, receiver sizing, V = p t (Qin - Qout) / (pmax - pmin).
"""

from math import hypot, sqrt
from typing import NamedTuple

from edge.core.units import STANDARD_K, STANDARD_KPA, ZERO_C_K

TAKE_OFF_REL = 0.05
"""Of a volume added up from drawings: lengths, fittings, mill tolerances of the wall. Common
practice, no source."""

GIVEN_REL = 0.10
"""Of a volume that the settings only tell; common practice, no source."""

FLOW_REL = 0.02
PRESSURE_SD_KPA = 0.7
TIME_SD_S = 2.0
GAS_SD_C = 5.0
"""Of a flow meter of the trade, a gauge's reading, a watch, and the gas's own temperature while
it is compressed; common practice, no source."""


class Volume(NamedTuple):
    """Litres, with their standard uncertainty."""

    litres: float
    sd: float


class Compared(NamedTuple):
    """A measured volume beside a take-off."""

    difference_l: float  # measured less taken off
    rel: float  # of the take-off
    sigmas: float  # in standard uncertainties of the difference
    agree: bool  # within two


def by_fill(
    flow_in_l_min: float,
    flow_out_l_min: float,
    seconds: float,
    from_kpa: float,
    to_kpa: float,
    gas_c: float | None = None,
    *,
    flow_rel: float = FLOW_REL,
    pressure_sd_kpa: float = PRESSURE_SD_KPA,
    time_sd_s: float = TIME_SD_S,
    gas_sd_c: float = GAS_SD_C,
) -> Volume:
    """The volume that so much gas raised by so much, litres.

    ValueError where no gas came in, the pressure did not rise or no time passed.
    """
    net, rise = flow_in_l_min - flow_out_l_min, to_kpa - from_kpa
    if net <= 0.0 or flow_out_l_min < 0.0:
        raise ValueError("more flow in than out")
    if rise <= 0.0:
        raise ValueError("a pressure at the end above that at the start")
    if seconds <= 0.0:
        raise ValueError("a time above zero")
    kelvin = STANDARD_K if gas_c is None else gas_c + ZERO_C_K
    litres = STANDARD_KPA * net * seconds / 60.0 / rise * kelvin / STANDARD_K
    rel = sqrt(
        (hypot(flow_in_l_min, flow_out_l_min) * flow_rel / net) ** 2
        + 2.0 * (pressure_sd_kpa / rise) ** 2
        + (time_sd_s / seconds) ** 2
        + (gas_sd_c / kelvin) ** 2
    )
    return Volume(litres, litres * rel)


def compared(measured: Volume, take_off: Volume) -> Compared:
    """How far a measured volume lies from a take-off, in standard uncertainties of the two."""
    difference = measured.litres - take_off.litres
    sigmas = abs(difference) / hypot(measured.sd, take_off.sd)
    return Compared(difference, difference / take_off.litres, sigmas, sigmas <= 2.0)
