"""A faulty clock: steady time moved by hand, and a wall clock that is wrong, stands or jumps.

clock = FaultyClock(now)            both right
clock.wall(year_1970)               the wall clock is set; it goes on from there
clock.stands = True                 the wall clock does not move
"""


class FaultyClock:
    """A Clock (edge.ports); waiting moves it."""

    factor = 1.0

    def __init__(self, now: float, wall: float | None = None) -> None:
        self._steady = now
        self._offset = 0.0 if wall is None else wall - now
        self._stood: float | None = None

    @property
    def stands(self) -> bool:
        return self._stood is not None

    @stands.setter
    def stands(self, stands: bool) -> None:
        now = self.utc()
        self._stood = now if stands else None
        self._offset = now - self._steady

    def wall(self, utc: float) -> None:
        """Set it, as a person or time synchronisation does."""
        self._offset = utc - self._steady
        self._stood = None if self._stood is None else utc

    @property
    def now(self) -> float:
        """What the imitated converter looks at."""
        return self._steady

    def steady(self) -> float:
        return self._steady

    def utc(self) -> float:
        return self._steady + self._offset if self._stood is None else self._stood

    def sleep(self, seconds: float) -> None:
        self._steady += seconds

    def wait_until(self, steady: float) -> bool:
        self._steady = max(self._steady, steady)
        return False
