"""bypass_suspected: pressure looks perfect, but what fills the line is air."""

from edge.cause import ADVICE, NEAR_AIR_PCT
from edge.detect.base import SOON, Detector, Now, Telling

FASTER = 1.4
"""Plain air comes in far faster than what the membrane lets through."""


class BypassSuspected(Detector):
    """Near air while running warm; or runs far faster than commissioned and the loss unchanged."""

    alert = "bypass_suspected"
    priority = SOON
    on_delay_s = 60.0
    off_delay_s = 60.0
    prompt = False

    def look(self, now: Now, active: bool) -> bool | None:
        purity = now.supply.purity
        if purity.valid and purity.now_pct is not None:
            return purity.now_pct < NEAR_AIR_PCT + active * 1.0
        rise, loss = now.trend.rise(now.baseline), now.trend.loss(now.baseline, last=1)
        if rise is None or loss is None:
            return None
        if active:
            # Only a purity that may be judged, or runs as before, end the suspicion; and runs as
            # before do not where the last purity that could be judged was that of air.
            air = purity.now_pct is not None and purity.now_pct < NEAR_AIR_PCT + 1.0
            if air and not self._unwarmed(now):
                return None
            return None if rise.value > FASTER - 0.2 else False
        if now.trend.rests[-1][0] < now.trend.rises[-2][0]:
            return None  # no rest since the runs quickened: it may be the volume that shrank
        if purity.now_pct is not None and not self._unwarmed(now):
            return None
        # A volume that shrank quickens rise and decay alike; bypass quickens only the rise.
        fast = [r[1] / (now.baseline.rise or 1.0) > FASTER for r in now.trend.rises[-2:]]
        return all(fast) and loss.value + 2.0 * loss.sd < 0.85 * rise.value

    @staticmethod
    def _unwarmed(now: Now) -> bool:
        """Whether the last two runs were too short for their purity to be judged."""
        return all(
            end - start < now.settings.supply.warm_up_s for start, end in now.supply.runs.runs[-2:]
        )

    def tell(self, now: Now) -> Telling:
        purity, cause = now.supply.purity, now.cause()
        if purity.valid and purity.now_pct is not None:
            text = (
                "Running warm, the line was being filled with gas of"
                f" {now.words.percent(purity.now_pct)} nitrogen: that is nearly air."
            )
            evidence = {**cause.evidence, "nitrogen_pct": round(purity.now_pct, 3)}
        else:
            text = (
                "The pressure built up far faster than at commissioning while the loss was as it"
                " had been."
            )
            evidence = dict(cause.evidence)
        return Telling(text, ADVICE["bypass_open"], evidence, "bypass_open")

    def present(self, now: Now, raised: str) -> str:
        purity = now.supply.purity
        if purity.now_pct is None:
            return raised
        when = "Running warm, the gas" if purity.valid else "When last measured warm, the gas"
        verb = "is" if purity.valid else "was"
        return f"{when} {verb} {now.words.percent(purity.now_pct)} nitrogen. {raised}"
