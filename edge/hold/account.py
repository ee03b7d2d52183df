"""What a hold test says of itself: its events and its plain sentences. Pure."""

from collections.abc import Mapping
from math import sqrt
from typing import Any

from edge.core.gas import flow_l_min
from edge.core.units import ZERO_C_K
from edge.hold import clause
from edge.hold.arithmetic import Estimate
from edge.hold.decision import CANNOT_TELL, HOLDS, LEAKS
from edge.hold.holding import Holding, Outcome
from edge.hold.orifice import hole_mm
from edge.measure.weather import PRIOR_SHARE, PRIOR_SHARE_SD, warming_sd_k_per_h
from edge.words import Words

TO_GET_BETTER = {
    "noise": "a longer test would tell",
    "settling": "wait until the gas has settled after a run or a valve was moved, or test longer",
    "weather not measured": "a temperature channel and a barometer, or a calm night, would tell",
    "exposure and lag": "some days of watching teach how this piping follows the weather",
    "pressure sensor": "a calibrated pressure sensor would tell",
}


def finished(holding: Holding, outcome: Outcome, words: Words) -> tuple[str, dict[str, Any]]:
    """Text and numbers of `hold_test_finished`, all but when it started and by whom."""
    terms, loss = holding.terms, outcome.estimate
    method = terms["method"]
    hours = outcome.end_s / 3600.0
    numbers: dict[str, Any] = {
        "method": method["name"],
        "verdict": outcome.verdict,
        "why": why(outcome, words),
        "raw_drop_kpa": _round(outcome.raw_drop_kpa),
        "gauge_start_kpa": _round(holding.first_kpa),
        "gauge_end_kpa": _round(holding.gauge_kpa),
        "gauge_lowest_kpa": _round(holding.least_kpa),
        "corrected_drop_kpa": None if loss is None else _round(loss.kpa_per_h * hours),
        "loss_kpa_per_h": None if loss is None else _round(loss.kpa_per_h),
        "loss_low_kpa_per_h": None if loss is None else _round(loss.low),
        "loss_high_kpa_per_h": None if loss is None else _round(loss.high),
        "limit_kpa_per_h": _round(outcome.limit_kpa_per_h),
        "confidence": confidence(outcome),
        "duration_s": round(outcome.end_s, 3),
        "temperature_used": loss is not None and loss.temperature_used,
    }
    if terms["volume_l"] is not None and loss is not None:
        numbers |= flows(loss, float(terms["volume_l"]), float(terms["atmosphere_kpa"]))
    if holding.standard:
        numbers["code_result"] = outcome.code_result
        if outcome.code_open is not None:
            numbers["code_why"] = no_result(outcome.code_open, numbers, method, words)
        if method["to_low_limit"]:
            numbers["alarm_kpa"] = terms.get("alarm_kpa")
            numbers["alarm_operated"] = terms.get("operated")
    if outcome.fed:
        numbers["still_fed"] = True
    if as_at_rest(holding, loss):
        numbers["as_at_rest"] = True
    if outcome.decided_after_s is not None:
        numbers["decided_after_s"] = round(outcome.decided_after_s, 3)
    if outcome.void is not None:
        numbers["void"] = outcome.void
    if loss is not None:
        numbers["temperature_drop_kpa"] = (
            _round(loss.temperature_kpa_per_h * hours) if loss.temperature_used else None
        )
        numbers["uncertainty_kpa_per_h"] = {name: _round(u) for name, u in loss.parts.items()}
        numbers["settling_left_out_s"] = round(loss.skipped_s, 1)
        numbers["gas_c"] = round(loss.mean_c, 2) if loss.temperature_used else None
    cautions = warnings(holding, outcome, words)
    if cautions:
        numbers["warnings"] = cautions
    return text(numbers, outcome, words), numbers


