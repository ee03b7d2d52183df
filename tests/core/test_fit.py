"""Straight lines against scipy and against the theory of their errors."""

import itertools
import math

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from scipy import stats

from edge.core.fit import bend, line, line_beside_wave, t95


@settings(max_examples=200, deadline=None)
@given(
    start=st.floats(-1e3, 1e3),
    xs=st.lists(st.integers(0, 10_000), min_size=2, max_size=60, unique=True),
    seed=st.integers(0, 2**32 - 1),
)
def test_line_is_least_squares(start: float, xs: list[int], seed: int) -> None:
    """Slope, mean and value agree with scipy.stats.linregress to 1e-9 of their size."""
    at = [start + x / 7.0 for x in sorted(xs)]
    ys = list(np.random.default_rng(seed).normal(300.0, 5.0, len(at)))
    ours, theirs = line(at, ys), stats.linregress(at, ys)
    size = max(abs(theirs.slope), 1e-6)
    assert ours.slope == pytest.approx(theirs.slope, abs=1e-9 * size, rel=1e-7)
    assert ours.at(at[0]) == pytest.approx(theirs.intercept + theirs.slope * at[0], rel=1e-9)


@settings(max_examples=60, deadline=None)
@given(
    hours=st.floats(14.0, 60.0),
    slope=st.floats(-5.0, 5.0),
    size=st.floats(0.0, 10.0),
    turn=st.floats(0.0, math.tau),
    seed=st.integers(0, 2**32 - 1),
)
def test_a_wave_of_a_day_moves_no_slope(
    hours: float, slope: float, size: float, turn: float, seed: int
) -> None:
    """Beside a wave of any size and phase the slope comes out exactly, over any stretch; with noise
    it is that of numpy's least squares on line, sine and cosine together."""
    xs = [1e5 + hours * i / 80.0 for i in range(81)]
    wave = [size * math.sin(math.tau * x / 24.0 + turn) for x in xs]
    clean = [300.0 + slope * (x - xs[0]) + w for x, w in zip(xs, wave, strict=True)]
    assert line_beside_wave(xs, clean, 24.0).slope == pytest.approx(slope, abs=1e-6)
    noisy = np.array(clean) + np.random.default_rng(seed).normal(0.0, 0.3, 81)
    turns = math.tau * (np.array(xs) - xs[40]) / 24.0
    basis = np.c_[np.ones(81), np.array(xs) - xs[40], np.cos(turns), np.sin(turns)]
    theirs = np.linalg.lstsq(basis, noisy, rcond=None)[0][1]
    assert line_beside_wave(xs, list(noisy), 24.0).slope == pytest.approx(theirs, abs=1e-8)


def test_line_of_epoch_seconds() -> None:
    """Times as large as seconds since 1970 cost no accuracy."""
    ys = np.random.default_rng(1).normal(300.0, 0.1, 100)
    near, far = np.arange(100) * 10.0, 1.79e9 + np.arange(100) * 10.0
    assert line(far, ys).slope == pytest.approx(stats.linregress(near, ys).slope, rel=1e-9)


@pytest.mark.parametrize("xs", [[], [1.0], [3.0, 3.0, 3.0]])
def test_no_line(xs: list[float]) -> None:
    """Fewer than two different points make no line, and say so."""
    with pytest.raises(ValueError, match="two points"):
        line(xs, [1.0] * len(xs))


def test_two_points_tell_no_error() -> None:
    """A line through two points has a slope of unknown error."""
    assert line([0.0, 1.0], [1.0, 3.0])[2:4] == (2.0, math.inf)


def test_standard_error_is_ordinary_where_residuals_are_independent() -> None:
    """Where the residuals do not follow each other, the error is that of ordinary least squares."""
    xs = np.arange(40.0)
    ys = 0.5 * xs + np.where(np.arange(40) % 2, 1.0, -1.0)  # they alternate
    assert line(xs, ys).slope_se == pytest.approx(stats.linregress(xs, ys).stderr, rel=1e-9)


