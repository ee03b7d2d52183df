"""storage_low: the disk that readings and events are kept on is nearly full."""

from edge.detect.base import SOON, Detector, Now, Telling

LOW_PCT, ENOUGH_PCT = 10.0, 15.0


class StorageLow(Detector):
    alert = "storage_low"
    priority = SOON
    prompt = False

    def look(self, now: Now, active: bool) -> bool | None:
        free = now.storage_free_pct
        return None if free is None else free < (ENOUGH_PCT if active else LOW_PCT)

    def tell(self, now: Now) -> Telling:
        free = now.storage_free_pct or 0.0
        return Telling(
            f"Only {now.words.percent(free)} of the monitor's disk was free.",
            "Judging and telling go on, but history may have gaps: make room or fit a larger card.",
            {"free_pct": round(free, 2)},
        )

    def present(self, now: Now, raised: str) -> str:
        if now.storage_free_pct is None:
            return raised
        return f"{now.words.percent(now.storage_free_pct)} of the monitor's disk is free."
