"""low_pressure and high_pressure: every touch matters, so raised at once and cleared slowly."""

from collections.abc import Iterator

from edge.detect.base import URGENT, Detector, Now, Telling
from edge.model import SUPPLY
from edge.settings import Settings

DEAD_BAND_KPA = 2.0


class _Limit(Detector):
    priority = URGENT
    on_delay_s = 5.0  # two readings: one alone may be the wire
    off_delay_s = 300.0

    def __init__(self, section: str, limit_kpa: float) -> None:
        super().__init__(section)
        self._limit_kpa = limit_kpa

    def _kpa(self, now: Now) -> float | None:
        if self.section == SUPPLY:
            return now.kpa
        system = now.systems[self.section]
        return system.kpa if system.t == now.t else None


class LowPressure(_Limit):
    alert = "low_pressure"
    follows = ("no_cut_in", "fast_drop", "leak_growth", "slow_build", "long_run")

    @classmethod
    def over(cls, settings: Settings) -> Iterator[Detector]:
        yield cls(SUPPLY, settings.low_pressure_kpa)
        for system in settings.system:
            if system.low_pressure_kpa is not None:
                yield cls(system.name, system.low_pressure_kpa)

    def look(self, now: Now, active: bool) -> bool | None:
        kpa = self._kpa(now)
        return None if kpa is None else kpa < self._limit_kpa + active * DEAD_BAND_KPA

    def tell(self, now: Now) -> Telling:
        kpa = self._kpa(now) or 0.0
        place = "The supply" if self.section == SUPPLY else self.section
        return Telling(
            f"{place} is at {now.words.pressure(kpa)}, under the low limit of"
            f" {now.words.pressure(self._limit_kpa)}.",
            "Someone must go there now: the system may be losing its gas or operating. Check the"
            " fire alarm panel and the gauge on the riser first.",
            {"pressure_kpa": kpa, "limit_kpa": round(self._limit_kpa, 4)},
        )


class HighPressure(_Limit):
    alert = "high_pressure"
    follows = ("no_cut_out",)

    @classmethod
    def over(cls, settings: Settings) -> Iterator[Detector]:
        yield cls(SUPPLY, settings.high_pressure_kpa)

    def look(self, now: Now, active: bool) -> bool | None:
        kpa = self._kpa(now)
        return None if kpa is None else kpa > self._limit_kpa - active * DEAD_BAND_KPA

    def tell(self, now: Now) -> Telling:
        kpa = self._kpa(now) or 0.0
        return Telling(
            f"The supply is at {now.words.pressure(kpa)}, over the high limit of"
            f" {now.words.pressure(self._limit_kpa)}.",
            "Keep clear of the line and check that the generator has stopped and the relief valve"
            " works; have the pressure control looked at today.",
            {"pressure_kpa": kpa, "limit_kpa": round(self._limit_kpa, 4)},
        )
