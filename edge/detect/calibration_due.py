"""calibration_due: a channel's calibration is older than it may be."""

from collections.abc import Iterator
from datetime import UTC, date, datetime

from edge.detect.base import PLANNED, Detector, Now, Telling
from edge.settings import Settings


class CalibrationDue(Detector):
    alert = "calibration_due"
    priority = PLANNED
    prompt = False

    def __init__(self, section: str, channel: str, calibrated: date, every_s: float) -> None:
        super().__init__(section, channel)
        self._calibrated = calibrated
        self._every_s = every_s

    @classmethod
    def over(cls, settings: Settings) -> Iterator[Detector]:
        for channel in settings.channel:
            if channel.calibrated is not None:
                yield cls(
                    settings.section(channel.name),
                    channel.name,
                    channel.calibrated,
                    channel.calibrate_every_s,
                )

    def _age_s(self, now: Now) -> float:
        day = datetime.combine(self._calibrated, datetime.min.time(), UTC)
        return now.at - day.timestamp()

    def look(self, now: Now, active: bool) -> bool | None:
        return self._age_s(now) > self._every_s

    def tell(self, now: Now) -> Telling:
        words = now.words
        return Telling(
            f"The channel {self.subject} was last calibrated on {self._calibrated}, more than"
            f" {words.duration(self._every_s)} ago.",
            "Calibrate it at the next visit and note the date in the settings.",
            {"channel": self.subject, "calibrated": self._calibrated.isoformat()},
        )
