"""stuck_reading: a channel keeps giving the very same value while it should move."""

from collections.abc import Iterator, Mapping

from edge.detect.base import SOON, Detector, Now, Telling
from edge.settings import Settings

PATIENCE_S: Mapping[str, float] = {
    "pressure": 12 * 3600.0,
    "oxygen": 48 * 3600.0,
    "temperature": 72 * 3600.0,
    "barometer": 48 * 3600.0,
}
"""How long a living sensor may give one value to the last digit (common practice, no source)."""

RUN_S = 900.0
"""While the generator runs the supply's pressure must move well within this."""


class StuckReading(Detector):
    alert = "stuck_reading"
    priority = SOON
    prompt = False
    KEPT = ("value", "since_t", "seen_t")

    def __init__(self, section: str, channel: str, place: int, quantity: str, line: bool) -> None:
        super().__init__(section, channel)
        self._place = place
        self._patience_s = PATIENCE_S[quantity]
        self._line = line
        self.value: float | None = None
        self.since_t = 0.0
        self.seen_t = 0.0

    @classmethod
    def over(cls, settings: Settings) -> Iterator[Detector]:
        for place, channel in enumerate(settings.channel):
            if channel.quantity in PATIENCE_S:
                line = channel.name == settings.supply.pressure
                section = settings.section(channel.name)
                yield cls(section, channel.name, place, channel.quantity, line)

    def look(self, now: Now, active: bool) -> bool | None:
        value = now.values[self._place]
        if value is None:
            return None
        # What was not watched does not count as having stood still.
        if value != self.value or now.t - self.seen_t > RUN_S:
            self.value, self.since_t = value, now.t
        self.seen_t = now.t
        still_s = now.t - self.since_t
        if still_s > self._patience_s:
            return True
        supply = now.supply
        return bool(
            self._line
            and supply.by_contact
            and supply.running
            and supply.since_t is not None
            and still_s > RUN_S
            and now.t - supply.since_t > RUN_S
        )

    def tell(self, now: Now) -> Telling:
        still_s = now.t - self.since_t
        return Telling(
            f"The channel {self.subject} gave the very same reading for"
            f" {now.words.duration(still_s)}.",
            "It may be stuck: compare it with the gauge on site, then check sensor and cable.",
            {"channel": self.subject, "value": self.value, "still_s": round(still_s)},
        )

    def present(self, now: Now, raised: str) -> str:
        still = now.words.duration(now.t - self.since_t)
        return f"The channel {self.subject} has given the very same reading for {still}."
