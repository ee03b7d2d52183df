"""short_cycling: the generator starts too often."""

from edge.cause import ADVICE, CANNOT_TELL
from edge.detect.base import SOON, Detector, Now, Telling


class ShortCycling(Detector):
    alert = "short_cycling"
    priority = SOON
    prompt = False
    follows = ("leak_growth", "setpoint_drift")
    lingers_s = off_delay_s = 3600.0

    def look(self, now: Now, active: bool) -> bool | None:
        return now.supply.runs.starts(now.t, 3600.0) > now.settings.limits.starts_per_hour

    def tell(self, now: Now) -> Telling:
        starts = now.supply.runs.starts(now.t, 3600.0)
        cause = now.cause()
        return Telling(
            f"The generator started {starts} times within an hour, more than the"
            f" {now.settings.limits.starts_per_hour} it should.",
            ADVICE[cause.code] if cause.code else CANNOT_TELL,
            {**cause.evidence, "starts": starts},
            cause.code,
        )

    def present(self, now: Now, raised: str) -> str:
        starts = now.supply.runs.starts(now.t, 3600.0)
        return (
            f"The generator started {starts} time{'s' * (starts != 1)} in the last hour;"
            f" {now.settings.limits.starts_per_hour} is the most it should."
        )
