"""Gas volume of steel pipe from its nominal size, wall and length.

Source: ASME B36.10M, outside diameters and walls in millimetres. What is printed as the
capacity of sprinkler pipe means Schedule 30 or a 0.188 in wall at 8 in, so the wall may be
given instead of a schedule.
"""

from collections.abc import Mapping
from math import pi

OUTSIDE_MM: Mapping[str, float] = {
    "1/2": 21.3, "3/4": 26.7, "1": 33.4, "1-1/4": 42.2, "1-1/2": 48.3, "2": 60.3, "2-1/2": 73.0,
    "3": 88.9, "3-1/2": 101.6, "4": 114.3, "5": 141.3, "6": 168.3, "8": 219.1, "10": 273.0,
    "12": 323.8,
}  # fmt: skip
"""Outside diameter by nominal size in inches."""

WALL_MM: Mapping[str, Mapping[str, float]] = {
    "10": {
        "1/2": 2.11, "3/4": 2.11, "1": 2.77, "1-1/4": 2.77, "1-1/2": 2.77, "2": 2.77,
        "2-1/2": 3.05, "3": 3.05, "3-1/2": 3.05, "4": 3.05, "5": 3.40, "6": 3.40, "8": 3.76,
        "10": 4.19, "12": 4.57,
    },
    "30": {
        "1/2": 2.41, "3/4": 2.41, "1": 2.90, "1-1/4": 2.97, "1-1/2": 3.18, "2": 3.18,
        "2-1/2": 4.78, "3": 4.78, "3-1/2": 4.78, "4": 4.78, "8": 7.04, "10": 7.80, "12": 8.38,
    },
    "40": {
        "1/2": 2.77, "3/4": 2.87, "1": 3.38, "1-1/4": 3.56, "1-1/2": 3.68, "2": 3.91,
        "2-1/2": 5.16, "3": 5.49, "3-1/2": 5.74, "4": 6.02, "5": 6.55, "6": 7.11, "8": 8.18,
        "10": 9.27, "12": 10.31,
    },
}  # fmt: skip
"""Wall by schedule, then by nominal size."""


def volume_l(size: str, wall_mm: float, length_m: float) -> float:
    """Litres inside `length_m` of pipe of a nominal `size` (KeyError if unknown).

    Raises ValueError when the wall leaves no room for gas.
    """
    inside_mm = OUTSIDE_MM[size] - 2.0 * wall_mm
    if inside_mm <= 0.0 or wall_mm <= 0.0:
        raise ValueError(f"a wall between 0 and {OUTSIDE_MM[size] / 2:g} mm")
    return pi / 4.0 * (inside_mm / 1000.0) ** 2 * length_m * 1000.0
