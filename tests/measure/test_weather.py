"""Loss under real weather, and what a site teaches about its exposure.

Weather and sites as in tests/benchmarks/loss.py, a few of them; the full table is the benchmark.
"""

import math

import numpy as np
import pytest

from edge.core.bins import Bins
from edge.measure.weather import Weather, barometer_sd_kpa_per_h, warming_sd_k_per_h
from tests.benchmarks.loss import Site, held, rms, watch
from tests.hold.plant import year

SITES = (
    Site(449.0, 14.7, 0.84, 0.46, 6.0, 2000),
    Site(99.0, 2.2, 0.92, 0.79, 9.0, 400),
    Site(770.0, 6.4, 0.7, 1.5, 5.0, 6100),
)
"""Rests of some 3, 5 and 15 hours, in spring, winter and autumn."""

DAYS = 12.0


@pytest.fixture(scope="module")
def found(needs_package):
    """Every site's rests, with the air temperature measured and without."""
    needs_package("pvlib")
    weather = year()
    return [watch(site, weather, DAYS, seed) for seed, site in enumerate(SITES)]


def test_loss_is_true(found) -> None:
    """With the temperature measured each site's losses are within 3 % rms of the truth, and always
    nearer to it than without."""
    for measured, plain in found:
        assert len(measured) >= 12
        assert rms(measured) < 0.03
        assert rms(measured) < rms(plain)


def test_intervals_hold_the_truth(found) -> None:
    """The 95 % intervals hold the truth in 88 to 100 % of all rests, in each arm, and those with
    the temperature measured are much narrower."""
    for arm in (0, 1):
        rests = [rest for arms in found for rest in arms[arm]]
        assert 0.88 <= held(rests) <= 1.0
    for measured, plain in found:
        widths = [np.median([r.high - r.low for r in arm]) for arm in (measured, plain)]
        assert widths[0] < 0.5 * widths[1]


def air_c(t: float) -> float:
    return 10.0 + 6.0 * math.sin(math.tau * t / 86400.0)


def rest(
    weather: Weather, start_s: float, hours: float, share: float, lag_h: float, loss: float, rng
) -> tuple[Bins, list[float]]:
    """A made-up rest after half an hour of something else, the air heard by `weather` all the
    while; the bins, and the lagged temperatures at its start."""
    for i in range(30):
        weather.hear(start_s + 60.0 * (i - 30), air_c(start_s + 60.0 * (i - 30)))
    bins, lagged = Bins(), list(weather.lagged)
    for i in range(int(hours * 60)):
        t = start_s + 60.0 * i
        # A first-order lag of a sine is a sine again: smaller and later.
        turn, late = math.tau * t / 86400.0, math.atan(math.tau / 24.0 * lag_h)
        felt = 10.0 + 6.0 * math.cos(late) * math.sin(turn - late)
        kelvin = share * felt + (1.0 - share) * 15.0 + 273.15
        kpa = 420.0 * kelvin / 288.15 * math.exp(-loss / 420.0 * i / 60.0) - 101.325
        bins.add(t, kpa + rng.normal(0.0, 0.05), air_c(t), None)
        weather.hear(t, air_c(t))
    return bins, lagged


@pytest.mark.parametrize(("share", "lag_h"), [(0.3, 2.0), (0.7, 1.0), (1.0, 0.35)])
def test_exposure_and_lag_are_learned(share: float, lag_h: float) -> None:
    """From a fortnight of rests the share of the gas that follows the air comes out within 0.03,
    and its lag at the grid's nearest."""
    weather, rng = Weather(101.325), np.random.default_rng(5)
    for n in range(40):
        start = n * 9 * 3600.0
        bins, lagged = rest(weather, start, 8.5, share, lag_h, 4.0, rng)
        weather.learn(bins, lagged, start, 600.0)
    learned = weather.exposure()
    assert learned is not None
    assert learned[0] == pytest.approx(share, abs=0.03)
    assert learned[2] == pytest.approx(lag_h, rel=0.1)


