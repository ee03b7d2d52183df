"""Loss in a rest, freed of the weather as far as the site is known.

How much of the gas space follows the measured temperature (the exposure), and how far behind
(the lag), belong to the site and are learned from all its rests together; the loss is each
rest's own. For every lag on a small grid the temperature is run through a first-order lag;
within each rest mean and straight line are taken out of pressure and of P/T times the lagged
temperature, and the sums of their products tell the exposure. Lags are weighed by how well
they explain the rests, so an interval is wide where the lag is not known.

Sources: mass-point method of containment leakage-rate tests (ANSI/ANS-56.8) for the loss as
the slope of temperature-corrected pressure; Bayesian linear regression for the exposure. The
allowances for weather that is not measured are worked out from a typical year of hourly
weather (station 723170 of TMY3, public domain), as standard deviations of the slope that a
straight line finds over a rest of given length.
"""

from bisect import bisect
from collections.abc import Sequence
from itertools import pairwise
from math import exp, sqrt
from typing import NamedTuple

from edge.core.bins import Bins
from edge.core.fit import line, line_beside_wave, t95
from edge.core.kept import Kept
from edge.core.units import STANDARD_K, ZERO_C_K
from edge.measure.felt import absolutes_kpa, at_constant_c, felt_c, held_c, straight

LAGS_H = (0.05, 0.1, 0.2, 0.35, 0.5, 0.75, 1.0, 1.5, 2.0, 3.0, 4.0)
"""The grid of lags; what lies between is covered by weighing neighbours."""

PRIOR_SHARE, PRIOR_SHARE_SD = 0.65, 0.22
"""The exposure before anything is learned: anything from 0.2 to 1.1 is likely enough."""

MODEL_SHARE = 0.03
"""The part of the temperature correction that is never trusted: pipes are not uniform."""

TEMPER = 0.4
"""How far the evidence of one rest counts: its errors are the weather's own, not white, and the
best-fitting lag would be believed too soon otherwise."""

FADE_H = 1000.0
"""Hours of rest after which what was learned counts half as much again less (e-fold)."""

APART_S, QUARTER_S = 9 * 3600.0, 6 * 3600.0
"""Rests at least so far apart are compared for their scatter, and by the hour of the day so far."""

FREEDOM = 30.0
"""Degrees of freedom of an interval whose allowances are the site's own."""

LEAST_PAIRS, MORE_PAIRS = 5, 3.0
"""So many pairs of rests tell something, since two of them may lie across a real change of loss; and
as many weigh against them."""

DOUBT, DOUBT_EACH = 6.0, 0.4
"""Degrees of freedom of an allowance that no rest of the site has tried yet, and what each pair of
rests adds: sites differ by a factor of two either way, and a median tells a spread with 0.37 of the
efficiency of its root mean square."""

DAY_H, WAVE_FROM_H = 24.0, 20.0
"""From so many hours on, a wave of a day's length is fitted beside the line where no temperature is
measured: a straight line alone takes part of the daily wave for loss, and pieces of a day each take
the same part. In shorter stretches line and wave cannot be told apart."""

_WARMING_SD = (
    (0.5, 1.1), (2.0, 1.03), (5.0, 0.93), (10.0, 0.76), (18.0, 0.49), (24.0, 0.31),
    (36.0, 0.155), (48.0, 0.14), (96.0, 0.077), (1000.0, 0.008),
)  # fmt: skip
"""(hours, K/h): outdoor gas temperature's slope over a rest, one standard deviation."""

_WARMING_BESIDE_WAVE_SD = (
    (18.0, 0.355), (20.0, 0.276), (24.0, 0.192), (30.0, 0.164), (36.0, 0.154),
    (48.0, 0.13), (96.0, 0.076), (1000.0, 0.008),
)  # fmt: skip
"""The same, of the line beside a wave of a day's length."""


def barometer_sd_kpa_per_h(hours: float) -> float:
    """Standard deviation of the barometer's slope over a rest of so many hours."""
    return float(0.068 / (1.0 + hours / 6.0) ** 0.6)


