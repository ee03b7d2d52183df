"""long_run: the run under way has lasted longer than any should."""

from edge.cause import OUTRUN
from edge.detect.base import SOON, Detector, Now, Telling


class LongRun(Detector):
    alert = "long_run"
    priority = SOON
    prompt = False
    follows = ("leak_growth", "slow_build", "fast_drop")
    off_delay_s = 5.0

    def look(self, now: Now, active: bool) -> bool | None:
        supply = now.supply
        if supply.running is None or supply.since_t is None:
            return None
        # Once told it ends with the run alone: after a silence nobody knows how long it has lasted.
        late = active or now.t - supply.since_t > now.settings.limits.longest_run_s
        return supply.running and late

    def tell(self, now: Now) -> Telling:
        supply, words = now.supply, now.words
        run_s = now.t - (supply.since_t or now.t)
        kpa, limit = supply.kpa or 0.0, now.settings.limits.longest_run_s
        return Telling(
            f"The generator had been running for {words.duration_beside(run_s, limit)} without"
            f" stopping, longer than {words.duration(limit)}; the pressure was"
            f" {words.pressure(kpa)}.",
            "It loses as much as it makes, makes too little, or its pressure control has failed."
            " Look for an open drain or a leak first; close nothing without the impairment"
            " procedure.",
            {"run_s": round(run_s, 3), "pressure_kpa": kpa},
            self.plain_cause(now),
        )

    def plain_cause(self, now: Now) -> str | None:
        return OUTRUN if now.outrun() else None

    def present(self, now: Now, raised: str) -> str:
        supply = now.supply
        if not supply.running or supply.since_t is None:
            return raised
        least = "" if supply.since_known else "at least "
        return (
            f"The generator has been running for {least}"
            f"{now.words.duration(now.t - supply.since_t)} without stopping; the pressure"
            f" {now.stands(self.section)}."
        )
