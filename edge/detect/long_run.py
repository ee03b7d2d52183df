"""long_run: the run under way has lasted longer than any should."""

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
        supply = now.supply
        run_s = now.t - (supply.since_t or now.t)
        kpa = supply.kpa or 0.0
        return Telling(
            f"The generator has been running for {now.words.duration(run_s)} without stopping; the"
            f" pressure is {now.words.pressure(kpa)}.",
            "It loses as much as it makes, makes too little, or its pressure control has failed."
            " Look for an open drain or a leak first; close nothing without the impairment"
            " procedure.",
            {"run_s": round(run_s, 3), "pressure_kpa": kpa},
        )
