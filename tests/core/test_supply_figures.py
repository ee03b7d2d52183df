"""Volumes, air supply and cost against published and worked-out figures."""

import math
import random

import pytest

from edge.core import cost
from edge.core.air_supply import cycling, fill
from edge.core.units import FOOT3, GALLON, PSI, outside
from edge.core.volume import Volume, by_fill, compared


@pytest.mark.parametrize(("out_scfm", "gallons"), [(0.0, 660.0), (5.0, 495.0)])
def test_receiver(out_scfm: float, gallons: float) -> None:
    """20 scfm in, 0 or 5 out, 6 min, 80 to 100 psi: 660 or 495 gal (Esposito, Fluid Power, ch. 13)."""
    found = by_fill(20 * FOOT3, out_scfm * FOOT3, 360.0, 80 * PSI, 100 * PSI)
    assert found.litres / GALLON == pytest.approx(gallons, rel=0.001)


@pytest.mark.parametrize("to_kpa", [275.0, 75.0])  # the flow's error leads, then the gauge's
def test_uncertainty_of_a_fill(to_kpa: float) -> None:
    """The combined uncertainty is what 20,000 fills with the same errors scatter by."""
    rng = random.Random(5)
    right = by_fill(80.0, 20.0, 600.0, 50.0, to_kpa, 20.0)
    litres = [
        by_fill(
            80.0 * (1 + rng.gauss(0, 0.02)), 20.0 * (1 + rng.gauss(0, 0.02)),
            600.0 + rng.gauss(0, 2.0), 50.0 + rng.gauss(0, 0.7), to_kpa + rng.gauss(0, 0.7),
            20.0 + rng.gauss(0, 5.0),
        ).litres
        for _ in range(20_000)
    ]  # fmt: skip
    mean = math.fsum(litres) / len(litres)
    scatter = math.sqrt(math.fsum((x - mean) ** 2 for x in litres) / len(litres))
    assert right.sd == pytest.approx(scatter, rel=0.03)


def test_two_volumes_beside_each_other() -> None:
    """Volumes within two of their common uncertainties agree, and by how much they differ is told."""
    near = compared(Volume(1050.0, 30.0), Volume(1000.0, 40.0))
    assert near == pytest.approx((50.0, 0.05, 1.0, True))
    far = compared(Volume(1350.0, 30.0), Volume(1000.0, 40.0))
    assert far.sigmas == pytest.approx(7.0)
    assert not far.agree


@pytest.mark.parametrize(
    ("given", "said"),
    [
        ((5.0, 5.0, 60.0, 0.0, 10.0), "more flow in"),
        ((5.0, 0.0, 60.0, 10.0, 10.0), "above that at the start"),
        ((5.0, 0.0, 0.0, 0.0, 10.0), "a time above zero"),
    ],
)
def test_fills_that_tell_nothing(given: tuple[float, ...], said: str) -> None:
    """No net flow, no rise or no time is refused with what was expected."""
    with pytest.raises(ValueError, match=said):
        by_fill(*given)


def test_half_an_hour() -> None:
    """500 gal to 40 psi in 30 min need 6.06 scfm, 0.01213 a gallon (NFPA 13's time, gas law)."""
    asked = fill(500 * GALLON, 40 * PSI, 6.5 * FOOT3, 0.75 * FOOT3)
    assert outside("flow", asked.needed_l_min, "scfm") == pytest.approx(6.06, abs=0.005)
    assert asked.needed_l_min / FOOT3 / 500 == pytest.approx(0.01213, abs=5e-6)
    assert asked.enough is True
    assert asked.takes_s == pytest.approx(1800 * 6.064 / 6.5, rel=0.001)
    assert asked.generator_share == pytest.approx(0.75 / 6.064, rel=0.001)
    assert fill(500 * GALLON, 40 * PSI, 6.0 * FOOT3).enough is False
    assert fill(500 * GALLON, 40 * PSI).enough is None


def test_cycling_agrees_with_itself() -> None:
    """In a day what is made is what is lost, run and rest make a cycle, and L/F is the duty."""
    found = cycling(1173.0, 14 * PSI, 21.2, 3.0)
    assert found.duty == pytest.approx(3.0 / 21.2)
    assert found.runs_a_day * (found.run_s + found.rest_s) == pytest.approx(86400.0)
    assert found.runs_a_day * found.run_s == pytest.approx(found.runtime_s_a_day)
    assert found.runtime_s_a_day / 60 * 21.2 == pytest.approx(1440 * 3.0)
    # decay + rise = F / V, brought to pressure (job's table of what moved)
    band = 14 * PSI
    both = band / found.run_s + band / found.rest_s
    assert both == pytest.approx(21.2 * 101.325 / 1173.0 / 60.0)
    assert cycling(1173.0, band, 21.2, 0.0).runs_a_day == 0.0
    assert cycling(1173.0, band, 21.2, 25.0).run_s == math.inf


def test_cost_of_a_year() -> None:
    """A loss of 4 L/min at a duty of a fifth with 1.5 kW: hours, energy and money by hand."""
    found = cost.of_loss(4.0, 0.2, 1.5, 0.18, 0.50)
    assert found.nitrogen_l == pytest.approx(4.0 * 60 * 24 * 365.25)
    assert found.hours == pytest.approx(1753.2)
    assert found.energy_kwh == pytest.approx(2629.8)
    assert found.money == pytest.approx(2629.8 * 0.18 + 1753.2 * 0.5)
    assert cost.of_loss(4.0, 1.3).hours == pytest.approx(8766.0)  # a year has no more
    bare = cost.of_loss(4.0)
    assert bare.hours is None
    assert bare.money is None
