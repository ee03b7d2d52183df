"""Which of the usual causes it is, from what moved since commissioning.

With V the gas volume, F the production and L the loss, idle decay is L/V, rise while running
(F-L)/V and their sum F/V. Which of them moved, and purity with them, tells the cause; where they
do not tell one, the answer is that they cannot (common practice for the table; the arithmetic
follows from the gas law).
"""

from math import erf, sqrt
from typing import Any, NamedTuple

from edge.measure.baseline import Baseline
from edge.measure.purity import Purity
from edge.measure.trend import Ratio, Trend

NEAR_AIR_PCT = 85.0
"""Less nitrogen than this while running warm is nearly air: no membrane makes so little."""

PURITY_MOVED_PCT = 0.2
"""A one-point oxygen calibration leaves 0.1 to 0.3 %: less is no movement."""


PURITY_SD_PCT = 0.15
"""How well two purities of one cell compare (common practice, no source)."""

OUTRUN = "loss_over_production"
"""The generator runs and the pressure falls all the same."""


class Cause(NamedTuple):
    """A cause's code, or None when it cannot be told, and the figures that say so."""

    code: str | None
    evidence: dict[str, Any]


def diagnose(
    baseline: Baseline, trend: Trend, purity: Purity, hanging_kpa_per_h: float | None = None
) -> Cause:
    """The likely cause of what the last run and rest show beside the baseline.

    `hanging_kpa_per_h` is the rise so far of a run that should have ended long ago: it counts as
    the last run, though no rest has followed it that would show a leak.
    """
    loss, rise = trend.loss(baseline, last=1), trend.rise(baseline, last=1)
    nitrogen = purity.now_pct
    evidence: dict[str, Any] = {}
    warm = nitrogen is not None and baseline.nitrogen_pct is not None
    if nitrogen is not None and baseline.nitrogen_pct is not None:
        moved: float | None = nitrogen - baseline.nitrogen_pct
    else:
        moved = purity.moved_pct(baseline.start_pct)
    if moved is not None:
        evidence["nitrogen_moved_pct"] = round(moved, 2)
    if hanging_kpa_per_h is not None and baseline.rise:
        rise = Ratio(hanging_kpa_per_h / baseline.rise, 0.03)
    commissioned = baseline.least_loss
    if loss is None or rise is None or commissioned is None or not baseline.rise:
        if _near_air(nitrogen):
            return _sure("bypass_open", evidence, 9.0)
        return Cause(None, evidence)
    was = commissioned + baseline.rise
    total = (loss.value * commissioned + rise.value * baseline.rise) / was
    # What the loss changed by, as a share of the whole: a small loss may double unnoticed there.
    weight = commissioned / was
    shift = (loss.value - 1.0) * weight
    shift_sd = loss.sd * weight
    evidence |= {
        "loss_ratio": round(loss.value, 3),
        "loss_ratio_sd": round(loss.sd, 3),
        "rise_ratio": round(rise.value, 3),
        "sum_ratio": round(total, 3),
    }
    if _near_air(nitrogen):
        return _sure("bypass_open", evidence, 9.0)
    grown = loss.above(1.1, 2.5)
    growth = (loss.value - 1.1) / loss.sd
    kept = abs(shift) <= 0.06 + 2.0 * shift_sd and shift_sd < 0.05
    if grown and rise.value > 1.15:
        apart = abs(loss.value / rise.value - 1.0)
        if apart > 0.12 + 2.0 * loss.sd / rise.value:
            return Cause(None, evidence)
        return _sure("volume_changed", evidence, growth, (rise.value - 1.1) / rise.sd)
    if grown and abs(total - 1.0) <= 0.1:
        return _sure("leak", evidence, growth, (0.15 - abs(total - 1.0)) / rise.sd)
    if kept and rise.value < 0.88 and not grown:
        if moved is None or (hanging_kpa_per_h is not None and abs(moved) <= PURITY_MOVED_PCT):
            return Cause(None, evidence)
        code = "flow_restricted" if moved > PURITY_MOVED_PCT else "production_weak"
        part = abs(moved - PURITY_MOVED_PCT) / PURITY_SD_PCT
        if not warm and part < 1.0:
            return Cause(None, evidence)  # early in a run the oxygen falls too fast to be so close
        return _sure(code, evidence, part, (0.95 - rise.value) / rise.sd)
    return Cause(None, evidence)


def _sure(code: str, evidence: dict[str, Any], *margins: float) -> Cause:
    """A cause with how sure it is: from the narrowest margin, in standard deviations."""
    narrowest = min(margins)
    sure = 50.0 * (1.0 + erf(narrowest / sqrt(2.0)))
    return Cause(code, {**evidence, "sure_pct": round(min(max(sure, 50.0), 99.0))})


def _near_air(nitrogen_pct: float | None) -> bool:
    return nitrogen_pct is not None and nitrogen_pct < NEAR_AIR_PCT


ADVICE = {
    "leak": "A leak has grown: plan a leak search; bring soap, tags and spare fittings.",
    "flow_restricted": "The flow is choked: look at the needle valve, the filters and for a valve"
    " part closed.",
    "production_weak": "Compressor or membrane makes less: look at intake, belts, dryer, filters"
    " and feed pressure.",
    "bypass_open": "The three-way valve is in bypass: turn it back to nitrogen and prove it with an"
    " analyzer.",
    "volume_changed": "The gas volume shrank: a system is valved off, or a receiver is isolated or"
    " full of water.",
    "loss_over_production": "More is lost than the generator makes: look for an open drain, a broken"
    " joint or a leak first, then whether the generator delivers.",
    "control_fault": "The pressure control is mis-set or has failed.",
    "no_power": "Check power, breaker and overload, then the pressure control.",
    "pipe_open": "A pipe, drain or valve is open, or a system is operating.",
    "device_shut": "The air maintenance device is shut, blocked or its filter clogged.",
    "device_open": "The air maintenance device's fast-fill bypass is open, or its regulator has"
    " failed.",
}
"""What each cause asks of a person."""

CANNOT_TELL = "The figures do not tell the cause; bring an analyzer and a flow meter."