def warming_sd_k_per_h(hours: float, beside_wave: bool = False) -> float:
    """Standard deviation of the gas temperature's slope over a rest, where nobody measures it; of a
    straight line's slope, or of a line's `beside_wave`, from WAVE_FROM_H hours on."""
    table = _WARMING_BESIDE_WAVE_SD if beside_wave else _WARMING_SD
    i = min(max(bisect(table, (hours,)), 1), len(table) - 1)
    (a, low), (b, high) = table[i - 1], table[i]
    part = min(max((hours - a) / (b - a), 0.0), 1.0)
    return low + part * (high - low)


class Loss(NamedTuple):
    """Loss over one rest at constant temperature and barometer, positive when falling."""

    kpa_per_h: float
    sd_kpa_per_h: float
    mean_absolute_kpa: float
    mean_c: float | None  # None: no temperature was measured
    freedom: float
    phased: bool = True  # the hour of the day may have gone into it

    @property
    def low(self) -> float:
        return self.kpa_per_h - t95(self.freedom) * self.sd_kpa_per_h

    @property
    def high(self) -> float:
        return self.kpa_per_h + t95(self.freedom) * self.sd_kpa_per_h


class Weather(Kept):
    """What the site has taught about its exposure, and the temperatures of the last hours."""

    KEPT = (
        "at_t",
        "since_t",
        "lagged",
        "minute",
        "sums",
        "scatter",
        "same_hour",
        "day_scatter",
        "rests",
        "day_rests",
    )

    def __init__(self, atmosphere_kpa: float) -> None:
        self.atmosphere_kpa = atmosphere_kpa
        self.at_t = 0.0
        self.since_t = 0.0
        self.lagged: list[float] = []  # °C, one for each lag, at at_t
        self.minute: list[float] = [0.0, 0.0]  # n and sum of temperatures since at_t
        # For each lag: xx, xy, yy, precision of the exposure, independent samples.
        self.sums: list[list[float]] = [[0.0] * 5 for _ in LAGS_H]
        self.scatter: list[float] = []  # squares of what two rests differ by, over what was allowed
        self.same_hour: list[float] = []  # the same, of rests at the same hour of the day
        self.day_scatter: list[float] = []  # the same, of rests in which the hour plays no part
        self.rests: list[list[float]] = []  # end, loss and its deviation over absolute pressure
        self.day_rests: list[list[float]] = []  # the same, of rests in which the hour plays no part

    def hear(self, t: float, temperature_c: float | None) -> None:
        """Let the lagged temperatures follow; once a minute is often enough for any lag here."""
        if temperature_c is None:
            return
        if not self.lagged or t - self.at_t > 6 * 3600.0:
            self.lagged = [temperature_c] * len(LAGS_H)
            self.at_t = self.since_t = t
            self.minute = [0.0, 0.0]
            return
        self.minute[0] += 1.0
        self.minute[1] += temperature_c
        past_s = t - self.at_t
        if past_s >= 60.0:
            mean = self.minute[1] / self.minute[0]
            self.lagged = [
                mean + (old - mean) * exp(-past_s / 3600.0 / lag)
                for old, lag in zip(self.lagged, LAGS_H, strict=True)
            ]
            self.at_t = t
            self.minute = [0.0, 0.0]

    def exposure(self) -> tuple[float, float, float] | None:
        """Share, its standard deviation and the lag in hours, once rests have taught something."""
        weights = self._weights()
        if weights is None:
            return None
        shares = [self._share(s) for s in self.sums]
        share = sum(w * s[0] for w, s in zip(weights, shares, strict=True))
        var = sum(
            w * (s[1] ** 2 + (s[0] - share) ** 2) for w, s in zip(weights, shares, strict=True)
        )
        lag = sum(w * h for w, h in zip(weights, LAGS_H, strict=True))
        return share, sqrt(var), lag

    def known(self) -> list[tuple[float, float, float, float]]:
        """For every lag: its hours, its weight, the exposure and its standard deviation."""
        weights = self._weights() or [1.0 / len(LAGS_H)] * len(LAGS_H)
        return [
            (lag, weight, *self._share(sums))
            for lag, weight, sums in zip(LAGS_H, weights, self.sums, strict=True)
        ]

    def measure(self, bins: Bins, lagged: Sequence[float], settle_s: float) -> Loss | None:
        """The loss over a stretch of rest, from what is known before it is learned from.

        `lagged` are the lagged temperatures at its start, as this object held them then; of the
        pressure, the first `settle_s` seconds are left out.
        None when there are too few readings.
        """
        stretch = _stretch(bins, self.atmosphere_kpa, settle_s)
        if stretch is None:
            return None
        hours, absolute, celsius, barometric, first = stretch
        after, absolute = hours[first:], absolute[first:]
        span_h = after[-1] - after[0]
        # What the weather left in the residuals is the same weather as the allowance: not both.
        unknown = 0.0 if barometric else barometer_sd_kpa_per_h(span_h) ** 2
        mean_absolute = sum(absolute) / len(absolute)
        if celsius is None or not lagged:
            mean_k = STANDARD_K
            wave = span_h >= WAVE_FROM_H
            ys = straight(absolute)
            plain = line_beside_wave(after, ys, DAY_H) if wave else line(after, ys)
            share = sqrt(PRIOR_SHARE**2 + PRIOR_SHARE_SD**2)
            unknown += (mean_absolute / mean_k * share * warming_sd_k_per_h(span_h, wave)) ** 2
            sd = sqrt(max(unknown, plain.slope_se**2))
            freedom = min(DOUBT + DOUBT_EACH * len(self._squares(not wave)), FREEDOM)
            return Loss(-plain.slope, sd, mean_absolute, None, freedom, phased=not wave)
        mean_c = sum(celsius[first:]) / len(after)
        weights = self._weights() or [1.0 / len(LAGS_H)] * len(LAGS_H)
        slopes, variances = [], []
        for i, lag in enumerate(LAGS_H):
            if weights[i] < 1e-3:
                slopes.append(0.0)
                variances.append(0.0)
                continue
            share, share_sd = self._share(self.sums[i])
            felt = felt_c(hours, celsius, lag, lagged[i])[first:]
            corrected, pull = at_constant_c(after, absolute, felt, share)
            fit = line(after, straight(corrected))
            slopes.append(fit.slope)
            variances.append(
                max(fit.slope_se**2, unknown)
                + (share_sd * pull) ** 2
                + (MODEL_SHARE * share * pull) ** 2
            )
        slope = sum(w * s for w, s in zip(weights, slopes, strict=True))
        var = sum(
            w * (v + (s - slope) ** 2) for w, v, s in zip(weights, variances, slopes, strict=True)
        )
        return Loss(-slope, sqrt(var), mean_absolute, mean_c, FREEDOM)

    def learn(self, bins: Bins, lagged: Sequence[float], start_t: float, settle_s: float) -> None:
        """Add what one stretch of rest teaches about exposure and lag."""
        stretch = _stretch(bins, self.atmosphere_kpa, settle_s)
        if stretch is None or not lagged or start_t - self.since_t < 3 * 3600.0:
            return
        hours, absolute, celsius, _, first = stretch
        if celsius is None:
            return
        after = hours[first:]
        span_h = after[-1] - after[0]
        if span_h < 0.5:
            return
        fade = exp(-span_h / FADE_H)
        y = _detrend(after, straight(absolute[first:]))
        mean = sum(absolute[first:]) / len(after)
        step = span_h / len(after)
        for sums, lag, start in zip(self.sums, LAGS_H, lagged, strict=True):
            felt = felt_c(hours, celsius, lag, start)[first:]
            middle = sum(felt) / len(felt) + ZERO_C_K
            x = [f * mean / middle for f in _detrend(after, felt)]
            xx = sum(a * a for a in x) * step
            xy = sum(a * b for a, b in zip(x, y, strict=True)) * step
            yy = sum(b * b for b in y) * step
            share, _ = self._share([s + n for s, n in zip(sums, (xx, xy, yy, 0, 0), strict=True)])
            left = [b - share * a for a, b in zip(x, y, strict=True)]
            total = sum(r * r for r in left) or 1e-12
            follow = sum(a * b for a, b in pairwise(left)) / total
            follow = min(max(follow, 0.0), 0.98)
            independent = max(len(x) * (1.0 - follow) / (1.0 + follow), 2.0)
            precision = (xx / step) / (total / len(x)) * independent / len(x)
            for i, new in enumerate((xx, xy, yy, TEMPER * precision, independent)):
                sums[i] = sums[i] * fade + new

    def allow_for_scatter(
        self, t: float, loss_per_absolute: float, sd_per_absolute: float, *, phased: bool
    ) -> float:
        """The factor by which this site's intervals must widen or may narrow.

        Takes a rest's end, its loss and standard deviation over absolute pressure, and whether the
        hour of the day may have gone into it. How much two rests far apart differ, beside what was
        allowed, tells how well the allowance fits this site. Rests at the same hour of the day
        share what that hour does, which their difference hides: they may only widen. The median
        over many tells it, so that one real change of loss does not widen anything.
        """
        rests = self.rests if phased else self.day_rests
        before = [r for r in rests if r[0] <= t - APART_S]
        other = next((r for r in reversed(before) if not phased or _hours_differ(r[0], t)), None)
        found = other or (before[-1] if before else None)
        squares = self._squares(phased) if other is not None else self.same_hour
        if found is not None:
            allowed = found[2] ** 2 + sd_per_absolute**2
            if allowed > 0.0:
                squares.append((loss_per_absolute - found[1]) ** 2 / allowed)
                del squares[:-64]
        rests[:] = [r for r in rests if other is None or r[0] >= other[0]][-63:]
        rests.append([t, loss_per_absolute, sd_per_absolute])
        widen = _factor(self.same_hour) if phased else None
        return max(_factor(self._squares(phased)) or 1.0, widen or 0.0)

    def _squares(self, phased: bool) -> list[float]:
        """What has tried the allowance for a line, or for a line beside a day's wave: a site's days
        may be alike where its hours are not."""
        return self.scatter if phased else self.day_scatter

    def _share(self, sums: Sequence[float]) -> tuple[float, float]:
        """Exposure and its standard deviation for one lag: what was learned, with the prior."""
        xx, xy, _, precision, _ = sums
        prior = 1.0 / PRIOR_SHARE_SD**2
        learned = xy / xx if xx > 0.0 else 0.0
        share = (precision * learned + prior * PRIOR_SHARE) / (precision + prior)
        return min(max(share, 0.0), 1.1), 1.0 / sqrt(precision + prior)

    def _weights(self) -> list[float] | None:
        """How likely each lag is, by what its best exposure leaves unexplained."""
        if self.sums[0][4] < 4.0:
            return None
        left, shares = [], []
        for sums in self.sums:
            xx, xy, yy, _, _ = sums
            share = min(max(xy / xx, 0.0), 1.1) if xx > 0.0 else 0.0
            shares.append(share)
            left.append(max(yy - 2.0 * share * xy + share * share * xx, 1e-12))
        least = min(left)
        best = left.index(least)
        independent = max(self.sums[best][4], 4.0)
        odds = [exp(-TEMPER * independent * (one / least - 1.0)) for one in left]
        total = sum(odds)
        return [one / total for one in odds]


