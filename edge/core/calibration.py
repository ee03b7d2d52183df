"""The correction of a sensor that is set against what is known: a line through one or two points."""

from typing import NamedTuple

WORN_REL, AGEING_REL = 0.70, 0.80
"""Share of the output it had when new, in air, at which a galvanic oxygen cell is worn out, and at
which the next one should be ordered; common practice, no source."""

LEAST_GAIN, MOST_GAIN = 0.5, 2.0
"""A correction beyond these would hide a fault and is not made; common practice, no source."""


class Correction(NamedTuple):
    """What is shown is `gain` times what the input says, plus `offset` in the quantity's unit."""

    gain: float = 1.0
    offset: float = 0.0

    def shown(self, raw: float) -> float:
        return self.gain * raw + self.offset

    def raw(self, shown: float) -> float:
        return (shown - self.offset) / self.gain


def one_point(raw: float, known: float, offset: float = 0.0) -> Correction:
    """The span that makes `raw` show `known`; the offset stays. ValueError for one out of reason."""
    if raw <= 0.0:
        raise ValueError("a reading above zero")
    return _in_reason(Correction((known - offset) / raw, offset))


def two_points(raw: tuple[float, float], known: tuple[float, float]) -> Correction:
    """The line through both points. ValueError when they lie too near, or it is out of reason."""
    apart, span = raw[1] - raw[0], known[1] - known[0]
    if abs(span) < 5.0 or abs(apart) < 2.5:
        raise ValueError("two points at least 5 % apart")
    gain = span / apart
    return _in_reason(Correction(gain, known[0] - gain * raw[0]))


def _in_reason(made: Correction) -> Correction:
    if not LEAST_GAIN <= made.gain <= MOST_GAIN:
        raise ValueError(f"a correction of {LEAST_GAIN} to {MOST_GAIN} times")
    return made
