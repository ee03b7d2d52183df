"""slow_build: the pressure builds up slower than at commissioning."""

from edge.cause import ADVICE, CANNOT_TELL
from edge.detect.base import SOON, Detector, Now, Telling

SLOW, RECOVERED = 0.8, 0.88

LESS_MADE = 0.85
"""A leak takes from the rise what it adds to the decay and leaves their sum, production over
volume, as it was: a sum of less than this share has a reason of its own (edge.cause)."""


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

    def apart(self, now: Now, leader: str) -> bool:
        trend, was, rise = now.trend, now.baseline.least_loss, now.baseline.rise
        if leader != "leak_growth" or min(len(trend.rests), len(trend.rises)) < 2:
            return False
        if was is None or rise is None:
            return False
        # The most that the last two of each allow: one of them may be from before a change.
        most = max(r[1] for r in trend.rests[-2:]) + max(r[1] for r in trend.rises[-2:])
        return most < LESS_MADE * (was + rise)

    def tell(self, now: Now) -> Telling:
        cause = now.cause()
        rise = now.trend.rise(now.baseline)
        was = now.baseline.rise or 0.0
        if now.hanging_kpa_per_h() is not None or rise is None:
            run_s = now.t - (now.supply.since_t or now.t)
            text = (
                f"After {now.words.duration(run_s)} of running the pressure had not come to"
                f" cut-out; at commissioning it built up at {now.words.rate(was)}."
            )
        else:
            text = (
                f"The pressure built up at {now.words.rate(rise.value * was)}, not at the"
                f" {now.words.rate(was)} of commissioning."
            )
        return Telling(
            text,
            ADVICE[cause.code] if cause.code else CANNOT_TELL,
            {**cause.evidence, "commissioned_rise_kpa_per_h": round(was, 4)},
            cause.code,
        )

    def present(self, now: Now, raised: str) -> str:
        rise, was = now.trend.rise(now.baseline), now.baseline.rise or 0.0
        beside = f"at commissioning it built up at {now.words.rate(was)}"
        if now.hanging_kpa_per_h() is not None:
            run_s = now.t - (now.supply.since_t or now.t)
            so_far = f"After {now.words.duration(run_s)} of running the pressure"
            return f"{so_far} {now.stands(self.section)} and not yet at cut-out; {beside}."
        if rise is None:
            return raised
        return (
            f"In the last runs pressure built up at {now.words.rate(rise.value * was)}; {beside}."
        )