def _hours_differ(one_t: float, other_t: float) -> bool:
    """Whether two moments are at hours of the day a quarter of it apart or more."""
    past = (one_t - other_t) % (DAY_H * 3600.0)
    return min(past, DAY_H * 3600.0 - past) >= QUARTER_S


def _factor(squares: Sequence[float]) -> float | None:
    """What standard deviations must be multiplied by, from squares of what was found over what was
    allowed; None for no squares."""
    n = len(squares)
    if n < LEAST_PAIRS:
        return None
    # As if a few more pairs had scattered just as allowed (0.455 is the median of chi-square(1)).
    middle = sorted(squares)[n // 2] / (1.5 * 0.455)
    return sqrt(min(max((n * middle + MORE_PAIRS) / (n + MORE_PAIRS), 0.2), 25.0))


def _stretch(
    bins: Bins, atmosphere_kpa: float, settle_s: float
) -> tuple[list[float], list[float], list[float] | None, bool, int] | None:
    """Hours from the first bin, absolute pressure, temperature (held over what is missing),
    whether a barometer was there throughout, and the first place after settling."""
    rows = bins.bins
    first = next((i for i, b in enumerate(rows) if b[0] >= rows[0][0] + settle_s), len(rows))
    if len(rows) - first < 5:
        return None
    start = rows[0][2] / rows[0][1]
    hours = [(b[2] / b[1] - start) / 3600.0 for b in rows]
    absolute, barometric = absolutes_kpa(rows, atmosphere_kpa)
    return hours, absolute, held_c(rows), barometric, first


def _detrend(xs: Sequence[float], ys: Sequence[float]) -> list[float]:
    fit = line(xs, ys)
    return [y - fit.at(x) for x, y in zip(xs, ys, strict=True)]
