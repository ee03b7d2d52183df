"""The loss over a hold test with its combined uncertainty. Pure.

The loss is the slope of the absolute pressure brought to constant temperature (the mass-point
method of containment leakage-rate tests, ANSI/ANS-56.8), by least squares weighted by the number
of readings in each mean, on a scale on which a choked leak, which goes with absolute pressure, is a
straight line: a drop of more than some percent bends, and its bend would pass for settling. Beside
the line stands an exponential for the gas that settles after a run or after a valve was moved: its
size has a prior, so it costs accuracy only while settling can still be there. Temperature counts
with the site's learned exposure and lag, or with what is likely before anything is learned.

Every contribution is a standard uncertainty of the loss, combined as JCGM 100:2008 (the GUM) has
it, with effective degrees of freedom after Welch and Satterthwaite (its annex G.4).
"""

from collections.abc import Sequence
from math import exp, sqrt
from typing import NamedTuple

from edge.core.bins import Bins
from edge.core.fit import line, t95
from edge.core.student import below, quantile
from edge.core.units import ZERO_C_K
from edge.measure.felt import absolutes_kpa, at_constant_c, felt_c, held_c, straight
from edge.measure.weather import (
    MODEL_SHARE,
    PRIOR_SHARE,
    PRIOR_SHARE_SD,
    Weather,
    barometer_sd_kpa_per_h,
    warming_sd_k_per_h,
)

SETTLE_K = 3.0
"""How far off the gas may be at the moment that disturbs it, one standard deviation (common
practice, no source; a compressor run warms the line by a few kelvin)."""

SETTLES_S = (60.0, 120.0, 180.0, 300.0, 480.0)
"""Time constants of settling that are tried, all as likely: minutes for steel pipe of a few
inches (common practice, no source)."""

GAUGE_SHARE = 0.005
"""The pressure sensor's slope error as a share of the loss, one standard deviation."""

SOLID = 30.0
"""Degrees of freedom of an allowance that is itself known within an eighth (JCGM 100, G.3)."""

TEACHES_S = 3 * 3600.0
"""A test this long holds enough of the weather's swing to tell the exposure by itself."""

ASSUMED_C = 15.56
LEAST_MEANS = 6


class Site(NamedTuple):
    """What is known about the section before its test begins; plain data.

    `sums` and `lagged` are those of `Weather` at the start (what rests have taught, and the
    temperatures behind by each lag; none before any was heard), `heard_s` how long temperatures
    had been heard by then, `settling_since_s` the seconds since the gas was last disturbed.
    """

    atmosphere_kpa: float
    sums: Sequence[Sequence[float]]
    lagged: Sequence[float]
    heard_s: float
    settling_since_s: float


class Estimate(NamedTuple):
    """Loss at constant temperature and barometer, positive when falling, and what it rests on."""

    kpa_per_h: float
    sd_kpa_per_h: float
    freedom: float
    parts: dict[str, float]  # standard uncertainties, kPa/h, by where they come from
    temperature_used: bool
    temperature_kpa_per_h: float  # fall that temperature alone made, positive when cooling
    settled_kpa: float  # fall still to come from settling at the first mean that was used
    mean_absolute_kpa: float
    mean_c: float
    skipped_s: float
    line_kpa: float  # gauge pressure that the line of the loss has at the middle of the means
    middle_s: float

    @property
    def low(self) -> float:
        return self.kpa_per_h - t95(self.freedom) * self.sd_kpa_per_h

    @property
    def high(self) -> float:
        return self.kpa_per_h + t95(self.freedom) * self.sd_kpa_per_h

    def at_least(self, tail: float) -> float:
        """The loss is under this with probability `tail` at most."""
        return self.kpa_per_h - quantile(tail, self.freedom) * self.sd_kpa_per_h

    def at_most(self, tail: float) -> float:
        return self.kpa_per_h + quantile(tail, self.freedom) * self.sd_kpa_per_h

    def probability_under(self, limit_kpa_per_h: float) -> float:
        """Conformance probability after JCGM 106:2012, 7.2: that the loss is under the limit."""
        return below((limit_kpa_per_h - self.kpa_per_h) / self.sd_kpa_per_h, self.freedom)


def skip_s(since_s: float) -> float:
    """What is left out after a disturbance `since_s` ago: a fifth of it, from 1 to 30 minutes."""
    return min(max(0.2 * since_s, 60.0), 1800.0)