def flows(loss: Estimate, volume_l: float, atmosphere_kpa: float) -> dict[str, float]:
    """Standard flows and the equivalent hole, where the volume is known."""
    flow, low, high = (
        flow_l_min(volume_l, rate, loss.mean_c) for rate in (loss.kpa_per_h, loss.low, loss.high)
    )
    found = {
        "loss_l_min": _rounded(flow),
        "loss_low_l_min": _rounded(low),
        "loss_high_l_min": _rounded(high),
    }
    if loss.low > 0.0:  # without a loss that shows there is no hole
        hole = hole_mm(flow, loss.mean_absolute_kpa, atmosphere_kpa, loss.mean_c)
        found["hole_mm"] = round(hole, 3)
    return found


def fit(loss: Estimate | None) -> dict[str, float] | None:
    """The line to draw: gauge kPa at a second, its slopes, and from where readings were used."""
    if loss is None:
        return None
    return {
        "at_s": round(loss.middle_s, 1),
        "kpa": round(loss.line_kpa, 4),
        "kpa_per_h": round(-loss.kpa_per_h, 5),
        "low_kpa_per_h": round(-loss.high, 5),
        "high_kpa_per_h": round(-loss.low, 5),
        "from_s": round(loss.skipped_s, 1),
    }


def no_result(why: str, numbers: Mapping[str, Any], method: Mapping[str, Any], words: Words) -> str:
    """Why a clause gives no result (edge.hold.clause), in words; `numbers` of the finished test."""
    if why == clause.AT_PRESSURE:
        return (
            f"not the standard's test: begun at {words.pressure(numbers['gauge_start_kpa'])}, the"
            f" standard says {words.pressure(method['at_kpa'])}"
        )
    if why == clause.ALARM_UNTOLD:
        return "not settled until somebody says whether the low-pressure alarm operated"
    if why == clause.ALARM_SILENT:
        return (
            f"not settled: the gauge fell to {words.pressure(numbers['gauge_lowest_kpa'])}, the"
            f" alarm is set to {words.pressure(numbers['alarm_kpa'])} and did not operate: the alarm"
            " itself is in question"
        )
    if why == clause.EARLY:
        whole = words.duration(float(method["duration_s"]))
        return f"no result: {why} of {whole}"
    return f"no result: {why}"


def confidence(outcome: Outcome) -> float | None:
    """The probability, by the readings of this test, that the verdict is right; for "cannot tell",
    of the likelier of the two. After JCGM 106:2012, 7.2; never said to be more than 0.9999."""
    if outcome.void is not None or outcome.estimate is None or outcome.fed:
        return None
    under = outcome.estimate.probability_under(outcome.limit_kpa_per_h)
    if outcome.verdict == HOLDS:
        right = under
    elif outcome.verdict == LEAKS:
        right = 1.0 - under
    else:
        right = max(under, 1.0 - under)
    return round(min(right, 0.9999), 4)


def as_at_rest(holding: Holding, loss: Estimate | None) -> bool:
    """Whether the line lost what it lost in its last rest, with its devices in service: within
    both uncertainties and a tenth, at the same pressure."""
    rest = holding.terms.get("at_rest")
    if rest is None or loss is None or loss.low <= 0.0:
        return False
    scale = loss.mean_absolute_kpa / rest["absolute_kpa"]
    there, sd = rest["kpa_per_h"] * scale, rest["sd_kpa_per_h"] * scale
    apart = abs(loss.kpa_per_h - there)
    return bool(apart <= 2.0 * sqrt(loss.sd_kpa_per_h**2 + sd**2) + 0.1 * there)


def why(outcome: Outcome, words: Words) -> str:
    """One sentence that gives the reason of the verdict."""
    loss = outcome.estimate
    if outcome.void is not None:
        return f"The test does not count: {outcome.void}."
    if loss is None:
        return "There were too few readings to judge."
    if outcome.fed:
        return (
            "The gauge did not fall at all while the generator fed the line: it looks as if the"
            " section was still fed. Prove that its device is closed, by a small bleed at the gauge"
            " that does not recover, and test again."
        )
    limit = words.rate(outcome.limit_kpa_per_h)
    found = f"The loss of {words.rate(loss.kpa_per_h)} ({words.between(loss.low, loss.high)})"
    if outcome.verdict == HOLDS:
        return f"{found} is under the limit of {limit} by more than its uncertainty."
    if outcome.verdict == LEAKS:
        return f"{found} is over the limit of {limit} by more than its uncertainty."
    worst = max(loss.parts, key=lambda name: loss.parts[name])
    return (
        f"{found} cannot be told from the limit of {limit}: most of the uncertainty is"
        f" {worst}; {TO_GET_BETTER[worst]}."
    )


