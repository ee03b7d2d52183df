"""The last half hour of one pressure, a reading a minute: which way it goes."""

from edge.core.kept import Kept

KEPT_S, LEAST_S = 1800.0, 600.0


class Minutes(Kept):
    """Remembers enough to tell a slow fall from standing still."""

    KEPT = ("past",)

    def __init__(self) -> None:
        self.past: list[list[float]] = []

    def add(self, t: float, kpa: float) -> None:
        if not self.past or t - self.past[-1][0] >= 60.0:
            self.past = [row for row in self.past if row[0] >= t - KEPT_S]
            self.past.append([t, kpa])

    def moved_kpa_per_h(self, t: float, kpa: float) -> float | None:
        """Mean rate up to `kpa` at `t`, over ten minutes at least."""
        if not self.past or t - self.past[0][0] < LEAST_S:
            return None
        return (kpa - self.past[0][1]) / (t - self.past[0][0]) * 3600.0

    def falling_kpa_per_h(self, t: float, kpa: float) -> float | None:
        """Mean rate of fall since the highest that is remembered, three minutes ago at least."""
        if not self.past:
            return None
        top_t, top_kpa = max(self.past, key=lambda row: row[1])
        return (top_kpa - kpa) / (t - top_t) * 3600.0 if t - top_t >= 180.0 else None
