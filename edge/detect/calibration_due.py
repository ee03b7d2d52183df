"""calibration_due: a channel's calibration is older than it may be.

The newer of the settings' date and what was done here counts. A channel of which neither is known
is not judged."""

from collections.abc import Iterator
from datetime import UTC, date, datetime

from edge.detect.base import PLANNED, Detector, Now, Telling
from edge.settings import Settings


class CalibrationDue(Detector):
    alert = "calibration_due"
    priority = PLANNED
    prompt = False

    def __init__(self, section: str, channel: str, calibrated: date | None, every_s: float) -> None:
        super().__init__(section, channel)
        self._calibrated = calibrated
        self._every_s = every_s

    @classmethod
    def over(cls, settings: Settings) -> Iterator[Detector]:
        for channel in settings.channel:
            # An oxygen cell can be calibrated through here without a date in the settings.
            if channel.calibrated is not None or channel.quantity == "oxygen":
                yield cls(
                    settings.section(channel.name),
                    channel.name,
                    channel.calibrated,
                    channel.calibrate_every_s,
                )

    def _last(self, now: Now) -> float | None:
        """Seconds since 1970 of the last calibration known."""
        known = [now.cells.at(self.subject or "")]
        if self._calibrated is not None:
            day = datetime.combine(self._calibrated, datetime.min.time(), UTC)
            known.append(day.timestamp())
        done = now.work.done.get(f"{self.section}/calibration of {self.subject}")
        if done is not None:
            known.append(done["at"])
        return max((at for at in known if at is not None), default=None)

    def look(self, now: Now, active: bool) -> bool | None:
        last = self._last(now)
        return None if last is None else now.at - last > self._every_s

    def tell(self, now: Now) -> Telling:
        words = now.words
        last = datetime.fromtimestamp(self._last(now) or 0.0, UTC).date().isoformat()
        return Telling(
            f"The channel {self.subject} was last calibrated on {last}, more than"
            f" {words.duration(self._every_s)} ago.",
            "Calibrate it at the next visit: an oxygen cell on the technician's side, another"
            " channel by its date in the settings.",
            {"channel": self.subject, "calibrated": last},
        )
