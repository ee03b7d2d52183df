"""The runs of the last day: how long, how often, over how much watching."""

from edge.core.kept import Kept

DAY_S = 86400.0


class Runs(Kept):
    """Run and watching time as intervals of steady time, none older than a day."""

    KEPT = ("runs", "watched", "open_t")

    def __init__(self) -> None:
        self.runs: list[list[float]] = []  # start and end of finished runs
        self.watched: list[list[float]] = []
        self.open_t: float | None = None  # start of the run under way

    def watch(self, t: float, longest_step_s: float) -> None:
        """Count the time since the last look as watched, unless it was a gap."""
        if self.watched and t - self.watched[-1][1] <= longest_step_s:
            self.watched[-1][1] = t
        else:
            self.watched.append([t, t])
        while self.watched[0][1] < t - DAY_S:
            del self.watched[0]

    def started(self, t: float) -> None:
        self.open_t = t

    def stopped(self, t: float) -> None:
        if self.open_t is not None:
            self.runs.append([self.open_t, t])
        self.open_t = None
        while self.runs and self.runs[0][1] < t - DAY_S:
            del self.runs[0]

    def runtime_s(self, t: float) -> float:
        """Seconds of running in the day before `t`."""
        total = sum(max(b - max(a, t - DAY_S), 0.0) for a, b in self.runs)
        if self.open_t is not None:
            total += t - max(self.open_t, t - DAY_S)
        return total

    def watched_s(self, t: float) -> float:
        """Seconds of watching in the day before `t`."""
        return sum(b - max(a, t - DAY_S) for a, b in self.watched if b > t - DAY_S)

    def starts(self, t: float, within_s: float) -> int:
        """Starts in the `within_s` seconds before `t`, a day at most."""
        number = sum(1 for a, _ in self.runs if a > t - within_s)
        return number + (self.open_t is not None and self.open_t > t - within_s)

    def duty_pct(self, t: float) -> float | None:
        """Share of the watched time that the generator ran; None before an hour was watched."""
        watched = self.watched_s(t)
        return 100.0 * min(self.runtime_s(t) / watched, 1.0) if watched >= 3600.0 else None
