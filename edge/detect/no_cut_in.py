"""no_cut_in: the pressure is under cut-in and the generator does not run."""

from collections.abc import Iterator

from edge.detect.base import URGENT, Detector, Now, Telling
from edge.model import SUPPLY
from edge.settings import Settings

WEATHER_KPA_PER_H = 1.5
"""What weather may add to or take from a fall over half an hour (worked out: 1 K/h)."""


class NoCutIn(Detector):
    alert = "no_cut_in"
    priority = URGENT
    off_delay_s = 5.0

    def __init__(self, settings: Settings) -> None:
        super().__init__(SUPPLY)
        self._under_kpa = settings.supply.cut_in_kpa - settings.supply.tolerance_kpa
        self._band_kpa = settings.supply.cut_out_kpa - settings.supply.cut_in_kpa
        # Without a contact a start shows only when the pressure has risen for a while.
        patience = 60.0 if settings.supply.running is not None else 300.0
        self.on_delay_s = settings.supply.start_delay_s + patience

    @classmethod
    def over(cls, settings: Settings) -> Iterator[Detector]:
        yield cls(settings)

    def look(self, now: Now, active: bool) -> bool | None:
        kpa = now.kpa
        if kpa is None:
            return None
        low = kpa < self._under_kpa + active * 0.5 * now.settings.supply.tolerance_kpa
        if now.supply.by_contact:
            return low and not now.supply.running
        if not low:
            return False
        moved = now.supply.minutes.moved_kpa_per_h(now.t, kpa)
        return None if moved is None else moved < (0.5 * self._band_kpa if active else 0.0)

    def tell(self, now: Now) -> Telling:
        kpa = now.kpa or 0.0
        cut_in = now.settings.supply.cut_in_kpa
        seen = "the generator did not run" if now.supply.by_contact else "it did not rise"
        return Telling(
            f"The pressure was {now.words.pressure_beside(kpa, cut_in)}, under the cut-in of"
            f" {now.words.pressure(cut_in)}, and {seen}.",
            "Check power, breaker and overload first, then the pressure control and the valves of"
            " the supply line.",
            {"pressure_kpa": kpa, "cut_in_kpa": round(cut_in, 4)},
            "no_power" if self._rests(now, kpa) else None,
        )

    def present(self, now: Now, raised: str) -> str:
        cut_in, supply = now.settings.supply.cut_in_kpa, now.supply
        runs = "nothing tells whether the generator runs"
        if supply.by_contact:
            runs = f"the generator {'runs' if supply.running else 'does not run'}"
        return (
            f"The pressure {now.against(self.section, cut_in)}, the cut-in is"
            f" {now.words.pressure(cut_in)}, and {runs}."
        )

    @staticmethod
    def _rests(now: Now, kpa: float) -> bool:
        """Whether it surely does not run: by the contact, or as it falls no faster than at rest."""
        if now.supply.by_contact:
            return True
        fall, loss = now.supply.minutes.falling_kpa_per_h(now.t, kpa), now.baseline.loss
        if fall is None or loss is None:
            return False
        return 0.5 * loss - WEATHER_KPA_PER_H < fall < 1.6 * loss + WEATHER_KPA_PER_H
