"""The loss of a hold test and its uncertainty, against closed solutions and independent libraries."""

import math

import CoolProp.CoolProp as coolprop
import numpy as np
import pytest
from fluids.safety_valve import API520_A_g
from scipy import stats

from edge.core import student
from edge.core.bins import Bins
from edge.core.units import PSI
from edge.hold.arithmetic import Site, assess
from edge.hold.decision import decide, look_s, looks, tail
from edge.hold.orifice import DISCHARGE, NITROGEN_G_MOL, NITROGEN_K, hole_mm
from edge.measure.weather import Weather

ATMOSPHERE = 101.325
LONG_AGO_S = 1e6


def site(settling_since_s: float = LONG_AGO_S, temperature_c: float | None = None) -> Site:
    weather = Weather(ATMOSPHERE)
    if temperature_c is not None:
        weather.hear(0.0, temperature_c)
    return Site(ATMOSPHERE, weather.sums, weather.lagged, 0.0, settling_since_s)


def bins_of(
    seconds: np.ndarray, kpa: np.ndarray, celsius: np.ndarray | None, barometer: float | None
) -> Bins:
    bins = Bins()
    for i, s in enumerate(seconds):
        bins.add(float(s), float(kpa[i]), None if celsius is None else float(celsius[i]), barometer)
    return bins


@pytest.mark.parametrize("freedom", [8.0, 12.0, 30.0, 200.0])
def test_students_t_for_any_confidence(freedom: float) -> None:
    """Quantiles agree with scipy within 1 % and probabilities within 0.002, from 8 degrees of freedom on."""
    for p in (0.025, 0.005, 5e-4, 1e-4):
        assert student.quantile(p, freedom) == pytest.approx(stats.t.isf(p, freedom), rel=0.01)
    for value in (-4.0, -1.0, 0.0, 0.5, 2.0, 6.0):
        assert student.below(value, freedom) == pytest.approx(
            stats.t.cdf(value, freedom), abs=0.002
        )


def test_the_slope_is_the_least_squares_line() -> None:
    """Without a temperature and with settling long past, the loss is scipy's slope of the logarithm
    of absolute pressure to 1e-9, at the mean pressure of the test."""
    rng = np.random.default_rng(5)
    seconds = np.arange(0.0, 1000.0, 10.0)
    kpa = 350.0 - 5.0 * seconds / 3600.0 + rng.normal(0.0, 0.1, len(seconds))
    found = assess(bins_of(seconds, kpa, None, ATMOSPHERE), site())
    assert found is not None
    absolute = kpa + ATMOSPHERE
    slope = stats.linregress(seconds / 3600.0, np.log(absolute)).slope * absolute.mean()
    assert found.kpa_per_h == pytest.approx(-slope, rel=1e-9)
    late = assess(bins_of(seconds, kpa, None, ATMOSPHERE), site(settling_since_s=0.0))
    assert late is not None
    assert late.skipped_s == pytest.approx(200.0)


def test_the_slope_reaches_the_bound_under_white_noise() -> None:
    """Over 400 tests of ten minutes at one reading a second the slope's variance is within 1.1 of
    the Cramér-Rao bound, σ²·12/(T² N), of physics.md §1, and the stated noise is that scatter."""
    rng = np.random.default_rng(11)
    sigma, n = 0.01 * PSI, 600
    seconds = np.arange(n, dtype=float)
    errors, stated = [], []
    for _ in range(400):
        kpa = 300.0 - 7.0 * seconds / 3600.0 + rng.normal(0.0, sigma, n)
        found = assess(bins_of(seconds, kpa, None, ATMOSPHERE), site())
        assert found is not None
        errors.append(found.kpa_per_h - 7.0)
        stated.append(found.parts["noise"])
    bound = sigma * math.sqrt(12.0) / (n / 3600.0 * math.sqrt(n))
    assert bound == pytest.approx(0.0085 * PSI, rel=0.01)
    # The sample variance of 400 is itself uncertain by 7 %.
    assert np.var(errors) <= 1.1 * bound**2 * 1.07
    assert np.median(stated) == pytest.approx(bound, rel=0.1)


