"""maintenance_device_fault: a system and its supply line do not stand together as they should."""

from collections.abc import Iterator

from edge.cause import ADVICE
from edge.detect.base import URGENT, Detector, Now, Telling
from edge.model import SUPPLY
from edge.settings import Settings


class MaintenanceDeviceFault(Detector):
    """The system falls while the line stands at pressure, or rises toward the line."""

    alert = "maintenance_device_fault"
    priority = URGENT
    prompt = False
    on_delay_s = 600.0
    off_delay_s = 600.0

    @classmethod
    def over(cls, settings: Settings) -> Iterator[Detector]:
        for system in settings.system:
            if system.regulated_kpa is not None:
                yield cls(system.name)

    def look(self, now: Now, active: bool) -> bool | None:
        return None if (code := self._code(now, active)) is None else code != ""

    def _code(self, now: Now, active: bool) -> str | None:
        system, line = now.systems[self.section], now.kpa
        regulated = system.given.regulated_kpa
        if system.kpa is None or system.t != now.t or line is None or regulated is None:
            return None
        share = 0.6 if active else 1.0
        margin = share * max(now.settings.supply.tolerance_kpa, 0.05 * regulated)
        if system.kpa < regulated - margin and line > regulated + margin:
            moved = system.minutes.moved_kpa_per_h(now.t, system.kpa)
            if active or (moved is not None and moved <= 0.0):
                return "device_shut"
        # Sun on the pipe raises a system too, but not half the way to the line.
        if line > regulated and system.kpa > regulated + max(
            margin, share * 0.5 * (line - regulated)
        ):
            return "device_open"
        return ""

    def tell(self, now: Now) -> Telling:
        system, words = now.systems[self.section], now.words
        code = self._code(now, active=True) or "device_shut"
        kpa, regulated = system.kpa or 0.0, system.given.regulated_kpa or 0.0
        line = now.kpa or 0.0
        verb = "fell" if code == "device_shut" else "rose"
        return Telling(
            f"{self.section} {verb}: it was at {words.pressure_beside(kpa, regulated)}, not at its"
            f" regulated {words.pressure(regulated)}, while the supply line stood at"
            f" {words.pressure(line)}.",
            ADVICE[code],
            {"pressure_kpa": kpa, "regulated_kpa": round(regulated, 4), "line_kpa": line},
            code,
        )

    def present(self, now: Now, raised: str) -> str:
        regulated = now.systems[self.section].given.regulated_kpa or 0.0
        return (
            f"{self.section} {now.against(self.section, regulated)}; its regulated pressure is"
            f" {now.words.pressure(regulated)}, and the supply line {now.stands(SUPPLY)}."
        )
