"""Nitrogen purity: judged only while the generator runs and has warmed up."""

from collections.abc import Callable

from edge.core.kept import Kept
from edge.model import SUPPLY, Event
from edge.words import Words

REPORT_S = 3600.0
SMOOTH_S = 60.0


class Purity(Kept):
    """Follows 100 % less oxygen through the warm part of each run."""

    KEPT = ("now_pct", "at_t", "valid", "n", "total", "since_t")

    def __init__(self, warm_up_s: float, words: Words) -> None:
        self._warm_up_s = warm_up_s
        self._words = words
        self.now_pct: float | None = None  # smoothed over a minute; the last one known
        self.at_t: float | None = None
        self.valid = False  # whether now_pct may be judged now
        self.n = 0
        self.total = 0.0
        self.since_t = 0.0

    def look(
        self,
        t: float,
        oxygen_pct: float | None,
        run_from: float | None,
        stamp: Callable[[float], float],
    ) -> Event | None:
        """`run_from` is when the run under way began, None at rest."""
        warm = run_from is not None and t - run_from >= self._warm_up_s
        if not warm or oxygen_pct is None:
            self.valid = False
            return self.finish(stamp) if run_from is None else None
        nitrogen = 100.0 - oxygen_pct
        if not self.valid or self.now_pct is None or self.at_t is None:
            self.now_pct = nitrogen
        else:
            share = min((t - self.at_t) / SMOOTH_S, 1.0)
            self.now_pct += share * (nitrogen - self.now_pct)
        if self.n == 0:
            self.since_t = t
        self.at_t, self.valid = t, True
        self.n += 1
        self.total += nitrogen
        return self.finish(stamp) if t - self.since_t >= REPORT_S else None

    def finish(self, stamp: Callable[[float], float]) -> Event | None:
        """The mean since the last report, where there was a warm minute at least."""
        n, self.n = self.n, 0
        mean, self.total = self.total / n if n else 0.0, 0.0
        if n == 0 or self.at_t is None or self.at_t - self.since_t < SMOOTH_S:
            return None
        return Event(
            stamp(self.at_t),
            "purity_measured",
            f"While running warm the nitrogen was {self._words.percent(mean)} pure.",
            SUPPLY,
            {"nitrogen_pct": round(mean, 4)},
        )
