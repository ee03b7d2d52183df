"""Pipe volumes against the library fluids and the printed capacities.

Source: ASME B36.10M, as the package fluids carries it.
"""

import math

import pytest
from fluids.piping import nearest_pipe

from edge.core.pipe import OUTSIDE_MM, WALL_MM, volume_l
from edge.core.units import GALLON

FOOT_M = 0.3048
SIZES = [(schedule, size) for schedule, walls in WALL_MM.items() for size in walls]


def inches(size: str) -> float:
    """1-1/4 as 1.25."""
    whole, _, part = size.rpartition("-") if "/" in size else (size, "", "")
    top, _, bottom = part.partition("/")
    return float(whole or 0) + (float(top) / float(bottom) if part else 0.0)


@pytest.mark.parametrize(("schedule", "size"), SIZES)
def test_every_size_and_schedule(schedule: str, size: str) -> None:
    """Every wall and diameter is that of the standard, within its rounding to 0.1 mm."""
    _, inside_m, outside_m, wall_m = nearest_pipe(NPS=inches(size), schedule=schedule)
    assert OUTSIDE_MM[size] == pytest.approx(outside_m * 1000.0, abs=0.06)
    assert WALL_MM[schedule][size] == pytest.approx(wall_m * 1000.0, abs=0.011)
    area = math.pi / 4.0 * inside_m**2
    assert volume_l(size, WALL_MM[schedule][size], 10.0) == pytest.approx(area * 1e4, rel=0.006)


PRINTED = {
    "40": {
        "1": 0.0449, "1-1/4": 0.0777, "1-1/2": 0.1058, "2": 0.1743, "2-1/2": 0.2487,
        "3": 0.3840, "4": 0.6613, "5": 1.0393, "6": 1.5008,
    },
    "10": {
        "1": 0.0491, "2": 0.1898, "2-1/2": 0.2833, "3": 0.4336, "4": 0.7404, "6": 1.6488,
    },
}  # fmt: skip
"""Gallons a foot, worked out from B36.10M inside diameters in inches."""


@pytest.mark.parametrize(("schedule", "size"), [(s, n) for s, row in PRINTED.items() for n in row])
def test_printed_capacity(schedule: str, size: str) -> None:
    """Gallons a foot agree with the printed capacities within half a per cent, the metric table's
    rounding."""
    gallons = volume_l(size, WALL_MM[schedule][size], FOOT_M) / GALLON
    assert gallons == pytest.approx(PRINTED[schedule][size], rel=0.005)


def test_eight_inch_sprinkler_pipe() -> None:
    """At 8 in the trade's 2.66 gal/ft is Schedule 30 and 2.776 gal/ft is a wall of 0.188 in."""
    assert volume_l("8", WALL_MM["30"]["8"], FOOT_M) / GALLON == pytest.approx(2.66, rel=0.005)
    assert volume_l("8", 0.188 * 25.4, FOOT_M) / GALLON == pytest.approx(2.776, rel=0.005)


@pytest.mark.parametrize("wall_mm", [0.0, -1.0, 16.7, 40.0])
def test_no_room_for_gas(wall_mm: float) -> None:
    """A wall that leaves no room, or none at all, is refused."""
    with pytest.raises(ValueError, match=r"a wall between 0 and 16\.7 mm"):
        volume_l("1", wall_mm, 1.0)
