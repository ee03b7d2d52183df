"""Clocks: the machine's own, one that runs faster than life for the demo, one moved by hand.

Steady time goes on where the last run of the daemon left it, so that the order of everything
kept survives a restart on a machine that boots in the wrong year. `Offset` ties it to UTC.
"""

import threading
import time
from collections.abc import Callable

STEP_S = 2.0
"""A wall clock further off than this was set; less is its own running."""

AFTER_S = 0.001

AWAY_S = 86_400.0
"""Steady time goes on at most this far after the last second kept, whatever the wall clock says at
the start: one that is years ahead must not make everything kept look old."""


def _resumed(now: float, last: float | None) -> float:
    return now if last is None else min(max(now, last + AFTER_S), last + AWAY_S)


def _boot_s() -> float:
    """Seconds that go on through suspend; kept at UTC's pace by time synchronisation."""
    return time.clock_gettime(time.CLOCK_BOOTTIME)


class SystemClock:
    """Real time. `last` is the newest steady second kept before, None on the first start."""

    factor = 1.0

    def __init__(
        self,
        last: float | None = None,
        stop: threading.Event | None = None,
        boot: Callable[[], float] = _boot_s,
        wall: Callable[[], float] = time.time,
    ) -> None:
        self._boot, self._wall = boot, wall
        self._stop = threading.Event() if stop is None else stop
        now = wall()
        self._from_boot = boot()
        self._from = _resumed(now, last)

    def steady(self) -> float:
        return self._from + (self._boot() - self._from_boot)

    def utc(self) -> float:
        return self._wall()

    def wait_until(self, steady: float) -> bool:
        return self._stop.wait(max(0.0, steady - self.steady()))


class FastClock:
    """Time that runs `factor` times faster than life, from now or from the newest second kept."""

    def __init__(
        self,
        factor: float,
        last: float | None = None,
        stop: threading.Event | None = None,
        boot: Callable[[], float] = _boot_s,
        wall: Callable[[], float] = time.time,
    ) -> None:
        self.factor = factor
        self._boot = boot
        self._stop = threading.Event() if stop is None else stop
        now = wall()
        self._from_boot = boot()
        self._from = _resumed(now, last)
        self._seen = self._from

    def steady(self) -> float:
        self._seen = self._from + (self._boot() - self._from_boot) * self.factor
        return self._seen

    def utc(self) -> float:
        """As of the last look at `steady`: nobody sets this clock, and between two looks of a
        busy machine many of its seconds may pass, which would seem a step."""
        return self._seen

    def wait_until(self, steady: float) -> bool:
        return self._stop.wait(max(0.0, (steady - self.steady()) / self.factor))


class ManualClock:
    """Time that stands still until it is waited for or moved; `stop_at` ends the waiting."""

    factor = 1.0

    def __init__(self, now: float, stop_at: float | None = None) -> None:
        self._steady = now
        self._offset = 0.0
        self._stop_at = stop_at

    def steady(self) -> float:
        return self._steady

    def utc(self) -> float:
        return self._steady + self._offset

    def set_wall(self, utc: float) -> None:
        """Set the wall clock, as time synchronisation does."""
        self._offset = utc - self._steady

    def wait_until(self, steady: float) -> bool:
        self._steady = max(self._steady, steady)
        return self._stop_at is not None and self._steady >= self._stop_at


class Offset:
    """What to add to steady time for UTC. Only a step of the wall clock changes it."""

    def __init__(self, steady: float, utc: float) -> None:
        self.seconds = _to_ms(utc - steady)

    def look(self, steady: float, utc: float) -> float | None:
        """The step in seconds when the wall clock was set since the last look, else None."""
        found = utc - steady
        step = found - self.seconds
        if abs(step) <= STEP_S:
            return None
        self.seconds = _to_ms(found)
        return step


def _to_ms(seconds: float) -> float:
    return round(seconds * 1000.0) / 1000.0