@pytest.mark.parametrize("barometer", [None, ATMOSPHERE])
@pytest.mark.parametrize("minutes", [15, 30, 60])
def test_a_choked_leak_of_any_size_is_measured_without_a_bias(
    minutes: int, barometer: float | None
) -> None:
    """From 0.1 to 30 psi/h, begun long after a run and just after one whose gas cools by 2 K, the
    interval holds the true mean loss of a leak that goes with absolute pressure (its closed solution,
    an exponential) in at least nine tests of ten, and its middle is off by under 1 % on average
    beyond what noise does."""
    rng = np.random.default_rng(minutes)
    seconds = np.arange(0.0, minutes * 60.0, 2.0)
    inside, off = [], []
    for loss in (0.1, 0.3, 1.0, 3.0, 7.0, 12.0, 20.0, 30.0):
        for since, cooling in ((LONG_AGO_S, 0.0), (0.0, 5.0)):
            for _ in range(4):
                start = 52.0 * PSI + ATMOSPHERE
                left = start * np.exp(-loss * PSI / start * seconds / 3600.0)
                kpa = left + cooling * np.exp(-seconds / 180.0) - ATMOSPHERE
                kpa = kpa + rng.normal(0.0, 0.02 * PSI, len(seconds))
                found = assess(bins_of(seconds, kpa, None, barometer), site(since))
                assert found is not None
                truth = float(np.mean(loss * PSI * left / start))
                inside.append(found.low <= truth <= found.high)
                if loss >= 7.0 and not cooling:
                    off.append(found.kpa_per_h / truth - 1.0)
    assert np.mean(inside) >= 0.9
    assert abs(np.mean(off)) < 0.01


def test_settling_after_a_run_is_told_from_a_leak() -> None:
    """Gas that cools by 2 K with a time constant of 3 minutes (5 kPa) after a run leaves the loss of
    a tight section inside its interval at every look, and never makes it leak."""
    rng = np.random.default_rng(2)
    seconds = np.arange(0.0, 3600.0, 2.0)
    cooling = 5.0 * np.exp(-seconds / 180.0)
    kpa = 350.0 + cooling + rng.normal(0.0, 0.1, len(seconds))
    plain = stats.linregress(seconds[:300] / 3600.0, kpa[:300]).slope
    assert plain < -15.0  # what a line alone would call a leak
    for number in range(looks(3600.0)):
        part = seconds <= look_s(number)
        found = assess(bins_of(seconds[part], kpa[part], None, None), site(settling_since_s=0.0))
        assert found is not None
        assert found.low <= 0.0 <= found.high
        assert decide(found, PSI, tail(3600.0, final=False)) != "leaks"


def test_real_nitrogen_is_inside_the_uncertainty() -> None:
    """Real nitrogen (CoolProp) cooled from 70 °F to 40 °F at 40 psig falls 3.126 psi, 1 % more than
    an ideal gas would; the loss that this feigns is inside the interval of a tight section."""
    hours = 4.0
    seconds = np.arange(0.0, hours * 3600.0, 60.0)
    kelvin = 294.26 - 16.67 * seconds / seconds[-1]
    start = 40.0 * PSI + ATMOSPHERE
    density = coolprop.PropsSI("D", "P", start * 1000.0, "T", kelvin[0], "Nitrogen")
    real = np.array(
        [coolprop.PropsSI("P", "D", density, "T", k, "Nitrogen") / 1000.0 for k in kelvin]
    )
    assert (real[0] - real[-1]) / PSI == pytest.approx(3.126, abs=0.005)
    ideal = start * (1.0 - kelvin[-1] / kelvin[0])
    assert (real[0] - real[-1]) / ideal == pytest.approx(1.01, abs=0.003)
    weather = Weather(ATMOSPHERE)
    # A site that follows its temperature wholly and at once, and is sure of it.
    weather.sums = [[1e6, 1e6, 1e6 * (1 + (i > 0)), 1e6, 40.0] for i in range(len(weather.sums))]
    weather.lagged = [float(kelvin[0] - 273.15)] * len(weather.sums)
    known = Site(ATMOSPHERE, weather.sums, weather.lagged, 0.0, LONG_AGO_S)
    follows = Bins()
    for s, kpa, k in zip(seconds, real - ATMOSPHERE, kelvin, strict=True):
        follows.add(float(s), float(kpa), float(k - 273.15), ATMOSPHERE)
    found = assess(follows, known)
    assert found is not None
    assert found.temperature_used
    assert abs(found.kpa_per_h) < 0.05 * (real[0] - real[-1]) / hours
    assert found.low <= 0.0 <= found.high