def assess(bins: Bins, site: Site) -> Estimate | None:
    """The mean loss over means of readings whose times are seconds since the test's start.

    None while there are too few.
    """
    rows = bins.bins
    if len(rows) < LEAST_MEANS:
        return None
    last_s = rows[-1][2] / rows[-1][1]
    out_s = max(skip_s(last_s + site.settling_since_s) - site.settling_since_s, 0.0)
    first = next((i for i, row in enumerate(rows) if row[0] >= out_s), len(rows))
    used = rows[first:]
    if len(used) < LEAST_MEANS:
        return None
    seconds = [row[2] / row[1] for row in rows]
    hours = [s / 3600.0 for s in seconds]
    everything, barometric = absolutes_kpa(rows, site.atmosphere_kpa)
    absolute = everything[first:]
    gauge = [row[3] / row[1] for row in used]
    counts = [row[1] for row in used]
    after = hours[first:]
    mean_absolute = sum(absolute) / len(absolute)
    celsius = held_c(rows)
    temperature_used = celsius is not None and len(site.lagged) > 0
    mean_c = ASSUMED_C if celsius is None else sum(celsius[first:]) / len(used)
    scale = mean_absolute / (mean_c + ZERO_C_K)  # kPa for a kelvin of the whole gas

    white = max(_white(after, straight(absolute), counts), 1e-12)
    since_s = [s + site.settling_since_s for s in seconds[first:]]
    shapes = [_shape(after, counts, since_s, tau, white, SETTLE_K * scale) for tau in SETTLES_S]

    ways: list[tuple[float, list[float], float, float]] = []  # weight, pressure, pull, share's sd
    if temperature_used and celsius is not None:
        known = _weather(bins, site, out_s).known()
        for (lag_h, weight, share, share_sd), start_c in zip(known, site.lagged, strict=True):
            if weight >= 1e-3:
                felt = felt_c(hours, celsius, lag_h, start_c)[first:]
                constant, pull = at_constant_c(after, absolute, felt, share)
                allowed = sqrt(share_sd**2 + (MODEL_SHARE * share) ** 2)
                ways.append((weight, straight(constant), share * pull, allowed * pull))
    else:
        ways.append((1.0, straight(absolute), 0.0, 0.0))
    total = sum(way[0] for way in ways)
    best = max(ways, key=lambda way: way[0])[1]

    odds = _odds(shapes, after, best, counts, white)
    slopes = [
        (way[0] / total * odd, shape.slope(way[1]), way, shape)
        for way in ways
        for odd, shape in zip(odds, shapes, strict=True)
    ]
    # A choked leak goes with absolute pressure: from the part that was used to the whole test.
    whole = (
        sum(row[1] * p for row, p in zip(rows, everything, strict=True))
        / sum(row[1] for row in rows)
        / mean_absolute
    )
    slope = sum(w * s for w, s, _, _ in slopes)
    span_h = after[-1] - after[0]
    plain = sqrt(white / _scatter(after, counts))
    hidden = sum(w * (shape.var + (s - _mean(slopes, way)) ** 2) for w, s, way, shape in slopes)
    chosen = max(zip(odds, shapes, strict=True), key=lambda pair: pair[0])[1]
    size = chosen.size(best)
    unsettled = [size * e for e in chosen.values]
    full = max(counts) / 2.0
    kept = [i for i, n in enumerate(counts) if n >= full]
    freed = [best[i] - unsettled[i] for i in kept]
    scattered = line([after[i] for i in kept], freed).slope_se if len(kept) >= 3 else 0.0
    unseen = 0.0 if barometric else barometer_sd_kpa_per_h(span_h) ** 2
    if not temperature_used:
        likely = sqrt(PRIOR_SHARE**2 + PRIOR_SHARE_SD**2)
        unseen += (scale * likely * warming_sd_k_per_h(span_h)) ** 2
    parts = {
        "noise": plain,
        "settling": sqrt(max(hidden - plain**2, 0.0)),
        # What the weather leaves in the residuals is the same weather as the allowance: not both.
        "weather not measured": sqrt(max(scattered**2 - plain**2, unseen)),
        "exposure and lag": sqrt(
            sum(w * (way[3] ** 2 + (_mean(slopes, way) - slope) ** 2) for w, _, way, _ in slopes)
        ),
        "pressure sensor": GAUGE_SHARE * abs(slope),
    }
    var = sum(u * u for u in parts.values())
    freedoms = {"noise": max(len(used) - 3.0, 1.0)}
    bottom = sum(u**4 / freedoms.get(name, SOLID) for name, u in parts.items())
    middle_h = sum(n * t for n, t in zip(counts, after, strict=True)) / sum(counts)
    return Estimate(
        -slope * whole,
        sqrt(var) * whole,
        min(max(var**2 / bottom if bottom > 0.0 else 1e3, 8.0), 1e3),
        parts,
        temperature_used,
        -sum(way[0] / total * way[2] for way in ways),
        unsettled[0],
        mean_absolute,
        mean_c,
        after[0] * 3600.0,
        sum(n * g for n, g in zip(counts, gauge, strict=True)) / sum(counts),
        middle_h * 3600.0,
    )


