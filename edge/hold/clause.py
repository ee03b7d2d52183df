"""What a standard's clause says of a test, by the raw gauge alone, and why it says nothing. Pure."""

from collections.abc import Mapping
from typing import Any

AT_SHARE = 0.05
"""A test begun within this share of the standard's pressure is begun at it, 2 psi at 40 psi: what
a technician sets by a dial gauge. Common practice, no source: the clauses give no tolerance."""

PASS, FAIL = "pass", "fail"

AT_PRESSURE = "begun at another pressure than the standard's"
EARLY = "stopped before its whole time"
FED = "it looks as if the section was still fed"
ALARM_UNTOLD = "nobody has said whether the low-pressure alarm operated"
ALARM_SILENT = "the gauge reached the alarm's set pressure, and the alarm did not operate"

Said = tuple[str | None, str | None]
"""The clause's result, or why there is none."""


def off_pressure(method: Mapping[str, Any], first_kpa: float | None) -> bool:
    """Whether a test (Method.plain()) begun at that gauge pressure is not the standard's."""
    at_kpa = method["at_kpa"]
    if at_kpa is None or first_kpa is None:
        return False
    return bool(abs(first_kpa - at_kpa) > AT_SHARE * at_kpa)


def by_drop(failed: bool, whole: bool) -> Said:
    """`failed`: the gauge fell by more than the clause allows; `whole`: over the whole time."""
    if failed:
        return FAIL, None
    return (PASS, None) if whole else (None, EARLY)


def by_alarm(
    operated: bool | None, alarm_kpa: float | None, lowest_kpa: float | None, whole: bool
) -> Said:
    """`operated` is what a person says of the alarm that is set to `alarm_kpa`, None before; then
    the lowest gauge reading, and whether the whole time has passed."""
    if operated is None:
        return None, ALARM_UNTOLD
    if operated:
        return FAIL, None
    if alarm_kpa is not None and lowest_kpa is not None and lowest_kpa <= alarm_kpa:
        return None, ALARM_SILENT
    return (PASS, None) if whole else (None, EARLY)
