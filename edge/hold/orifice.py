"""How large one hole would be that loses as much. Pure.

Source: isentropic flow of an ideal gas through a nozzle, choked below the critical pressure ratio
(any textbook of gas dynamics; API Standard 520 Part 1 sizes relief valves with the same sums).
A pinhole's discharge coefficient is about 0.8 (common practice, no source).
"""

from math import pi, sqrt

from edge.core.units import STANDARD_K, STANDARD_KPA, ZERO_C_K

NITROGEN_G_MOL = 28.0134
NITROGEN_K = 1.4
DISCHARGE = 0.8
_R = 8.31446  # J/(mol K)


def hole_mm(flow_l_min: float, absolute_kpa: float, outside_kpa: float, celsius: float) -> float:
    """Diameter in mm of the sharp round hole through which `flow_l_min` (standard litres) passes.

    `absolute_kpa` in the pipe, `outside_kpa` around it, the gas at `celsius`. 0 without a flow.
    """
    if flow_l_min <= 0.0 or absolute_kpa <= outside_kpa:
        return 0.0
    k = NITROGEN_K
    mol_s = flow_l_min / 60.0 * STANDARD_KPA / (_R * STANDARD_K)
    kg_s = mol_s * NITROGEN_G_MOL / 1000.0
    gas = _R / (NITROGEN_G_MOL / 1000.0) * (celsius + ZERO_C_K)  # J/kg
    ratio = outside_kpa / absolute_kpa
    critical = (2.0 / (k + 1.0)) ** (k / (k - 1.0))
    ratio = max(ratio, critical)
    flux = (
        absolute_kpa
        * 1000.0
        * sqrt(2.0 * k / (k - 1.0) / gas * (ratio ** (2.0 / k) - ratio ** ((k + 1.0) / k)))
    )
    return 2000.0 * sqrt(kg_s / (DISCHARGE * flux) / pi)