def _weather(bins: Bins, site: Site, out_s: float) -> Weather:
    """What the site has taught, and what this test itself teaches once it is long enough: how far
    the pressure follows the temperature in all that a straight line leaves."""
    weather = Weather(site.atmosphere_kpa)
    weather.sums = [list(row) for row in site.sums]
    weather.since_t = -site.heard_s
    if bins.bins[-1][0] >= TEACHES_S:
        weather.learn(bins, site.lagged, 0.0, out_s)
    return weather


def _mean(slopes: Sequence[tuple[float, float, object, object]], way: object) -> float:
    """The slope of one way of correcting, over all ways of settling."""
    mine = [(w, s) for w, s, other, _ in slopes if other is way]
    total = sum(w for w, _ in mine)
    return sum(w * s for w, s in mine) / total


def _white(ts: Sequence[float], ys: Sequence[float], counts: Sequence[float]) -> float:
    """Variance of one reading's white noise, from how each mean departs from its neighbours."""
    total, number = 0.0, 0
    for i in range(1, len(ts) - 1):
        part = (ts[i] - ts[i - 1]) / (ts[i + 1] - ts[i - 1])
        bend = ys[i] - ys[i - 1] * (1.0 - part) - ys[i + 1] * part
        share = 1.0 / counts[i] + (1.0 - part) ** 2 / counts[i - 1] + part**2 / counts[i + 1]
        total += bend * bend / share
        number += 1
    return total / number if number else 0.0


def _scatter(ts: Sequence[float], counts: Sequence[float]) -> float:
    """Weighted sum of squares of the times about their mean."""
    weight = sum(counts)
    mean = sum(n * t for n, t in zip(counts, ts, strict=True)) / weight
    return sum(n * (t - mean) ** 2 for n, t in zip(counts, ts, strict=True))


class _Shape(NamedTuple):
    """A line beside one exponential of settling, as what it does to any pressures."""

    values: list[float]  # the exponential at each mean
    kernel: list[float]  # of the slope
    sizer: list[float]  # of the exponential's size
    middle: float
    var: float  # of the slope: noise and what settling hides
    ridge: float

    def slope(self, ys: Sequence[float]) -> float:
        mean = ys[0]  # takes rounding out of large pressures; the kernel sums to nothing
        return sum(k * (y - mean) for k, y in zip(self.kernel, ys, strict=True))

    def size(self, ys: Sequence[float]) -> float:
        mean = ys[0]
        return sum(k * (y - mean) for k, y in zip(self.sizer, ys, strict=True))


def _shape(
    ts: Sequence[float],
    counts: Sequence[float],
    since_s: Sequence[float],
    tau_s: float,
    white: float,
    size_sd: float,
) -> _Shape:
    """Weighted ridge regression on level, time and exponential; the level eliminated."""
    weight = sum(counts)
    middle = sum(n * t for n, t in zip(counts, ts, strict=True)) / weight
    values = [exp(-s / tau_s) for s in since_s]
    level = sum(n * e for n, e in zip(counts, values, strict=True)) / weight
    xs = [t - middle for t in ts]
    es = [e - level for e in values]
    tt = sum(n * x * x for n, x in zip(counts, xs, strict=True))
    te = sum(n * x * e for n, x, e in zip(counts, xs, es, strict=True))
    ridge = white / size_sd**2
    ee = sum(n * e * e for n, e in zip(counts, es, strict=True)) + ridge
    det = tt * ee - te * te
    kernel = [n * (ee * x - te * e) / det for n, x, e in zip(counts, xs, es, strict=True)]
    sizer = [n * (tt * e - te * x) / det for n, x, e in zip(counts, xs, es, strict=True)]
    return _Shape(values, kernel, sizer, middle, white * ee / det, ridge)


def _odds(
    shapes: Sequence[_Shape],
    ts: Sequence[float],
    ys: Sequence[float],
    counts: Sequence[float],
    white: float,
) -> list[float]:
    """How likely each time constant is, by what its fit leaves, in units of the best one's."""
    left = []
    weight = sum(counts)
    for shape in shapes:
        slope, size = shape.slope(ys), shape.size(ys)
        rest = [
            y - slope * (t - shape.middle) - size * e
            for y, t, e in zip(ys, ts, shape.values, strict=True)
        ]
        mean = sum(n * r for n, r in zip(counts, rest, strict=True)) / weight
        total = sum(n * (r - mean) ** 2 for n, r in zip(counts, rest, strict=True))
        left.append((total + shape.ridge * size**2) / white)
    least = min(left)
    unit = max(least / len(ts), 1.0)
    odds = [exp(-0.5 * (one - least) / unit) for one in left]
    total = sum(odds)
    return [odd / total for odd in odds]
