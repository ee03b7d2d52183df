"""low_purity: running warm, the nitrogen is not pure enough."""

from collections.abc import Iterator

from edge.cause import ADVICE
from edge.detect.base import SOON, Detector, Now, Telling
from edge.model import SUPPLY
from edge.settings import Settings

DEAD_BAND_PCT = 0.1

UNTOLD = (
    "Bring a freshly calibrated analyzer. Check the three-way valve's position, the needle valve, the filters"
    " and the membrane; pressure is not affected by this alone."
)


class LowPurity(Detector):
    alert = "low_purity"
    priority = SOON
    prompt = False
    follows = ("bypass_suspected",)
    on_delay_s = 120.0  # a short dip needs nobody

    @classmethod
    def over(cls, settings: Settings) -> Iterator[Detector]:
        if settings.supply.oxygen is not None:
            yield cls(SUPPLY)

    def look(self, now: Now, active: bool) -> bool | None:
        purity = now.supply.purity
        if not purity.valid or purity.now_pct is None:
            return None
        return purity.now_pct < now.settings.supply.purity_pct + active * DEAD_BAND_PCT

    def tell(self, now: Now) -> Telling:
        cause = now.cause()
        pct = now.supply.purity.now_pct or 0.0
        least = now.settings.supply.purity_pct
        return Telling(
            f"Running warm, the nitrogen was {now.words.percent_beside(pct, least)} pure, less than"
            f" {now.words.percent(least)}.",
            ADVICE.get(cause.code or "", UNTOLD),
            {**cause.evidence, "nitrogen_pct": round(pct, 3), "limit_pct": least},
            cause.code,
        )

    def present(self, now: Now, raised: str) -> str:
        purity, least = now.supply.purity, now.settings.supply.purity_pct
        if purity.now_pct is None:
            return raised
        pct = now.words.percent_beside(purity.now_pct, least)
        wanted = f"{now.words.percent(least)} is wanted"
        if purity.valid:
            return f"Running warm, the nitrogen is {pct} pure; at least {wanted}."
        return f"When the generator last ran warm the nitrogen was {pct} pure; at least {wanted}."
