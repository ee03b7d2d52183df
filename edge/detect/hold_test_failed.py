"""hold_test_failed: the last hold test of a section says that it leaks."""

from collections.abc import Iterator, Mapping
from typing import Any

from edge.detect.base import SOON, Detector, Now, Telling
from edge.model import SUPPLY
from edge.settings import Settings

GROWN = 1.1
"""As edge.cause has it: a loss that is more by less than a tenth has not grown."""


class HoldTestFailed(Detector):
    """Stands until a later test of the section holds, or a person has seen it."""

    alert = "hold_test_failed"
    priority = SOON
    changes = True

    @classmethod
    def over(cls, settings: Settings) -> Iterator[Detector]:
        yield cls(SUPPLY)
        for system in settings.system:
            yield cls(system.name)

    def look(self, now: Now, active: bool) -> bool | None:
        return now.tests.failed(self.section) is not None

    def tell(self, now: Now) -> Telling:
        result = now.tests.failed(self.section) or {}
        place = "The supply line" if self.section == SUPPLY else self.section
        where = " ".join(now.tests.where())
        size = ""
        if result.get("hole_mm") is not None:
            size = (
                f" It loses {now.words.flow(result['loss_l_min'])}, as much as one hole of"
                f" {result['hole_mm']:.1f} mm."
            )
        by_gauge = " by the gauge" if result.get("verdict") != "leaks" else ""
        return Telling(
            f"{place} did not hold its pressure in a hold test{by_gauge}. {result.get('why', '')}",
            f"Bring leak detection fluid and fittings.{size} {where}".rstrip(),
            {
                name: result.get(name)
                for name in (
                    "method",
                    "started",
                    "verdict",
                    "code_result",
                    "loss_kpa_per_h",
                    "loss_low_kpa_per_h",
                    "loss_high_kpa_per_h",
                    "limit_kpa_per_h",
                )
            },
            "leak" if self._grown(now, result) else None,
        )

    def _grown(self, now: Now, result: Mapping[str, Any]) -> bool:
        """Whether the line alone surely loses more than the whole did at commissioning."""
        was, start = now.baseline.least_loss, result.get("gauge_start_kpa")
        low = result.get("loss_low_kpa_per_h")
        if self.section != SUPPLY or was is None or start is None or low is None:
            return False
        absolute = (start + result["gauge_end_kpa"]) / 2.0 + now.settings.site.atmosphere_kpa
        return bool(low * now.supply.reference_absolute_kpa / absolute > GROWN * was)
