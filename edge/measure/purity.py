"""Nitrogen purity: judged only while the generator runs and has warmed up."""

from collections.abc import Callable

from edge.core.kept import Kept
from edge.model import SUPPLY, Event
from edge.words import Words

MARKS_S = (30.0, 60.0, 120.0, 240.0, 480.0, 960.0)
"""Seconds into a run at which the oxygen is noted, so that runs too short to warm up can still be
compared with each other, though not judged."""

REPORT_S = 3600.0
SMOOTH_S = 60.0


class Purity(Kept):
    """Follows 100 % less oxygen through the warm part of each run."""

    KEPT = ("now_pct", "at_t", "valid", "n", "total", "since_t", "marks_pct", "marked_from")

    def __init__(self, warm_up_s: float, words: Words) -> None:
        self._warm_up_s = warm_up_s
        self._words = words
        self.now_pct: float | None = None  # smoothed over a minute; the last one known
        self.at_t: float | None = None
        self.valid = False  # whether now_pct may be judged now
        self.n = 0
        self.total = 0.0
        self.since_t = 0.0
        self.marked_from: float | None = None
        self.marks_pct: list[float | None] = []  # of the run under way or the last one

    def look(
        self,
        t: float,
        oxygen_pct: float | None,
        run_from: float | None,
        stamp: Callable[[float], float],
    ) -> Event | None:
        """`run_from` is when the run under way began, None at rest."""
        if run_from is not None and oxygen_pct is not None:
            self._mark(t, run_from, oxygen_pct)
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

    def _mark(self, t: float, run_from: float, oxygen_pct: float) -> None:
        run_s = t - run_from
        if run_from != self.marked_from:
            self.marked_from = run_from
            self.marks_pct = [None] * len(MARKS_S)
        for i, mark_s in enumerate(MARKS_S):
            # At the first look past the mark, and not so long past it that it means another time.
            if self.marks_pct[i] is None and mark_s <= run_s < 1.3 * mark_s:
                self.marks_pct[i] = oxygen_pct

    def moved_pct(self, start_pct: list[float | None]) -> float | None:
        """How far nitrogen has moved at the last mark of a run that `start_pct` knows too."""
        pairs = zip(self.marks_pct, start_pct, strict=False)
        known = [before - now for now, before in pairs if now is not None and before is not None]
        return known[-1] if known else None

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