def test_nothing_learned_is_said() -> None:
    """Before any rest there is no exposure to tell, and the interval is wide enough for any."""
    weather, rng = Weather(101.325), np.random.default_rng(5)
    assert weather.exposure() is None
    for share in (0.2, 1.0):
        bins, lagged = rest(weather, 6 * 3600.0, 5.0, share, 0.5, 2.0, rng)
        loss = weather.measure(bins, lagged, 600.0)
        assert loss is not None
        assert loss.low <= 2.0 <= loss.high


def test_the_same_hour_of_every_day_narrows_nothing() -> None:
    """Rests of one length that begin at the same hour share what that hour does: however alike
    they are, their interval stays as wide as is allowed for; at all hours, or with the day's wave
    fitted beside, likeness is evidence and narrows it; unlikeness widens it in every case."""
    for every_h, phased, spread, least, most in (
        (24.0, True, 0.1, 1.0, 1.0),
        (24.0, False, 0.1, 0.3, 0.6),
        (11.0, True, 0.1, 0.3, 0.6),
        (24.0, True, 3.0, 2.0, 4.0),
        (11.0, True, 3.0, 2.0, 4.0),
    ):
        weather, rng = Weather(101.325), np.random.default_rng(3)
        for n in range(60):
            loss = 1.0 + spread * float(rng.normal(0.0, 1.0))
            factor = weather.allow_for_scatter(n * every_h * 3600.0, loss, 1.0, phased=phased)
        assert least <= factor <= most, (every_h, phased, spread)


def test_a_barometer_narrows_the_interval() -> None:
    """Where a barometer is fitted its walk is taken out and no longer allowed for."""
    rng = np.random.default_rng(2)
    half = {}
    for fitted in (False, True):
        weather, bins = Weather(101.325), Bins()
        for i in range(360):
            air = 101.325 + 0.4 * i / 360.0  # 4 hPa in six hours
            kpa = 420.0 - 1.0 * i / 60.0 - air + rng.normal(0.0, 0.02)
            weather.hear(60.0 * i, 15.0)
            bins.add(60.0 * i, kpa, 15.0, air if fitted else None)
        loss = weather.measure(bins, list(weather.lagged), 0.0)
        assert loss is not None
        assert loss.low <= 1.0 <= loss.high
        half[fitted] = loss.high - loss.kpa_per_h
        assert abs(loss.kpa_per_h - 1.0) < (0.02 if fitted else 0.1)
    assert half[True] < 0.3 * half[False]


def test_too_little_is_not_measured() -> None:
    """Four readings past the settling make no measurement."""
    weather, bins = Weather(101.325), Bins()
    for i in range(10):
        bins.add(60.0 * i, 300.0, None, None)
    assert weather.measure(bins, [], 400.0) is None
    assert weather.measure(bins, [], 100.0) is not None
    assert weather.measure(Bins(), [], 0.0) is None


def test_allowances_fit_the_year(needs_package) -> None:
    """What is allowed for the barometer and for air that nobody measures is, within a third, what a
    straight line finds over a stretch of the real year; so too beside a wave of a day's length."""
    needs_package("pvlib")
    air, barometer = year()
    for hours in (18, 24, 36, 48):
        x = np.arange(hours + 1) - hours / 2.0
        turns = math.tau * x / 24.0
        basis = np.c_[np.ones(hours + 1), x, np.cos(turns), np.sin(turns)]
        slope = np.linalg.pinv(basis)[1]
        found = np.std(np.convolve(air, slope[::-1], "valid"))
        assert warming_sd_k_per_h(hours, beside_wave=True) == pytest.approx(float(found), rel=0.34)
    for hours in (3, 6, 12, 24, 48):
        x = np.arange(hours + 1) - hours / 2.0
        rows = np.lib.stride_tricks.sliding_window_view
        slopes = [rows(y, hours + 1) @ x / (x @ x) for y in (air, barometer)]
        assert warming_sd_k_per_h(hours) == pytest.approx(float(np.std(slopes[0])), rel=0.34)
        assert barometer_sd_kpa_per_h(hours) == pytest.approx(float(np.std(slopes[1])), rel=0.34)
