"""The low-pressure alarm of a test that asks for it: its set pressure, and whether it operated. Pure."""

from collections.abc import Mapping
from math import isfinite
from typing import Any

from edge.hold.account import no_result
from edge.hold.clause import FAIL, by_alarm
from edge.hold.decision import LEAKS
from edge.model import Event
from edge.words import Words


def alarm_kpa_of(what: Mapping[str, Any]) -> tuple[float | None, str | None]:
    """The low-pressure alarm's set pressure as asked, None where none is told; or why it is none."""
    given = what.get("alarm_kpa")
    if given is None:
        return None, None
    if isinstance(given, bool) or not isinstance(given, int | float) or not isfinite(given):
        return None, f"alarm_kpa: expected a pressure, found {given!r}"
    return float(given), None


def answered(
    result: Mapping[str, Any],
    method: Mapping[str, Any],
    operated: bool,
    alarm_kpa: float | None,
    by: str,
    at: float,
    words: Words,
) -> tuple[dict[str, Any], Event]:
    """A test's result (the finished event as JSON) with what a person says of the alarm after it,
    and the event that says so."""
    alarm_kpa = result.get("alarm_kpa") if alarm_kpa is None else alarm_kpa
    whole = float(result["duration_s"]) >= float(method["duration_s"])
    code, why = by_alarm(operated, alarm_kpa, result.get("gauge_lowest_kpa"), whole)
    said: dict[str, Any] = {
        "alarm_kpa": alarm_kpa, "alarm_operated": operated, "code_result": code,
    }  # fmt: skip
    if why is not None:
        said["code_why"] = no_result(why, {**result, **said}, method, words)
    kept = {key: value for key, value in result.items() if key != "code_why"}
    leaks = result["verdict"] == LEAKS or code == FAIL
    did = "operated" if operated else "did not operate"
    result_is = f"By the clause it is a {code}" if code else f"It is {said['code_why']}"
    text = (
        f"{by} says that the low-pressure alarm {did} during the hold test"
        f" ({result['method']}). {result_is}."
    )
    numbers = {"test_at": result["at"], "method": result["method"], **said, "by": by}
    numbers["gauge_lowest_kpa"] = result.get("gauge_lowest_kpa")
    event = Event(at, "hold_test_answered", text, result["section"], numbers)
    return {**kept, **said, "leaks": leaks, "alarm_by": by}, event
