"""Straight lines and how sure their slopes are.

Sources: ordinary least squares; effective number of independent samples under first-order
autocorrelation after Bartlett (1946), n (1 - r) / (1 + r); the slope of a line through a
random walk of variance s² per unit time over a span D has variance 6 s² / (5 D).
"""

from collections.abc import Sequence
from itertools import pairwise
from math import cos, inf, sin, sqrt, tau
from typing import NamedTuple


class Line(NamedTuple):
    """y = mean_y + slope (x - mean_x). `slope_se` is the standard error of the slope."""

    mean_x: float
    mean_y: float
    slope: float
    slope_se: float
    rms: float  # of the residuals
    sxx: float

    def at(self, x: float) -> float:
        return self.mean_y + self.slope * (x - self.mean_x)


def line(xs: Sequence[float], ys: Sequence[float]) -> Line:
    """The least-squares line through at least two points of different x (ValueError).

    The standard error allows for residuals that follow each other: their lag-one
    autocorrelation, if positive, lowers the number of independent samples.
    """
    n = len(xs)
    mean_x, mean_y = sum(xs) / max(n, 1), sum(ys) / max(n, 1)
    sxx = sum((x - mean_x) ** 2 for x in xs)
    if n < 2 or sxx <= 0.0:
        raise ValueError("a line needs two points of different x")
    slope = sum((x - mean_x) * (y - mean_y) for x, y in zip(xs, ys, strict=True)) / sxx
    residuals = [y - mean_y - slope * (x - mean_x) for x, y in zip(xs, ys, strict=True)]
    total = sum(r * r for r in residuals)
    if n == 2:
        return Line(mean_x, mean_y, slope, inf, 0.0, sxx)
    follow = 0.0
    if total > 0.0:
        follow = sum(a * b for a, b in pairwise(residuals)) / total
        follow = min(max(follow, 0.0), 0.99)
    independent = max(n * (1.0 - follow) / (1.0 + follow), 3.0)
    variance = total / n * independent / (independent - 2.0)
    slope_se = sqrt(variance / sxx * n / independent)
    return Line(mean_x, mean_y, slope, slope_se, sqrt(total / n), sxx)


def line_beside_wave(xs: Sequence[float], ys: Sequence[float], period: float) -> Line:
    """As `line`, with a sine wave of given period (in the unit of x), of any size and phase, fitted
    beside it, so that such a wave in y moves the slope by nothing. Needs six points (ValueError).

    By projection (Frisch and Waugh, 1933): what the wave explains is taken out of both x and y.
    """
    if len(xs) < 6:
        raise ValueError("a line beside a wave needs six points")
    middle = (xs[0] + xs[-1]) / 2.0
    turns = [tau * (x - middle) / period for x in xs]
    waves: list[list[float]] = []
    for wave in ([1.0] * len(xs), [cos(a) for a in turns], [sin(a) for a in turns]):
        waves.append(_freed(wave, waves))
    found = line(_freed(xs, waves), _freed(ys, waves))
    mean_x, mean_y = sum(xs) / len(xs), sum(ys) / len(ys)
    return found._replace(mean_x=mean_x, mean_y=mean_y)


def _freed(ys: Sequence[float], waves: Sequence[Sequence[float]]) -> list[float]:
    """`ys` without their projections on `waves`, which stand at right angles to each other."""
    left = list(ys)
    for wave in waves:
        size = sum(w * w for w in wave)
        share = sum(w * y for w, y in zip(wave, left, strict=True)) / size
        left = [y - share * w for w, y in zip(wave, left, strict=True)]
    return left


def bend(points: Sequence[tuple[float, float, float]]) -> float | None:
    """Where the two straight lines cross that together fit best: x of (x, y, weight) in order.

    None where there are too few points for two lines. A crossing outside the two points between
    which the lines part is put in their middle.
    """
    n = len(points)
    if n < 6:
        return None
    x0, y0 = points[n // 2][:2]
    # Sums of w, wx, wy, wxx, wxy, wyy up to each point.
    sums: list[tuple[float, ...]] = [(0.0,) * 6]
    for x, y, w in points:
        x, y = x - x0, y - y0
        new = (w, w * x, w * y, w * x * x, w * x * y, w * y * y)
        sums.append(tuple(a + b for a, b in zip(sums[-1], new, strict=True)))
    best, place, lines = inf, 0, ((0.0, 0.0, 0.0), (0.0, 0.0, 0.0))
    for k in range(3, n - 2):
        one = _part(sums[k])
        two = _part(tuple(a - b for a, b in zip(sums[-1], sums[k], strict=True)))
        if one[2] + two[2] < best:
            best, place, lines = one[2] + two[2], k, (one, two)
    (slope, at, _), (slope_after, at_after, _) = lines
    low, high = points[place - 1][0], points[place][0]
    if slope != slope_after:
        crossing = x0 + (at - at_after) / (slope_after - slope)
        if low - (high - low) <= crossing <= high + (high - low):
            return crossing
    return (low + high) / 2.0


def _part(sums: Sequence[float]) -> tuple[float, float, float]:
    """Slope, value at 0 and what is left in squares, of the line through weighted points."""
    w, x, y, xx, xy, yy = sums
    sxx, sxy, syy = xx - x * x / w, xy - x * y / w, yy - y * y / w
    slope = sxy / sxx if sxx > 0.0 else 0.0
    return slope, (y - slope * x) / w, max(syy - slope * sxy, 0.0)


_T95 = (12.71, 4.30, 3.18, 2.78, 2.57, 2.45, 2.36, 2.31, 2.26, 2.23, 2.20, 2.18, 2.16, 2.14, 2.13)


def t95(freedom: float) -> float:
    """Two-sided 95 % point of Student's t; interpolated between whole degrees of freedom.

    Source: any table of t; beyond 15 degrees the expansion of Cornish and Fisher (1937).
    """
    if freedom < 1.0:
        return _T95[0]
    if freedom >= 15.0:
        return 1.95996 + 2.37227 / freedom + 2.8225 / freedom**2
    low = int(freedom)
    return _T95[low - 1] + (freedom - low) * (_T95[min(low, 14)] - _T95[low - 1])
