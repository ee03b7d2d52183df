"""Gas held and gas lost against published and worked-out values.

[S] 40 CFR 1065.644 (vacuum-decay leak), NFPA 25 and NFPA 13 (limits of leakage tests); the others
are worked out from the gas law and reproduced here. CoolProp is the independent real gas.
"""

import math

import CoolProp.CoolProp as coolprop
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import constants
from scipy.integrate import solve_ivp

from edge.core.gas import R, flow_l_min, hours_to_reach
from edge.core.units import GALLON, PSI, STANDARD_K, STANDARD_KPA, outside

FILLED_L = 500.0 * GALLON
ATMOSPHERE_PSI = 14.696


def celsius(fahrenheit: float) -> float:
    return (fahrenheit - 32.0) / 1.8


def scfh(psi_lost: float, hours: float, fahrenheit: float) -> float:
    """Standard cubic feet an hour out of 500 gal that lose so many psi in so many hours."""
    flow = flow_l_min(FILLED_L, psi_lost * PSI / hours, celsius(fahrenheit))
    return outside("flow", flow, "scfh")


def test_gas_constant() -> None:
    """R is CODATA's, in kPa and litres."""
    assert pytest.approx(constants.R, rel=1e-6) == R


def test_raw_against_corrected() -> None:
    """500 gal, 40.0 psig at 70 °F to 38.6 psig at 60 °F in 2 h: 0.835 scfh corrected, 3.12 not."""
    kelvin = [celsius(f) + constants.zero_Celsius for f in (70.0, 60.0)]
    corrected = 40.0 + ATMOSPHERE_PSI - (38.6 + ATMOSPHERE_PSI) * kelvin[0] / kelvin[1]
    assert scfh(corrected, 2.0, 70.0) == pytest.approx(0.835, abs=0.001)
    assert scfh(40.0 - 38.6, 2.0, 70.0) == pytest.approx(3.12, abs=0.005)


def test_limits_as_flows() -> None:
    """NFPA 25's 3 psi in 2 h is 6.69 scfh of 500 gal at 70 °F, NFPA 13's 1.5 psi in 24 h 0.279."""
    assert scfh(3.0, 2.0, 70.0) == pytest.approx(6.69, abs=0.005)
    assert scfh(1.5, 24.0, 70.0) == pytest.approx(0.279, abs=0.0005)


def test_vacuum_decay() -> None:
    """40 CFR 1065.644's example: 2.0000 L from 25.300 to 50.600 kPa in 70 s at 293.15 K gains
    2.966e-4 mol/s."""
    rate = (50.600 - 25.300) / 70.0 * 3600.0
    l_min = flow_l_min(2.0, rate, 293.15 - constants.zero_Celsius)
    mol_s = l_min * STANDARD_KPA / (R * STANDARD_K) / 60.0
    assert mol_s == pytest.approx(2.966e-4, abs=5e-8)


@pytest.mark.parametrize(
    ("psig", "to_f", "falls"), [(40.0, 40.0, 3.126), (40.0, 0.0, 7.296), (100.0, 40.0, 6.621)]
)
def test_real_nitrogen(psig: float, to_f: float, falls: float) -> None:
    """Cooled in a closed pipe from 70 °F, real nitrogen falls within 2 % of what P/T says (1 % at
    40 psig), and what CoolProp says is the printed figure."""
    start = (psig + ATMOSPHERE_PSI) * PSI * 1000.0
    warm, cold = (celsius(f) + constants.zero_Celsius for f in (70.0, to_f))
    density = coolprop.PropsSI("D", "T", warm, "P", start, "Nitrogen")
    real = (start - coolprop.PropsSI("P", "T", cold, "D", density, "Nitrogen")) / PSI / 1000.0
    ideal = (psig + ATMOSPHERE_PSI) * (1.0 - cold / warm)
    assert real == pytest.approx(falls, abs=0.002)
    assert ideal == pytest.approx(real, rel=0.01 if psig == 40.0 else 0.02)


def test_real_nitrogen_lost() -> None:
    """The standard litres that leave at constant temperature are within 1 % of real nitrogen's."""
    warm = celsius(70.0) + constants.zero_Celsius
    mols = [
        coolprop.PropsSI("DMOLAR", "T", warm, "P", (p + ATMOSPHERE_PSI) * PSI * 1e3, "Nitrogen")
        for p in (40.0, 38.0)
    ]
    lost = (mols[0] - mols[1]) * FILLED_L / 1000.0
    standard = coolprop.PropsSI("DMOLAR", "T", STANDARD_K, "P", STANDARD_KPA * 1e3, "Nitrogen")
    real_l = lost / standard * 1000.0
    assert flow_l_min(FILLED_L, 2.0 * PSI, 21.111) * 60.0 == pytest.approx(real_l, rel=0.01)


@settings(max_examples=40, deadline=None)
@given(start=st.floats(150.0, 600.0), share=st.floats(0.3, 0.99), per_hour=st.floats(1e-3, 0.5))
def test_hours_to_reach(start: float, share: float, per_hour: float) -> None:
    """The time to a lower pressure is that of scipy's ODE solver for a loss in proportion to
    absolute pressure, and longer than a straight line's."""
    target = share * start

    def there(_t: float, p: list[float]) -> float:
        return p[0] - target

    there.terminal = True  # type: ignore[attr-defined]
    hours = hours_to_reach(start, target, per_hour)
    solved = solve_ivp(
        lambda _t, p: -per_hour * p, (0.0, 1e4), [start], events=there, rtol=1e-9, atol=1e-9
    )
    assert hours == pytest.approx(solved.t_events[0][0], rel=1e-6)
    assert hours > (start - target) / (per_hour * start)


def test_hours_to_reach_ends() -> None:
    """Already there is 0 h; nothing lost, or gained, is never."""
    assert hours_to_reach(200.0, 200.0, 0.1) == 0.0
    assert hours_to_reach(200.0, 300.0, 0.1) == 0.0
    assert hours_to_reach(200.0, 100.0, 0.0) == math.inf
    assert hours_to_reach(200.0, 100.0, -0.1) == math.inf
