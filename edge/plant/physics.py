"""Gas through an opening, gas through a membrane, gases that mix: constants and closed laws alone."""

import math

R = 8.314462618  # kPa·L/(mol·K)
MOL_S_PER_L_MIN = 101.325 / (R * 288.7056) / 60.0  # standard litre a minute, 60 °F and 14.696 psia
ATMOSPHERE_KPA = 101.325
ZERO_C = 273.15
CRITICAL_RATIO = 0.528
AIR_OXYGEN_PCT = 20.95
MOIST_AIR_PCT = 20.71  # at 20 °C and half of saturation, worked out by hand

FLOW_AT_OXYGEN = ((1.0, 0.66), (1.5, 0.84), (2.0, 1.0), (3.0, 1.32), (5.0, 2.0))
"""Oxygen in the product (%), product flow as a multiple of the flow at 2 %."""

_LOGS = [(math.log(flow), math.log(oxygen)) for oxygen, flow in FLOW_AT_OXYGEN]


def oxygen_at_flow_pct(ratio: float) -> float:
    """Oxygen in the product, %, when its flow is `ratio` times the flow that gives 2 %.

    Log-log through FLOW_AT_OXYGEN, its end slopes carried on, never more than air.
    """
    if ratio <= 0.0:
        return 0.0
    x = math.log(ratio)
    place = 1
    while place < len(_LOGS) - 1 and x > _LOGS[place][0]:
        place += 1
    (x0, y0), (x1, y1) = _LOGS[place - 1], _LOGS[place]
    return min(AIR_OXYGEN_PCT, math.exp(y0 + (x - x0) * (y1 - y0) / (x1 - x0)))


def opening(downstream_kpa: float, upstream_kpa: float) -> float:
    """Share of the choked flow through an opening, 0..1, from absolute pressures (ISO 6358)."""
    ratio = downstream_kpa / upstream_kpa
    if ratio <= CRITICAL_RATIO:
        return 1.0
    if ratio >= 1.0:
        return 0.0
    part = (ratio - CRITICAL_RATIO) / (1.0 - CRITICAL_RATIO)
    return math.sqrt(1.0 - part * part)


def mixture(oxygen_pct: float, mol: float, coming_pct: float, coming_mol: float) -> float:
    """Oxygen of a gas, %, after another has mixed with it."""
    return (oxygen_pct * mol + coming_pct * coming_mol) / (mol + coming_mol)
