"""Volts to quantities."""

import pytest

from edge.core.scale import Loop, Ratiometric, TwoPoint, most_volts, range_for
from edge.model import Status

GOOD, FAILED, OUT = Status.GOOD, Status.FAILURE, Status.OUT_OF_SPECIFICATION
LOOP = Loop((4.0, 20.0), (0.0, 100.0), 100.0)


@pytest.mark.parametrize(
    ("volts", "value", "status"),
    [
        (0.000, None, FAILED),
        (0.360, None, FAILED),
        (0.3601, -2.49375, OUT),
        (0.3799, -1.25625, OUT),
        (0.380, -1.25, GOOD),
        (0.400, 0.0, GOOD),
        (1.200, 50.0, GOOD),
        (2.000, 100.0, GOOD),
        (2.050, 103.125, GOOD),
        (2.0501, 103.13125, OUT),
        (2.0999, 106.24375, OUT),
        (2.100, None, FAILED),
        (2.200, None, FAILED),
    ],
)
def test_loop_bands(volts: float, value: float | None, status: Status) -> None:
    """A 4-20 mA loop over 100 Ω keeps NAMUR NE 43: measures 3.8-20.5 mA, fails at 3.6 and 21.0."""
    found = LOOP.scaled(volts)
    assert found.status is status
    assert found.value == (None if value is None else pytest.approx(value, abs=1e-9))
    assert (found.why is None) == (status is GOOD)


def test_zero_milliamps_may_be_a_measurement() -> None:
    """A 0-20 mA sensor at rest reads its zero, since only a live zero can show an open loop."""
    assert Loop((0.0, 20.0), (0.0, 10.0), 100.0).scaled(0.0) == (0.0, GOOD, None)


@pytest.mark.parametrize(
    ("volts", "value", "status"),
    [
        (0.24, None, FAILED),
        (0.26, -6.0, OUT),
        (0.46, -1.0, GOOD),
        (0.50, 0.0, GOOD),
        (2.50, 50.0, GOOD),
        (4.50, 100.0, GOOD),
        (4.54, 101.0, GOOD),
        (4.74, 106.0, OUT),
        (4.76, None, FAILED),
    ],
)
def test_transducer_bands(volts: float, value: float | None, status: Status) -> None:
    """A 0.5-4.5 V transducer is a wiring fault under 0.25 V and over 4.75 V (common practice, no
    source), by volts and as a share of a measured 5 V supply alike."""
    for found in (
        TwoPoint((0.5, 4.5), (0.0, 100.0)).scaled(volts),
        Ratiometric((0.1, 0.9), (0.0, 100.0)).scaled(volts, 5.0),
    ):
        assert found.status is status
        assert found.value == (None if value is None else pytest.approx(value, abs=1e-9))
        assert (found.why is None) == (status is GOOD)


def test_supply_is_divided_out() -> None:
    """A ratiometric transducer reads the same from 4.5 V to 5.5 V, and nothing without supply."""
    transducer = Ratiometric((0.1, 0.9), (0.0, 100.0))
    for supply_v in (4.5, 4.9, 5.0, 5.5):
        found = transducer.scaled(0.5 * supply_v, supply_v)
        assert found.value == pytest.approx(50.0, abs=1e-9)
        assert found.status is GOOD
    assert transducer.scaled(2.85, 5.7).status is OUT
    assert transducer.scaled(0.01, 0.02)[:2] == (None, FAILED)


def test_a_cell_has_no_sharp_upper_end() -> None:
    """An oxygen cell above its span in air stays a value; wired backwards, or at more than double
    as an open input with a bias resistor shows, it does not."""
    cell = TwoPoint((0.0, 0.012), (0.0, 20.95))
    found = cell.scaled(0.0138)
    assert found.status is OUT
    assert found.value == pytest.approx(24.0925)
    assert cell.scaled(-0.012)[:2] == (None, FAILED)
    assert cell.scaled(0.103)[:2] == (None, FAILED)


def test_falling_outputs_scale_too() -> None:
    """A sensor whose volts fall as the quantity rises is scaled and watched the same way."""
    falling = TwoPoint((4.5, 0.5), (0.0, 100.0))
    assert falling.scaled(3.5).value == pytest.approx(25.0)
    assert falling.scaled(0.2).status is FAILED


def test_range_shows_the_fault() -> None:
    """The range chosen is the finest in which a failed-high signal is still seen as failed."""
    assert most_volts(LOOP, 1.0) == pytest.approx(2.2)  # 22 mA over 100 Ω
    assert range_for(2.2) == 4.096
    assert range_for(most_volts(TwoPoint((0.5, 4.5), (0, 100)), 2.0)) == 4.096
    assert range_for(most_volts(TwoPoint((0.0, 0.012), (0, 20.95)), 1.0)) == 0.256
    assert range_for(most_volts(Ratiometric((0.1, 0.9), (0, 100)), 2.0)) == 4.096
    assert range_for(None) == 6.144
