"""A stretch of any length in at most 128 means: enough to judge, small enough to keep."""

from itertools import pairwise

from edge.core.kept import Kept

MOST = 128


class Bins(Kept):
    """Means over time of pressure and what goes with it, their width growing with the stretch.

    Each bin is [seconds spanned so far, n, sum t, sum pressure, n temperature, sum temperature,
    n barometer, sum barometer]; times in steady seconds, pressures kPa, temperature °C.
    """

    KEPT = ("width_s", "bins")

    def __init__(self) -> None:
        self.width_s = 0.0
        self.bins: list[list[float]] = []

    def __len__(self) -> int:
        return len(self.bins)

    def clear(self) -> None:
        self.width_s = 0.0
        self.bins = []

    def add(
        self, t: float, pressure: float, temperature: float | None, barometer: float | None
    ) -> None:
        bins = self.bins
        if bins and t - bins[-1][0] < self.width_s:
            last = bins[-1]
            last[1] += 1.0
            last[2] += t
            last[3] += pressure
        else:
            if len(bins) >= MOST:
                self._halve()
                bins = self.bins
            last = [t, 1.0, t, pressure, 0.0, 0.0, 0.0, 0.0]
            bins.append(last)
        if temperature is not None:
            last[4] += 1.0
            last[5] += temperature
        if barometer is not None:
            last[6] += 1.0
            last[7] += barometer

    def _halve(self) -> None:
        span = self.bins[-1][0] - self.bins[0][0]
        self.width_s = max(self.width_s * 2.0, span / (MOST / 2))
        merged: list[list[float]] = []
        for one in self.bins:
            if merged and one[0] - merged[-1][0] < self.width_s:
                last = merged[-1]
                for i in range(1, 8):
                    last[i] += one[i]
            else:
                merged.append(one)
        self.bins = merged

    def keep_before(self, t: float) -> None:
        """Forget every bin that may hold anything after `t`, and the last one."""
        self.bins = [b for b, after in pairwise(self.bins) if after[0] <= t]

    def keep_after(self, t: float) -> None:
        """Forget every bin that began before `t`."""
        self.bins = [b for b in self.bins if b[0] >= t]
