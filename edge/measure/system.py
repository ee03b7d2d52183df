"""A sprinkler system with a pressure of its own, behind its air maintenance device."""

from edge.core.kept import Kept
from edge.settings import System as Given


class System(Kept):
    """The latest of one system, and how its pressure moved over the last minutes."""

    KEPT = ("t", "kpa", "past", "recent")

    def __init__(self, given: Given) -> None:
        self.given = given
        self.t: float | None = None
        self.kpa: float | None = None
        self.past: list[list[float]] = []  # a reading each minute, of the last half hour
        self.recent: list[list[float]] = []  # one each five seconds, of the last minute

    def look(self, t: float, kpa: float | None) -> None:
        if kpa is None:
            return
        if not self.past or t - self.past[-1][0] >= 60.0:
            self.past = [row for row in self.past if row[0] >= t - 1800.0]
            self.past.append([t, kpa])
        if not self.recent or t - self.recent[-1][0] >= 5.0:
            self.recent = [row for row in self.recent if row[0] >= t - 60.0]
            self.recent.append([t, kpa])
        self.t, self.kpa = t, kpa

    def risen_kpa(self) -> float:
        """How far it has risen over about the last minute; negative when it fell."""
        return 0.0 if self.kpa is None or not self.recent else self.kpa - self.recent[0][1]

    def moved_kpa_per_h(self, t: float) -> float | None:
        """Mean rate over what is remembered, at least ten minutes of it."""
        if self.kpa is None or not self.past or t - self.past[0][0] < 600.0:
            return None
        return (self.kpa - self.past[0][1]) / (t - self.past[0][0]) * 3600.0
