"""A channel over time in equal stretches: what a curve is drawn from."""

from collections.abc import Iterable
from typing import NamedTuple


class Point(NamedTuple):
    """One stretch of time of one channel, in the quantity's own unit (model.QUANTITIES)."""

    at: float  # its start
    n: int  # readings in it
    low: float
    mean: float
    high: float


class Ribbon(NamedTuple):
    """A channel over time. Stretches without a reading are absent: gaps stay gaps."""

    step_s: float  # length of each stretch
    points: list[Point]

    @property
    def covers_s(self) -> float:
        return len(self.points) * self.step_s


def stretch_s(length_s: float, base_s: float, points: int) -> float:
    """Whole stretches of `base_s`, so long that about `points` of them make the length."""
    return base_s * max(1.0, -(-length_s // (base_s * max(points, 1))))


def gathered(rows: Iterable[Point], step: float) -> list[Point]:
    """Points put together in stretches of `step` seconds, aligned to the epoch of UTC."""
    held: dict[float, list[float]] = {}
    for at, n, low, mean, high in rows:
        start = at // step * step
        box = held.get(start)
        if box is None:
            held[start] = [n, low, n * mean, high]
        else:
            box[0] += n
            box[1] = min(box[1], low)
            box[2] += n * mean
            box[3] = max(box[3], high)
    return [
        Point(at, int(n), low, total / n, high)
        for at, (n, low, total, high) in sorted(held.items())
    ]
