"""What is shown of a test while it is under way, and of the last verdict for a day. Pure."""

from collections.abc import Callable, Mapping
from typing import Any, NamedTuple

from edge.hold.account import fit, flows
from edge.hold.course import HOLDING, REQUESTED, SETTLING, WAITING, Course
from edge.hold.decision import look_s
from edge.hold.holding import Holding, points
from edge.model import iso
from edge.words import Words

SHOWN_S = 86400.0
"""How long a verdict stays in the picture."""

ADVICE: Mapping[str, str] = {
    REQUESTED: "Leave every valve as it is.",
    WAITING: "The generator is running: the test begins after it has stopped and the gas settled.",
    SETTLING: "The gas is settling after the run. Leave every valve as it is.",
    HOLDING: "Leave every valve as it is until the verdict.",
}


class Found(NamedTuple):
    """What the readings said at second `t` of the test that began to hold at `start_t`."""

    start_t: float | None
    t: float
    so_far: dict[str, Any]


class Shown:
    """The test of one section, as the picture has it; its estimate is made anew only now and then."""

    def __init__(self, course: Course, words: Words, atmosphere_kpa: float) -> None:
        self.course = course
        self._words = words
        self._volume_l = course.place.volume_l
        self._atmosphere_kpa = atmosphere_kpa
        self._found: Found | None = None

    def picture(self, t: float, stamp: Callable[[float], float]) -> dict[str, Any] | None:
        """The test under way, or the last verdict for a day; None when there is neither."""
        course = self.course
        if course.running:
            return self._under_way(t, stamp)
        result = course.result
        if result is None or t - course.result_t > SHOWN_S:
            return None
        since = iso(stamp(course.result_t))
        return {**result, "state": course.stage, "since": since, "elapsed_s": result["duration_s"]}

    def _under_way(self, t: float, stamp: Callable[[float], float]) -> dict[str, Any]:
        course = self.course
        holding = course.holding
        start_t = course.requested_t if course.stage != HOLDING else holding.start_t or t
        shown: dict[str, Any] = {
            "section": course.section,
            "method": course.method["name"],
            "counts": course.method["counts"],
            "source": course.method["source"],
            "asks_alarm": bool(course.method.get("to_low_limit")),
            "state": course.stage,
            **course.given(),
            "requested": iso(stamp(course.requested_t)),
            "started": iso(stamp(start_t)) if course.stage == HOLDING else None,
            "since": iso(stamp(start_t)),
            "elapsed_s": round(t - start_t, 1),
            "duration_s": course.method["duration_s"],
            "longest_s": course.method["longest_s"],
            "advice": ADVICE[course.stage or REQUESTED],
        }
        if course.stage != HOLDING:
            return shown
        found = self._found
        if (
            found is None
            or found.start_t != holding.start_t
            or t - found.t >= max(10.0, 0.03 * (t - start_t))
        ):
            found = self._found = Found(holding.start_t, t, self._so_far(holding))
        advice = ADVICE[HOLDING]
        if holding.evident is not None and holding.standard:
            advice = (
                f"The evidence already says that the section {holding.evident}; the standard's own"
                " result needs its full time, or the gauge to pass its limit."
            )
        if holding.off_pressure:
            advice += (
                f" This is not the standard's test: begun at"
                f" {self._words.pressure(holding.first_kpa or 0.0)}, the standard says"
                f" {self._words.pressure(course.method['at_kpa'])}."
            )
        if course.method.get("to_low_limit"):
            advice += " If the low-pressure alarm operates, say so at once: that ends the test."
        wait_s = max(look_s(holding.looked) - (t - start_t), 0.0)
        return {**shown, **found.so_far, "next_look_s": round(wait_s), "advice": advice}

    def _so_far(self, holding: Holding) -> dict[str, Any]:
        loss = holding.estimate() if len(holding.bins) else None
        gauge, first = holding.gauge_kpa, holding.first_kpa
        known = gauge is not None and first is not None
        shown: dict[str, Any] = {
            "limit_kpa_per_h": round(holding.limit_kpa_per_h, 5) if first is not None else None,
            "raw_drop_kpa": round(first - gauge, 4) if known else None,  # type: ignore[operator]
            "loss_kpa_per_h": None if loss is None else round(loss.kpa_per_h, 5),
            "loss_low_kpa_per_h": None if loss is None else round(loss.low, 5),
            "loss_high_kpa_per_h": None if loss is None else round(loss.high, 5),
            "temperature_used": loss is not None and loss.temperature_used,
            "verdict_so_far": holding.evident,
            "trace": points(holding.bins),
            "fit": fit(loss),
        }
        if loss is not None and self._volume_l is not None:
            shown |= flows(loss, self._volume_l, self._atmosphere_kpa)
        return shown
