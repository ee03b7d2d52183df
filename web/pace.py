"""How fast codes may be tried. Pure: steady seconds come with each question.

From one place, the first few tries are free, then each waits twice as long as the one before.
Over all places that nobody ever signed in from, tries are spaced once there were many. So that a
flood from strangers cannot lock the owner out, a device that has signed in before and the box
itself have a count of their own (OWASP's "device cookies", from memory).
"""

from collections import OrderedDict, deque
from math import ceil

FREE = 4
FIRST_S, LONGEST_S = 2.0, 300.0
FORGET_S = 3600.0
MOST_PLACES = 2000

STRANGERS, STRANGERS_S = 20, 600.0
"""So many tries of strangers within so many seconds are a flood."""
SPACED_S = 15.0


class Pace:
    """Counts tries by place; each try counts as failed until it has succeeded."""

    def __init__(self) -> None:
        # place: tries since the last success, and when the last one was
        self._tried: OrderedDict[str, tuple[int, float]] = OrderedDict()
        self._strangers: deque[float] = deque(maxlen=STRANGERS)

    def wait_s(self, place: str, t: float, known: bool) -> int:
        """Whole seconds until a try from there is allowed; 0: now, and it is counted.

        `known`: the place has signed in before, or is the box itself.
        """
        tries, last = self._tried.get(place, (0, t))
        if t - last > FORGET_S:
            tries = 0
        wait = 0.0
        if tries >= FREE:
            wait = last + min(FIRST_S * 2.0 ** min(tries - FREE, 16), LONGEST_S) - t
        if not known and len(self._strangers) == STRANGERS:
            newest, oldest = self._strangers[-1], self._strangers[0]
            if t - oldest < STRANGERS_S:
                wait = max(wait, newest + SPACED_S - t)
        if wait > 0.0:
            return ceil(wait)
        self._tried[place] = (tries + 1, t)
        self._tried.move_to_end(place)
        if len(self._tried) > MOST_PLACES:
            self._tried.popitem(last=False)
        if not known:
            self._strangers.append(t)
        return 0

    def succeeded(self, place: str) -> None:
        self._tried.pop(place, None)
