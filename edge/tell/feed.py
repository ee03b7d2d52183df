"""Hands events to a broker one at a time, so that none overtakes another that was refused.

The next one goes as soon as the last was accepted, from whichever thread hears of that: a tick a
second would be far too slow a pace after a week without a line.
"""

import threading
from collections import deque
from collections.abc import Callable, Iterable

Publish = Callable[[bytes], int | None]
"""Puts a message on the wire: the packet's number, or None when the connection is gone."""


class Feed:
    """The events of one connection. `add` from one thread, `answered` from the network's."""

    def __init__(self, publish: Publish) -> None:
        self._publish = publish
        self._row: deque[tuple[int, bytes]] = deque()
        self._wire: int | None = None  # the packet without an answer yet
        self._early: dict[int, bool] = {}  # answers since the last was handed over
        self._lock = threading.Lock()  # never held while publishing, which takes locks of its own
        self._stopped = False
        self._idle = True
        self.numbers: dict[int, int] = {}  # of each packet on the wire, the event's

    def __len__(self) -> int:
        """How many were added and have no answer yet."""
        return len(self._row) + len(self.numbers)

    def resume(self) -> None:
        """Take events again, after a refusal was dealt with."""
        with self._lock:
            self._stopped, self._wire = False, None

    def add(self, events: Iterable[tuple[int, bytes]]) -> None:
        """More events, by number, after those added before. After a refusal they are let go."""
        with self._lock:
            if self._stopped:
                return
            self._row += events
            begin, self._idle = self._idle and bool(self._row), self._idle and not self._row
        if begin:
            self._push()

    def answered(self, packet: int, accepted: bool) -> None:
        """The broker's answer to any packet; after a refused event nothing more is sent."""
        with self._lock:
            if self._idle:
                return
            self._early[packet] = accepted
            go_on = self._turn()
        if go_on:
            self._push()

    def _push(self) -> None:
        go_on = True
        while go_on:
            with self._lock:
                if not self._row:
                    self._idle = True
                    return
                number, body = self._row.popleft()
                self._early.clear()
            packet = self._publish(body)
            with self._lock:
                if packet is None:
                    self._stop()
                    return
                self.numbers[packet] = number
                self._wire = packet
                go_on = self._turn()

    def _turn(self) -> bool:
        """Whether the packet on the wire is accepted and the next may go; the lock is held."""
        if self._wire is None:  # not said yet which it is
            return False
        accepted = self._early.pop(self._wire, None)
        self._early.clear()
        if accepted is None:
            return False
        self._wire = None
        if not accepted:
            self._stop()
        return accepted

    def _stop(self) -> None:
        self._stopped, self._idle = True, True
        self._row.clear()
