"""Purging against published figures, a numerical solution, and what must hold for any numbers."""

import math

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st
from scipy.integrate import solve_ivp

from edge.core.purge import (
    AIR_PCT,
    cycled_pct,
    cycles_to,
    flow_for_l_min,
    held_l,
    minutes_to,
    mixed_pct,
    turnovers_to,
)
from edge.core.units import PSI

ATMOSPHERE_PSI = 14.696
PCT = st.floats(0.0, 21.0)
GAS = st.floats(1.0, 1e5)


def test_published_cycles() -> None:
    """Air to 1 ppm by pressure to 80 psig takes 6.58 cycles, by vacuum to 20 mmHg 3.37 (Crowl &
    Louvar, from memory); 21 % and two cycles of 1 to 5 atm leave 0.84 % (Branan)."""
    high = 80.0 + ATMOSPHERE_PSI
    assert cycles_to(21.0, 0.0, 1e-4, ATMOSPHERE_PSI, high) == pytest.approx(6.58, abs=0.005)
    assert cycles_to(21.0, 0.0, 1e-4, 20.0, 760.0) == pytest.approx(3.37, abs=0.005)
    assert cycled_pct(21.0, 0.0, 1.0, 5.0, 2) == pytest.approx(0.84, abs=0.005)


def test_worked_out_cycles() -> None:
    """0 to 40 psig with 1 % in the supply: 20.95, 6.36, 2.44, 1.39, 1.10 %; 35 to 40 psig 0.909."""
    high = 40.0 + ATMOSPHERE_PSI
    found = [cycled_pct(AIR_PCT, 1.0, ATMOSPHERE_PSI, high, j) for j in range(5)]
    assert found == pytest.approx([20.95, 6.36, 2.44, 1.39, 1.10], abs=0.006)
    top_up = cycled_pct(1.0, 0.0, 35.0 + ATMOSPHERE_PSI, high)
    assert top_up == pytest.approx(0.909, abs=0.0005)


def test_bypass_fill() -> None:
    """Filled to 36 psig in bypass, the last 4 psi at 1.5 %: 19.5 % in the pipe (worked out)."""
    held = held_l(1000.0, (36.0 + ATMOSPHERE_PSI) * PSI)
    added = held_l(1000.0, 4.0 * PSI)
    assert mixed_pct(AIR_PCT, 1.5, held, added, 0.0) == pytest.approx(19.5, abs=0.05)


@pytest.mark.parametrize(("in_flow", "out_flow"), [(20.0, 20.0), (45.0, 5.0), (5.0, 9.0), (0, 9)])
def test_sweep_against_an_ode_solver(in_flow: float, out_flow: float) -> None:
    """Sweeping at steady, rising and falling pressure is what scipy's solver finds."""
    held, minutes = 8000.0, 600.0
    solved = solve_ivp(
        lambda _, y: [in_flow - out_flow, in_flow * (1.2 - y[1]) / y[0]],
        (0.0, minutes), [held, 20.95], rtol=1e-10, atol=1e-12, method="DOP853",
    )  # fmt: skip
    found = mixed_pct(20.95, 1.2, held, in_flow * minutes, out_flow * minutes)
    assert found == pytest.approx(solved.y[1][-1], rel=1e-7)


@given(PCT, PCT, GAS, st.floats(0.0, 1e5), st.floats(0.0, 0.99), st.floats(0.0, 1.0))
def test_never_past_the_supply(
    oxygen: float, supply: float, held: float, added: float, share: float, part: float
) -> None:
    """Mixing moves one way, never past the supply's oxygen, and two steps make the same as one."""
    lost = share * (held + added)
    after = mixed_pct(oxygen, supply, held, added, lost)
    low, high = sorted((oxygen, supply))
    assert low - 1e-9 <= after <= high + 1e-9
    between = mixed_pct(oxygen, supply, held, added * part, lost * part)
    left = held + (added - lost) * part
    assume(left > 1e-3)
    twice = mixed_pct(between, supply, left, added * (1 - part), lost * (1 - part))
    assert twice == pytest.approx(after, abs=1e-6)
    assert min(oxygen, after) - 1e-9 <= between <= max(oxygen, after) + 1e-9


@given(PCT, PCT, GAS, st.floats(0.0, 1e5))
def test_oxygen_is_conserved(oxygen: float, supply: float, held: float, added: float) -> None:
    """With nothing lost, what is in the pipe afterwards is what was in it and what came in."""
    after = mixed_pct(oxygen, supply, held, added, 0.0)
    whole = 100.0 * (held + added)
    assert after * (held + added) == pytest.approx(
        oxygen * held + supply * added, abs=1e-12 * whole
    )


@given(st.floats(2.1, 21.0), st.floats(0.0, 1.9), GAS, st.floats(0.1, 1e3))
def test_time_to_the_target(oxygen: float, supply: float, held: float, flow: float) -> None:
    """After the time that is said the pipe is at its target; more flow takes less, to the flow asked
    for; and a supply no purer than the target never brings it there."""
    minutes = minutes_to(oxygen, supply, 2.0, held, flow)
    gas = flow * minutes
    assert mixed_pct(oxygen, supply, held, gas, gas) == pytest.approx(2.0, rel=1e-6)
    assert minutes_to(oxygen, supply, 2.0, held, 2.0 * flow) == pytest.approx(minutes / 2.0)
    assert flow_for_l_min(oxygen, supply, 2.0, held, minutes) == pytest.approx(flow)
    assert turnovers_to(oxygen, 2.0, 2.0) == math.inf
    assert minutes_to(oxygen, supply, 2.0, held, 0.0) == math.inf
    assert minutes_to(1.0, supply, 2.0, held, 0.0) == 0.0


def test_refused() -> None:
    """Gas that is not there cannot be lost, and a cycle must go up."""
    with pytest.raises(ValueError, match="leave some gas"):
        mixed_pct(20.0, 1.0, 10.0, 0.0, 10.0)
    with pytest.raises(ValueError, match="above the low"):
        cycled_pct(20.0, 1.0, 5.0, 5.0)
