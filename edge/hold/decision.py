"""When the evidence suffices, without paying for looking often. Pure.

A verdict is given by guard band (JCGM 106:2012, 8.3): "leaks" when the loss is over the limit and
"holds" when it is under it, each by a margin that the uncertainty sets; in between the answer is
"cannot tell". A test is looked at at seconds that grow by a third each, so that a day takes some
twenty looks. The risk of a wrong word is spent on the looks in equal parts and added up (Bonferroni
on a group-sequential plan), half of it before the end and half at the end: whatever the looks have
to do with each other, the whole is never more than RISK on either side. After the longest time that
a method plans for no look is left, only the end.
"""

from math import ceil, log

from edge.hold.arithmetic import Estimate

HOLDS, LEAKS, CANNOT_TELL = "holds", "leaks", "cannot tell"

RISK = 0.01
"""The most that a section just at the limit is called leaking, or holding, wrongly."""

FIRST_LOOK_S = 240.0
GROWTH = 4.0 / 3.0


def look_s(number: int) -> float:
    """Seconds from the start of a test to its look of that number, from 0 on."""
    return FIRST_LOOK_S * float(GROWTH**number)


def looks(longest_s: float) -> int:
    """How many looks come before the end of a test that lasts so long at most."""
    return max(1, ceil(log(max(longest_s / FIRST_LOOK_S, 1.0)) / log(GROWTH)))


def tail(longest_s: float, *, final: bool) -> float:
    """The probability that one look may be wrong with, on either side."""
    return RISK / 2.0 if final else RISK / 2.0 / looks(longest_s)


def decide(loss: Estimate | None, limit_kpa_per_h: float, tail: float) -> str:
    if loss is None:
        return CANNOT_TELL
    if loss.at_least(tail) > limit_kpa_per_h:
        return LEAKS
    return HOLDS if loss.at_most(tail) < limit_kpa_per_h else CANNOT_TELL
