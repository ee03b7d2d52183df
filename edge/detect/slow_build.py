"""slow_build: the pressure builds up slower than at commissioning."""

from edge.cause import ADVICE, CANNOT_TELL
from edge.detect.base import SOON, Detector, Now, Telling

SLOW, RECOVERED = 0.8, 0.88
HANGING = 0.5


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
        if self._hangs(now):
            return True
        if rise is None:
            return None
        return rise.value < (RECOVERED if active else SLOW)

    def _hangs(self, now: Now) -> bool:
        """Whether the run under way rises at less than half of what it should, for long enough."""
        supply, rise = now.supply, now.baseline.rise
        if not supply.running or not supply.since_known or supply.since_t is None or not rise:
            return False
        band = now.settings.supply.cut_out_kpa - now.settings.supply.cut_in_kpa
        expected_s = band / rise * 3600.0
        run_s = now.t - supply.since_t
        risen = (supply.kpa or 0.0) - supply.since_kpa
        return run_s > 2.0 * expected_s and risen < HANGING * rise * run_s / 3600.0

    def tell(self, now: Now) -> Telling:
        cause = now.cause()
        rise = now.trend.rise(now.baseline)
        was = now.baseline.rise or 0.0
        if self._hangs(now) or rise is None:
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
