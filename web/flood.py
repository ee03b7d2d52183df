"""How much one place may ask: so many questions at once, then so many a second.

Whoever looks for weak places, and a program gone wild, ask without end; they take no more of the box
than this, and the others are answered beside them. Pure: steady seconds come with each question.
"""

from collections import OrderedDict
from enum import Enum

A_SECOND = 10.0
AT_ONCE = 300.0
"""Opening every room of the page one after the other takes a third of it."""

MOST_PLACES = 2000


class Answer(Enum):
    """What becomes of a question; FLOODED is the first one refused since the place had been quiet for
    long enough to have its whole burst again."""

    ADMITTED = 0
    FLOODED = 1
    REFUSED = 2


class Flood:
    """Counts questions by place: each takes one, and what was taken comes back at A_SECOND."""

    def __init__(self) -> None:
        # place: questions left, when, and whether one was refused
        self._places: OrderedDict[str, tuple[float, float, bool]] = OrderedDict()

    def asked(self, place: str, t: float) -> Answer:
        """What becomes of one more question from there."""
        left, at, refused = self._places.get(place, (AT_ONCE, t, False))
        left = min(AT_ONCE, left + (t - at) * A_SECOND)
        refused = refused and left < AT_ONCE
        admitted = left >= 1.0
        self._places[place] = (left - 1.0 if admitted else left, t, refused or not admitted)
        self._places.move_to_end(place)
        if len(self._places) > MOST_PLACES:
            self._places.popitem(last=False)
        if admitted:
            return Answer.ADMITTED
        return Answer.REFUSED if refused else Answer.FLOODED
