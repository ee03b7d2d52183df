"""A sprinkler system with a pressure of its own, behind its air maintenance device."""

from edge.core.kept import Kept
from edge.measure.minutes import Minutes
from edge.settings import System as Given


class System(Kept):
    """The latest of one system, and how its pressure moved over the last minutes."""

    KEPT = ("t", "kpa", "minutes", "recent")

    def __init__(self, given: Given) -> None:
        self.given = given
        self.t: float | None = None
        self.kpa: float | None = None
        self.minutes = Minutes()
        self.recent: list[list[float]] = []  # one each five seconds, of the last minute

    def look(self, t: float, kpa: float | None) -> None:
        if kpa is None:
            return
        self.minutes.add(t, kpa)
        if not self.recent or t - self.recent[-1][0] >= 5.0:
            self.recent = [row for row in self.recent if row[0] >= t - 60.0]
            self.recent.append([t, kpa])
        self.t, self.kpa = t, kpa

    def risen_kpa(self) -> float:
        """How far it has risen over about the last minute; negative when it fell."""
        return 0.0 if self.kpa is None or not self.recent else self.kpa - self.recent[0][1]
