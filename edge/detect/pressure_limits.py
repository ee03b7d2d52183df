"""low_pressure and high_pressure: every touch matters, so raised at once and cleared slowly."""

from collections.abc import Iterator

from edge.cause import ADVICE, OUTRUN
from edge.detect.base import URGENT, Detector, Now, Telling, place_of
from edge.model import SUPPLY
from edge.settings import Settings

DEAD_BAND_KPA = 2.0
ODD = 2.0
"""Over so many times the high limit a sensor or its scale is the likelier reason."""


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

    def _seen(self, now: Now) -> str:
        """The pressure, never looking like the limit it has passed."""
        return now.words.pressure_beside(self._kpa(now) or 0.0, self._limit_kpa)

    def _beside(self, now: Now, passed: str, back: str) -> str:
        """How the pressure stands to the limit: one word for past it, one for back from it."""
        kpa = (now.supply if self.section == SUPPLY else now.systems[self.section]).kpa
        low = kpa is not None and (kpa < self._limit_kpa) == (passed == "under")
        limit = now.words.pressure(self._limit_kpa)
        how = f"{passed} its" if low else f"{back} its"
        again = "" if low else " again"
        kind = "low" if passed == "under" else "high"
        stands = now.against(self.section, self._limit_kpa)
        return f"{place_of(self.section)} {stands}, {how} {kind} limit of {limit}{again}."


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
        kpa, cause = self._kpa(now) or 0.0, self.plain_cause(now)
        why = "" if cause is None else f" {ADVICE[cause]}"
        return Telling(
            f"{place_of(self.section)} was at {self._seen(now)}, under its low limit of"
            f" {now.words.pressure(self._limit_kpa)}.",
            "Someone must go there now: the system may be losing its gas or operating. Check the"
            f" fire alarm panel and the gauge on the riser first.{why}",
            {"pressure_kpa": kpa, "limit_kpa": round(self._limit_kpa, 4)},
            cause,
        )

    def plain_cause(self, now: Now) -> str | None:
        return OUTRUN if self.section == SUPPLY and now.outrun() else None

    def present(self, now: Now, raised: str) -> str:
        return self._beside(now, "under", "over")


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
        odd = " So much is implausible: read the gauge." if kpa > ODD * self._limit_kpa else ""
        return Telling(
            f"The supply was at {self._seen(now)}, over its high limit of"
            f" {now.words.pressure(self._limit_kpa)}.{odd}",
            "Keep clear of the line and do not rely on the relief valve: see that the generator has"
            " stopped, and have its pressure control looked at today.",
            {"pressure_kpa": kpa, "limit_kpa": round(self._limit_kpa, 4)},
        )

    def present(self, now: Now, raised: str) -> str:
        return self._beside(now, "over", "under")
