"""slow_build: the pressure builds up slower than at commissioning."""

from edge.cause import ADVICE, CANNOT_TELL
from edge.detect.base import SOON, Detector, Now, Telling

SLOW, RECOVERED = 0.8, 0.88


class SlowBuild(Detector):
    """The last two runs were slow, or the run under way is far behind its time."""

    alert = "slow_build"
    priority = SOON
    prompt = False
    follows = ("leak_growth", "no_cut_in")

    def look(self, now: Now, active: bool) -> bool | None:
        rise = now.trend.rise(now.baseline)
        if now.baseline.rise is None:
            return None
        if now.hanging_kpa_per_h() is not None:
            return True
        if rise is None:
            return None
        if active:
            return rise.value < RECOVERED
        # Both: the rest between them then shows whether a leak is the reason, which is
        # leak_growth's to tell.
        slow = all(r[1] < SLOW * now.baseline.rise for r in now.trend.rises[-2:])
        return slow and now.cause().code != "leak"

    def tell(self, now: Now) -> Telling:
        cause = now.cause()
        rise = now.trend.rise(now.baseline)
        was = now.baseline.rise or 0.0
        if now.hanging_kpa_per_h() is not None or rise is None:
            run_s = now.t - (now.supply.since_t or now.t)
            text = (
                f"After {now.words.duration(run_s)} of running the pressure has not come to"
                f" cut-out; at commissioning it built up at {now.words.rate(was)}."
            )
        else:
            text = (
                f"The pressure builds up at {now.words.rate(rise.value * was)}, not at the"
                f" {now.words.rate(was)} of commissioning."
            )
        return Telling(
            text,
            ADVICE[cause.code] if cause.code else CANNOT_TELL,
            {**cause.evidence, "commissioned_rise_kpa_per_h": round(was, 4)},
            cause.code,
        )
