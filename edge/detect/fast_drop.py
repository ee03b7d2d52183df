"""fast_drop: the pressure falls so fast that a pipe may be open or a system operating."""

from collections.abc import Iterator

from edge.cause import ADVICE
from edge.detect.base import URGENT, Detector, Now, Telling, place_of
from edge.model import SUPPLY
from edge.settings import Settings

WINDOW_S, LEAST_S = 60.0, 10.0
GAINING_KPA = 1.0
"""A system that gains so much within a minute is being filled."""


class FastDrop(Detector):
    """The fall over up to a minute, by at least three readings."""

    alert = "fast_drop"
    priority = URGENT
    off_delay_s = 120.0
    KEPT = ("past",)

    def __init__(self, section: str) -> None:
        super().__init__(section)
        self.past: list[list[float]] = []

    @classmethod
    def over(cls, settings: Settings) -> Iterator[Detector]:
        yield cls(SUPPLY)
        for system in settings.system:
            yield cls(system.name)

    def look(self, now: Now, active: bool) -> bool | None:
        place = now.supply if self.section == SUPPLY else now.systems[self.section]
        if place.kpa is None or place.t != now.t:
            return None
        past = self.past
        past.append([now.t, place.kpa])
        while past[0][0] < now.t - WINDOW_S and len(past) > 3:
            del past[0]
        if len(past) < 3 or now.t - past[0][0] < LEAST_S:
            return None
        # The second highest and the higher of the last two: one wild reading makes no fall.
        limit = now.settings.limits.fast_drop_kpa_per_h
        return self._fall_kpa() > (0.5 if active else 1.0) * limit * (now.t - past[0][0]) / 3600.0

    def _fall_kpa(self) -> float:
        past = self.past
        return min(past[0][1], past[1][1]) - max(past[-1][1], past[-2][1])

    def tell(self, now: Now) -> Telling:
        past = self.past
        span_s = past[-1][0] - past[0][0]
        fall = past[0][1] - past[-1][1]
        code = "pipe_open"
        if self.section == SUPPLY:
            # What the line loses while a system gains has gone through its device.
            gaining = [n for n, s in now.systems.items() if s.risen_kpa() > GAINING_KPA]
            code = "device_open" if gaining else code
        words = now.words
        return Telling(
            f"{place_of(self.section)} fell from {words.pressure(past[0][1])} to {words.pressure(past[-1][1])} within"
            f" {words.duration(span_s)}.",
            "Treat it as an emergency on site: " + ADVICE[code],
            {"drop_kpa": round(fall, 3), "over_s": round(span_s, 1)},
            code,
        )

    def present(self, now: Now, raised: str) -> str:
        return f"{raised} It {now.stands(self.section)}."
