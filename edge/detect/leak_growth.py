"""leak_growth: more gas is lost than at commissioning."""

from typing import NamedTuple

from edge.cause import ADVICE, CANNOT_TELL
from edge.detect.base import SOON, Detector, Now, Telling

NEARLY = 0.85
"""A loss is as good as the limit when it is this share of it: it is measured, not known."""

STRADDLED = 0.7
"""The share of the limit that shows in a rest during which the loss grew."""

GROWING = 1.08
SLOW_GROWTH, SLOW_SURENESS = 1.12, 3.0
STEP_SURENESS = 3.5


SOON_H = 24.0
"""A run is waited for, as it tells the cause, only where the line falls to cut-in within this."""


class Told(NamedTuple):
    """The smallest losses that would be told, kPa/h at the reference pressure; None: no loss."""

    soon: float | None  # after the second rest that shows it
    slowly: float | None  # after days


def smallest_told(now: Now) -> Told | None:
    """What growth can be told with rests as sure as the last ones; None without a baseline."""
    was = now.baseline.least_loss
    if was is None or not now.trend.rests:
        return None
    limit = NEARLY * now.settings.limits.leak_growth * was
    soon = now.trend.least_told(now.baseline, STEP_SURENESS, last=2)
    slow = now.trend.least_told(now.baseline, SLOW_SURENESS)
    return Told(
        None if soon is None else max(soon, limit),
        None if slow is None else max(slow, SLOW_GROWTH * was),
    )


class LeakGrowth(Detector):
    """The last two rests near the limit, or the last days surely above the commissioned loss."""

    alert = "leak_growth"
    priority = SOON
    prompt = False
    follows = ("fast_drop", "no_cut_in", "bypass_suspected")
    KEPT = ("there",)

    def __init__(self, section: str) -> None:
        super().__init__(section)
        self.there: bool | None = None

    def look(self, now: Now, active: bool) -> bool | None:
        if any(fact.kind == "idle_measured" for fact in now.facts):
            self.there = self._judge(now, active)
        return self.there

    def _judge(self, now: Now, active: bool) -> bool | None:
        last, days = now.trend.loss(now.baseline, last=2), now.trend.loss(now.baseline)
        was = now.baseline.least_loss
        if last is None or days is None or was is None or len(now.trend.rests) < 2:
            return None
        limit = now.settings.limits.leak_growth
        if active:
            return last.value > 1.08
        # Both of the last two: the trouble may have begun within the first, and between them
        # lies a run that tells the cause.
        newest, before = (now.trend.rests[i][1] / was for i in (-1, -2))
        both = newest >= NEARLY * limit and before >= STRADDLED * limit
        # A run between the last two rests, and not one from before the trouble, tells the cause.
        # In a tight pipe, whose rests are measured day by day, that run may be weeks away.
        between = (
            not now.trend.rises
            or now.trend.rises[-1][0] > now.trend.rests[-2][0]
            or self._hours_to_run(now) > SOON_H
        )
        step = both and last.above(1.0, STEP_SURENESS)
        slow = (
            sum(r[1] / was > GROWING for r in now.trend.rests[-4:]) >= 3
            and len(now.trend.rests) >= 6
            and days.value > SLOW_GROWTH
            and days.above(1.0, SLOW_SURENESS)
        )
        return between and (step or slow)

    @staticmethod
    def _hours_to_run(now: Now) -> float:
        """Until the line is down to cut-in at the newest loss; 0 where a run is under way."""
        left_kpa = (now.supply.kpa or 0.0) - now.settings.supply.cut_in_kpa
        if now.supply.running is not False or left_kpa <= 0.0:
            return 0.0
        return left_kpa / max(now.trend.rests[-1][1], 1e-6)

    def tell(self, now: Now) -> Telling:
        cause = now.cause()
        lost = now.trend.rests[-1][1]
        was = now.baseline.least_loss or 0.0
        also = " It also built up as much faster." if cause.code == "volume_changed" else ""
        return Telling(
            f"Pressure was lost at {self._beside(now)}.{also}",
            ADVICE[cause.code] if cause.code else CANNOT_TELL,
            {
                **cause.evidence,
                "loss_kpa_per_h": round(lost, 4),
                "commissioned_kpa_per_h": round(was, 4),
            },
            cause.code,
        )

    def present(self, now: Now, raised: str) -> str:
        if not now.trend.rests or now.baseline.least_loss is None:
            return raised
        return f"In the last rest pressure was lost at {self._beside(now)}."

    @staticmethod
    def _beside(now: Now) -> str:
        """The newest loss beside the commissioned one."""
        lost, was = now.trend.rests[-1][1], now.baseline.least_loss or 0.0
        most = "the" if was == now.baseline.loss else "the at most"
        times = f", {lost / was:.1f} times" if was > 0.0 else ", against"
        return f"{now.words.rate(lost)}{times} {most} {now.words.rate(was)} at commissioning"
