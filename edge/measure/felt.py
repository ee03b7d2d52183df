"""Pressure and temperature of a stretch of means (edge.core.bins), and how the gas feels the weather. Pure.

Source: mass-point method of containment leakage-rate tests (ANSI/ANS-56.8), the loss as the slope of
temperature-corrected pressure.
"""

from collections.abc import Sequence
from math import exp, log

from edge.core.fit import line
from edge.core.units import ZERO_C_K


def absolutes_kpa(
    rows: Sequence[Sequence[float]], atmosphere_kpa: float
) -> tuple[list[float], bool]:
    """Absolute pressure at every mean, and whether a barometer was there throughout; without one,
    the site's standard atmosphere stands in."""
    barometric = all(row[6] > 0.0 for row in rows)
    return [
        row[3] / row[1] + (row[7] / row[6] if barometric else atmosphere_kpa) for row in rows
    ], barometric


def held_c(rows: Sequence[Sequence[float]]) -> list[float] | None:
    """The temperature at every mean, held over what is missing; None where a fifth is missing."""
    measured = [row[5] / row[4] if row[4] > 0.0 else None for row in rows]
    known = [c for c in measured if c is not None]
    if len(known) < 0.8 * len(measured):
        return None
    held, celsius = known[0], []
    for c in measured:
        held = held if c is None else c
        celsius.append(held)
    return celsius


def felt_c(
    hours: Sequence[float], celsius: Sequence[float], lag_h: float, start_c: float
) -> list[float]:
    """`celsius` through a first-order lag, exact for straight pieces between the samples."""
    felt, x, before_h, before_c = [], start_c, hours[0], celsius[0]
    for h, c in zip(hours, celsius, strict=True):
        step = h - before_h
        if step > 0.0:
            slope = (c - before_c) / step
            x = c - slope * lag_h + (x - before_c + slope * lag_h) * exp(-step / lag_h)
        felt.append(x)
        before_h, before_c = h, c
    return felt


def at_constant_c(
    hours: Sequence[float], absolute_kpa: Sequence[float], felt: Sequence[float], share: float
) -> tuple[list[float], float]:
    """Absolute pressures as they would be had the temperature that a `share` of the gas felt stayed
    at its mean, and how fast that temperature moved them, kPa/h for a share of one."""
    middle = sum(felt) / len(felt) + ZERO_C_K
    constant = [
        p * middle / (middle + share * (f + ZERO_C_K - middle))
        for p, f in zip(absolute_kpa, felt, strict=True)
    ]
    mean_kpa = sum(absolute_kpa) / len(absolute_kpa)
    return constant, line(hours, felt).slope * mean_kpa / middle


def straight(absolute_kpa: Sequence[float]) -> list[float]:
    """Pressures on a scale on which a loss in proportion to them is a straight line.

    A leak that is choked, as any here is above about 90 kPa of gauge pressure, lets the pressure
    fall exponentially. The slope on this scale is the mean rate, exactly; on the plain scale the
    bend would pass for scatter and widen the interval.
    """
    mean = sum(absolute_kpa) / len(absolute_kpa)
    return [mean * log(p / mean) for p in absolute_kpa]
