"""What else can be wrong with the monitor: its clock, and that it does not last."""

from collections.abc import Iterable

from edge.clock import STEP_S
from edge.model import iso
from edge.ports import Clock

WRITTEN = 1_735_689_600.0
"""2025-01-01 UTC: this program did not exist before, so no clock is right that says so."""

BELIEVED_S = 86_400.0
"""A clock that stays behind what was kept for so long is right, and was ahead before."""

OFTEN = 3
WITHIN_S = 86_400.0
"""So many ends unasked within so long are no chance any more (common practice, no source)."""


class WallClock:
    """Says when the wall clock cannot be right."""

    def __init__(self, clock: Clock, newest_utc: float | None) -> None:
        """`newest_utc` is when the newest of what is kept was kept."""
        self._clock = clock
        self._least = max(WRITTEN, newest_utc or 0.0)
        self._until = clock.steady() + BELIEVED_S

    def troubles(self) -> dict[str, str]:
        now = self._clock.utc()
        if self._least == WRITTEN or self._clock.steady() < self._until:
            if now < self._least - STEP_S:
                return {
                    "clock": f"The monitor's clock shows {iso(now)}, which is before"
                    f" {iso(self._least)}, when it last kept something: what happens is in order,"
                    " but its times are wrong until the clock is set."
                }
            self._least = WRITTEN  # the clock is right now; a later step is an event
        return {}


class Restarts:
    """Says when the monitor was started again too often without having been asked to end."""

    def __init__(self, clock: Clock, starts: Iterable[float]) -> None:
        """`starts` are the seconds of UTC at which it was, this time included."""
        self._clock, self._starts = clock, tuple(starts)

    def troubles(self) -> dict[str, str]:
        since = self._clock.utc() - WITHIN_S
        times = sum(start > since for start in self._starts)
        if times < OFTEN:
            return {}
        return {
            "restarts": f"The monitor ended {times} times within a day without being asked to, and"
            " was started again: power, memory, or a fault in its program."
        }
