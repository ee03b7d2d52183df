"""excess_runtime: over the last day the generator ran longer than it should."""

from edge.detect.base import SOON, Detector, Now, Telling

ENOUGH = 0.9
"""The share of the limit under which an alert ends."""


class ExcessRuntime(Detector):
    alert = "excess_runtime"
    priority = SOON
    follows = ("leak_growth", "slow_build", "fast_drop")
    lingers_s = 86400.0
    prompt = False

    def look(self, now: Now, active: bool) -> bool | None:
        limit = now.settings.limits.runtime_per_day_s
        return now.supply.runs.runtime_s(now.t) > (ENOUGH * limit if active else limit)

    def tell(self, now: Now) -> Telling:
        ran = now.supply.runs.runtime_s(now.t)
        limit = now.settings.limits.runtime_per_day_s
        return Telling(
            f"The generator had run for {now.words.duration_beside(ran, limit)} within 24 hours;"
            f" {now.words.duration(limit)} is the most it should.",
            "Compare the loss with the commissioned one: if it has grown, plan a leak search; if"
            " not, have compressor, filters and membrane looked at.",
            {
                "runtime_s": round(ran, 1),
                "limit_s": limit,
                "starts": now.supply.runs.starts(now.t, 86400.0),
            },
        )

    def present(self, now: Now, raised: str) -> str:
        ran = now.supply.runs.runtime_s(now.t)
        limit = now.settings.limits.runtime_per_day_s
        said = (
            f"The generator ran for {now.words.duration_beside(ran, limit)} in the last 24 hours;"
            f" {now.words.duration(limit)} is the most it should."
        )
        if ran > limit:
            return said
        return f"{said} The alert ends under {now.words.duration(ENOUGH * limit)}."