@pytest.mark.parametrize("freedom", [*range(1, 40), 60, 120, 1000, 10_000])
def test_t95(freedom: int) -> None:
    """Student's 95 % point agrees with scipy within half a per cent."""
    assert t95(float(freedom)) == pytest.approx(stats.t.ppf(0.975, freedom), rel=0.005)


def test_t95_between() -> None:
    """Between whole degrees of freedom the point falls steadily, and never below one degree's."""
    points = [t95(f / 10.0) for f in range(300)]
    assert all(a >= b for a, b in itertools.pairwise(points))
    assert points[0] == t95(1.0)


def test_slope_error_reaches_the_bound() -> None:
    """Under white noise the slopes scatter within 1.1 of the Cramér–Rao bound σ√12/(T√N), and the
    standard error says so: 0.01 psi, 600 samples, 10 min give 0.0085 psi/h."""
    rng = np.random.default_rng(11)
    hours = np.arange(600) / 3600.0
    bound = 0.01 * math.sqrt(12.0) / (600.0 / 3600.0 * math.sqrt(600.0))
    assert bound == pytest.approx(0.0085, abs=0.00005)
    fits = [line(hours, 40.0 - 0.5 * hours + rng.normal(0.0, 0.01, 600)) for _ in range(400)]
    scatter = float(np.std([f.slope for f in fits]))
    told = float(np.median([f.slope_se for f in fits]))
    assert 0.9 * bound < scatter < 1.1 * bound
    assert 0.95 * bound < told < 1.1 * bound


@pytest.mark.parametrize("follow", [0.0, 0.3, 0.6, 0.8])
def test_interval_holds_under_residuals_that_follow_each_other(follow: float) -> None:
    """Under first-order autocorrelated noise the 95 % interval holds the truth in 91 to 98 % of
    trials, where ordinary least squares would hold it in far fewer."""
    rng = np.random.default_rng(7)
    xs, held, plain = np.arange(128.0), 0, 0
    for _ in range(1000):
        shocks = rng.normal(0.0, 1.0, 228)
        noise = [0.0]
        for shock in shocks:
            noise.append(follow * noise[-1] + shock)
        ys = 0.1 * xs + noise[-128:]
        fit = line(xs, ys)
        held += abs(fit.slope - 0.1) <= t95(126.0) * fit.slope_se
        ordinary = stats.linregress(xs, ys)
        plain += abs(ordinary.slope - 0.1) <= 1.98 * ordinary.stderr
    assert 0.91 <= held / 1000 <= 0.98
    assert follow < 0.5 or plain / 1000 < 0.8


@settings(max_examples=100, deadline=None)
@given(
    at=st.floats(12.0, 48.0),
    slopes=st.tuples(st.floats(-5.0, 5.0), st.floats(-5.0, 5.0)),
    seed=st.integers(0, 1000),
)
def test_bend_is_where_the_lines_cross(at: float, slopes: tuple[float, float], seed: int) -> None:
    """The crossing of two noisy lines is found within what their noise hides, whatever they
    weigh; and exactly without noise."""
    before, after = slopes
    assume(abs(after - before) > 0.5)
    xs = [float(x) for x in range(60)]
    ys = [(before if x < at else after) * (x - at) for x in xs]
    assert bend([(x, y, 1.0) for x, y in zip(xs, ys, strict=True)]) == pytest.approx(at, abs=1e-6)
    noise = np.random.default_rng(seed).normal(0.0, 0.05, 60)
    weights = np.random.default_rng(seed).integers(1, 9, 60)
    found = bend([(x, y + e, float(w)) for x, y, e, w in zip(xs, ys, noise, weights, strict=True)])
    assert found == pytest.approx(at, abs=0.3 / abs(after - before) + 0.1)


def test_bend_needs_six_points() -> None:
    """Five points make no two lines."""
    assert bend([(float(x), 0.0, 1.0) for x in range(5)]) is None
