"""Gas held and gas lost. Absolute pressure wherever a gas law is used.

Sources: ideal gas law, n = P V / (R T); physics of pressure decay as in 40 CFR 1065.644.
"""

from math import inf, log

from edge.core.units import STANDARD_K, STANDARD_KPA, ZERO_C_K

R = 8.31446  # kPa L / (mol K), CODATA 2018


def flow_l_min(volume_l: float, rate_kpa_per_h: float, gas_c: float) -> float:
    """Standard litres a minute that leave `volume_l` when its pressure falls at a rate.

    `gas_c` is the gas's temperature, °C.
    """
    return volume_l * rate_kpa_per_h / 60.0 / STANDARD_KPA * STANDARD_K / (gas_c + ZERO_C_K)


def hours_to_reach(from_absolute_kpa: float, to_absolute_kpa: float, loss_per_h: float) -> float:
    """Hours until the pressure has fallen so far, the loss in proportion to absolute pressure.

    `loss_per_h` is loss divided by the absolute pressure it was measured at, 1/h. inf when
    nothing is lost, 0 when already there.
    """
    if from_absolute_kpa <= to_absolute_kpa:
        return 0.0
    return log(from_absolute_kpa / to_absolute_kpa) / loss_per_h if loss_per_h > 0.0 else inf
