"""Nitrogen taking the place of air in a pipe, well mixed.

The gas of a pipe is held, added and lost in any one measure of amount (standard litres here).
Dead-end branches mix slowly, so times worked out here are the least that it can take.
Sources: component balance of a stirred vessel; pressure cycles as in Crowl & Louvar, Chemical
Process Safety, and Branan, Rules of Thumb for Chemical Engineers (both from memory).
"""

from math import exp, inf, log, log1p

from edge.core.oxygen_air import DRY_AIR_PCT
from edge.core.units import STANDARD_K, STANDARD_KPA, ZERO_C_K

AIR_PCT = DRY_AIR_PCT


def held_l(volume_l: float, absolute_kpa: float, gas_c: float | None = None) -> float:
    """Standard litres in a volume at an absolute pressure; at 15.56 °C where no other is known."""
    kelvin = STANDARD_K if gas_c is None else gas_c + ZERO_C_K
    return volume_l * absolute_kpa / STANDARD_KPA * STANDARD_K / kelvin


def mixed_pct(
    oxygen_pct: float, supply_pct: float, held: float, added: float, lost: float
) -> float:
    """Oxygen after `added` came in and `lost` went out of `held`, both at steady paces, %.

    Exact for dc/dt = q_in (c_s - c) / n with dn/dt = q_in - q_out. Nothing may be negative, and
    something must be left (ValueError).
    """
    if held <= 0.0 or added < 0.0 or lost < 0.0 or held + added - lost <= 0.0:
        raise ValueError("gas held, added and lost that leave some gas")
    net = (added - lost) / held
    slope = log1p(net) / net if abs(net) > 1e-6 else 1.0 - net / 2.0
    return supply_pct + (oxygen_pct - supply_pct) * exp(-added / held * slope)


def cycled_pct(
    oxygen_pct: float, supply_pct: float, low_kpa: float, high_kpa: float, cycles: float = 1.0
) -> float:
    """Oxygen after so many times filled from `low_kpa` to `high_kpa` and let down, absolute, %."""
    _cycle(low_kpa, high_kpa)
    return supply_pct + (oxygen_pct - supply_pct) * float((low_kpa / high_kpa) ** cycles)


def cycles_to(
    oxygen_pct: float, supply_pct: float, target_pct: float, low_kpa: float, high_kpa: float
) -> float:
    """Pressure cycles (not whole) until the target; 0 when there, inf when it is never reached."""
    _cycle(low_kpa, high_kpa)
    return turnovers_to(oxygen_pct, supply_pct, target_pct) / log(high_kpa / low_kpa)


def turnovers_to(oxygen_pct: float, supply_pct: float, target_pct: float) -> float:
    """How many times its content must flow through a pipe at steady pressure until the target.

    0 when there already, inf when it is never reached: a supply never brings a pipe to its own
    purity, let alone past it.
    """
    if oxygen_pct <= target_pct:
        return 0.0
    if supply_pct >= target_pct:
        return inf
    return log((oxygen_pct - supply_pct) / (target_pct - supply_pct))


def minutes_to(
    oxygen_pct: float, supply_pct: float, target_pct: float, held: float, flow_l_min: float
) -> float:
    """Minutes until the target with a steady flow through the pipe; inf for never."""
    turnovers = turnovers_to(oxygen_pct, supply_pct, target_pct)
    if turnovers == 0.0:
        return 0.0
    return turnovers * held / flow_l_min if flow_l_min > 0.0 else inf


def flow_for_l_min(
    oxygen_pct: float, supply_pct: float, target_pct: float, held: float, minutes: float
) -> float:
    """The flow that reaches the target in so many minutes; inf when none does."""
    return turnovers_to(oxygen_pct, supply_pct, target_pct) * held / minutes


def _cycle(low_kpa: float, high_kpa: float) -> None:
    if not 0.0 < low_kpa < high_kpa:
        raise ValueError("absolute pressures above zero, the high one above the low")
