"""What else can be wrong with the monitor: its clock, and the page beside it."""

import os
import socket
from collections.abc import Callable
from pathlib import Path

from edge.clock import STEP_S
from edge.model import iso
from edge.ports import Clock

WRITTEN = 1_735_689_600.0
"""2025-01-01 UTC: this program did not exist before, so no clock is right that says so."""

BELIEVED_S = 86_400.0
"""A clock that stays behind what was kept for so long is right, and was ahead before."""

LOOK_EVERY_S = 10.0


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


def _address(state: Path) -> str:
    # The leading zero stands for Linux's abstract namespace: nothing is written to any disk.
    return f"\0dryhold-page:{os.path.realpath(state)}"


def attend(state: Path) -> socket.socket | None:
    """Let the daemon of that state folder see that its page is there, until the socket is closed
    or the process ends; None where another page is there already."""
    here = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM | socket.SOCK_CLOEXEC)
    try:
        here.bind(_address(state))
    except OSError:
        here.close()
        return None
    return here


class PageThere:
    """Says when a page that was there is gone; a site may have none."""

    def __init__(self, state: Path, steady: Callable[[], float]) -> None:
        self._address, self._steady = _address(state), steady
        self._looked = float("-inf")
        self._seen = self._there = False

    def troubles(self) -> dict[str, str]:
        now = self._steady()
        if now - self._looked >= LOOK_EVERY_S:
            self._looked = now
            with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM | socket.SOCK_CLOEXEC) as line:
                self._there = line.connect_ex(self._address) == 0
            self._seen = self._seen or self._there
        if self._there or not self._seen:
            return {}
        return {"page": "The status page's program has ended and has not come back."}