def text(numbers: Mapping[str, Any], outcome: Outcome, words: Words) -> str:
    """The plain sentence of the event."""
    name = f"The hold test ({numbers['method']})"
    if outcome.void is not None:
        return f"{name} is void: {outcome.void}."
    ended = {HOLDS: "the section holds", LEAKS: "the section leaks", CANNOT_TELL: "cannot tell"}
    said = f"{name} ended after {words.duration(outcome.end_s)}: {ended[outcome.verdict]}."
    if outcome.raw_drop_kpa is None:
        return f"{said} {numbers['why']}"
    way = "fell" if outcome.raw_drop_kpa >= 0.0 else "rose"
    gauge = f"the gauge alone, which {way} {words.pressure(abs(outcome.raw_drop_kpa))}"
    if numbers.get("alarm_operated"):
        said += " The low-pressure alarm operated: by the clause it is a fail."
    elif outcome.code_result is not None:
        said += f" By {gauge}, it is a {outcome.code_result}."
    elif numbers.get("code_why"):
        said += f" By {gauge}: {numbers['code_why']}."
    return f"{said} {numbers['why']}"


def warnings(holding: Holding, outcome: Outcome, words: Words) -> list[str]:
    """What a person must know before trusting the result."""
    said: list[str] = []
    loss, drop = outcome.estimate, outcome.raw_drop_kpa
    if outcome.void is not None or loss is None or drop is None:
        return said
    method = holding.terms["method"]
    hours = outcome.end_s / 3600.0
    allowed = outcome.limit_kpa_per_h * hours
    if holding.standard:
        if loss.temperature_used:
            weather = abs(loss.temperature_kpa_per_h) * hours
        else:
            likely = sqrt(PRIOR_SHARE**2 + PRIOR_SHARE_SD**2)
            scale = loss.mean_absolute_kpa / (loss.mean_c + ZERO_C_K)
            weather = 2.0 * scale * likely * warming_sd_k_per_h(hours) * hours
        if weather > abs(allowed - drop) and not holding.off_pressure:
            known = "measured" if loss.temperature_used else "not measured, but likely enough"
            said.append(
                f"Temperature alone ({known}: {words.pressure(weather)}) could make or hide the"
                " result by the gauge."
            )
    differs = {"pass": LEAKS, "fail": HOLDS}.get(outcome.code_result or "")
    if differs == outcome.verdict:
        said.append("The gauge alone and the loss freed of the weather say the opposite.")
    first, at_kpa = holding.first_kpa, method["at_kpa"]
    if holding.off_pressure and first is not None:
        said.append(
            f"Not the standard's test: begun at {words.pressure(first)}, the standard says"
            f" {words.pressure(at_kpa)}. More than {100.0 * clause.AT_SHARE:.0f} % off counts as"
            " another pressure (common practice, no source)."
        )
    if as_at_rest(holding, loss) and outcome.verdict == LEAKS:
        there = words.rate(float(holding.terms["at_rest"]["kpa_per_h"]))
        said.append(
            f"It lost what the line lost in its last rest, {there}: was the device shut? If it was,"
            " the line itself makes the whole of the usual loss."
        )
    if holding.unproved and loss.low <= 0.0 and not outcome.fed:
        said.append(
            "Nothing here shows that the device was closed: a section that is still fed stands just"
            " so. A small bleed at the gauge that does not recover proves it."
        )
    return said


def _rounded(value: float) -> float:
    return round(value, 5)


def _round(value: float | None) -> float | None:
    return None if value is None else _rounded(value)
