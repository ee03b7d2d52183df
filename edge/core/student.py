"""Student's t for any confidence: what the table of edge.core.fit does not hold.

Sources: Abramowitz and Stegun, Handbook of Mathematical Functions (1964), 26.7.5 for the
quantile (Cornish-Fisher expansion) and 26.7.8 for the distribution; from 8 degrees of freedom on
the quantile is within 1 % up to a tail of 1 in 10 000.
"""

from math import sqrt
from statistics import NormalDist

_NORMAL = NormalDist()


def quantile(tail: float, freedom: float) -> float:
    """The value that t exceeds with probability `tail` (below one half)."""
    z = _NORMAL.inv_cdf(1.0 - tail)
    z2 = z * z
    n = freedom
    return z * (
        1.0
        + (z2 + 1.0) / (4.0 * n)
        + ((5.0 * z2 + 16.0) * z2 + 3.0) / (96.0 * n**2)
        + (((3.0 * z2 + 19.0) * z2 + 17.0) * z2 - 15.0) / (384.0 * n**3)
        + ((((79.0 * z2 + 776.0) * z2 + 1482.0) * z2 - 1920.0) * z2 - 945.0) / (92160.0 * n**4)
    )


def below(value: float, freedom: float) -> float:
    """The probability that t stays below `value`."""
    scaled = value * (1.0 - 0.25 / freedom) / sqrt(1.0 + value * value / (2.0 * freedom))
    return _NORMAL.cdf(scaled)
