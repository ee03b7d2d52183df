"""When what is kept: readings in batches, anything that happened at once."""

import logging
from collections.abc import Callable, Mapping
from typing import Any

from edge.errors import StoreError
from edge.model import Event, Tick
from edge.ports import Store

log = logging.getLogger(__name__)

STATE_EVERY_S = 1800.0
"""The judges' state is the largest thing put down, and catching up with half an hour of readings
takes no time; so it is seldom saved while nothing happens."""

RETRY_EVERY_S = 10.0
MOST_TICKS = 3 * 3600
MOST_EVENTS = 10_000
"""What is held in memory while the card takes nothing: three hours at a reading a second."""


class Keeper:
    """Holds ticks until a batch is due. While the store refuses, holds on, within bounds."""

    def __init__(
        self, store: Store, write_every_s: float, state: Callable[[], Mapping[str, Any]]
    ) -> None:
        self._store = store
        self._write_every_s = write_every_s
        self._state = state
        self._ticks: list[Tick] = []
        self._events: list[Event] = []
        self._wrote = self._saved = self._tried = float("-inf")
        self.trouble: str | None = None  # why nothing is being kept now
        self.lost_ticks = 0  # readings given up since the start, for want of room in memory
        self.lost_events = 0

    def keep(self, tick: Tick, events: list[Event]) -> bool:
        """Take a tick and what it made known; True when everything is in the store now."""
        self._ticks.append(tick)
        self._events += events
        happened = bool(self._events) or any(t.requests for t in self._ticks)
        if self.trouble is not None:
            due = tick.t - self._tried >= RETRY_EVERY_S
        else:
            due = happened or tick.t - self._wrote >= self._write_every_s
        return self._write(tick.t, happened) if due else False

    def flush(self, t: float, events: list[Event]) -> bool:
        """Keep everything held, and the state, now; for the end."""
        self._events += events
        return self._write(t, happened=True)

    def _write(self, t: float, happened: bool) -> bool:
        self._tried = t
        save = happened or t - self._saved >= STATE_EVERY_S
        try:
            self._store.keep(self._ticks, self._events, self._state() if save else None)
        except StoreError as error:
            if self.trouble is None:
                log.error("nothing can be kept: %s", error)
            self.trouble = str(error)
            self._hold_on()
            return False
        if self.trouble is not None:
            log.info("keeping again, %d readings that waited included", len(self._ticks))
        self.trouble = None
        self._ticks, self._events = [], []
        self._wrote = t
        if save:
            self._saved = t
        return True

    def _hold_on(self) -> None:
        self.lost_ticks += max(0, len(self._ticks) - MOST_TICKS)
        self.lost_events += max(0, len(self._events) - MOST_EVENTS)
        self._ticks = self._ticks[-MOST_TICKS:]
        self._events = self._events[-MOST_EVENTS:]