def test_a_barometer_narrows_the_answer() -> None:
    """The same readings are surer where a barometer is fitted, and the budget says what is left."""
    rng = np.random.default_rng(8)
    seconds = np.arange(0.0, 7200.0, 10.0)
    kpa = 300.0 + rng.normal(0.0, 0.05, len(seconds))
    celsius = np.full(len(seconds), 15.0)
    without = assess(bins_of(seconds, kpa, celsius, None), site(temperature_c=15.0))
    fitted = assess(bins_of(seconds, kpa, celsius, ATMOSPHERE), site(temperature_c=15.0))
    assert without is not None
    assert fitted is not None
    assert fitted.sd_kpa_per_h < 0.5 * without.sd_kpa_per_h
    assert max(without.parts, key=without.parts.__getitem__) == "weather not measured"
    total = math.sqrt(sum(u * u for u in without.parts.values()))
    assert without.sd_kpa_per_h == pytest.approx(total, rel=1e-3)


def test_too_few_readings_say_nothing() -> None:
    """With fewer than six means after settling there is no estimate, and the decision is none."""
    seconds = np.arange(0.0, 50.0, 10.0)
    found = assess(bins_of(seconds, seconds, None, None), site())
    assert found is None
    assert decide(found, 1.0, 0.01) == "cannot tell"


def test_the_risk_of_all_looks_adds_up() -> None:
    """Whatever the length, early looks and the end together risk one in a hundred and no more."""
    for longest_s in (600.0, 7200.0, 28800.0, 86400.0, 604800.0):
        early = looks(longest_s) * tail(longest_s, final=False)
        assert early + tail(longest_s, final=True) == pytest.approx(0.01)
        assert look_s(looks(longest_s)) >= longest_s


@pytest.mark.parametrize("gauge_psi", [5.0, 20.0, 40.0, 100.0])
@pytest.mark.parametrize("flow_l_min", [0.05, 2.0, 60.0])
def test_the_equivalent_hole(gauge_psi: float, flow_l_min: float) -> None:
    """The hole's area agrees with fluids' API 520 sizing (choked and not) within 1 %."""
    absolute = gauge_psi * PSI + ATMOSPHERE
    kg_s = flow_l_min / 60.0 * 101.325 / (8.31446 * 288.71) * NITROGEN_G_MOL / 1000.0
    area = API520_A_g(
        m=kg_s, T=293.15, Z=1.0, MW=NITROGEN_G_MOL, k=NITROGEN_K, P1=absolute * 1000.0,
        P2=ATMOSPHERE * 1000.0, Kd=DISCHARGE, Kb=1.0, Kc=1.0,
    )  # fmt: skip
    found = hole_mm(flow_l_min, absolute, ATMOSPHERE, 20.0)
    assert math.pi / 4.0 * (found / 1000.0) ** 2 == pytest.approx(area, rel=0.01)


def test_no_flow_needs_no_hole() -> None:
    """Nothing lost, or nothing to lose it, is a hole of nothing."""
    assert hole_mm(0.0, 400.0, ATMOSPHERE, 20.0) == 0.0
    assert hole_mm(-1.0, 400.0, ATMOSPHERE, 20.0) == 0.0
    assert hole_mm(1.0, ATMOSPHERE, ATMOSPHERE, 20.0) == 0.0
