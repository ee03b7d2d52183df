"""Rows of the database into stretches of time: when the generator ran, when alerts were open, when
hold tests went on. Pure."""

from bisect import bisect_left, bisect_right
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from edge.model import SUPPLY
from edge.store.read import Run
from web.shown import lasting, parse_time

Event = Mapping[str, Any]
Stretch = tuple[float, float]


def stretches(
    runs: Sequence[Run], since: float, until: float, holes: Sequence[Stretch]
) -> list[Stretch]:
    """When the generator was seen to run, within what is looked at: the last run may still be
    going; nothing is claimed of the holes, nor of a run from before it was first seen."""
    out = []
    for i, run in enumerate(runs):
        start = run.seen_from if run.started is None else run.started
        end = run.ended
        if end is None:
            end = until if i + 1 == len(runs) else run.rest_seen_from
        if start is not None and end is not None:
            out += _without(holes, max(start, since), min(end, until))
    return out


def _without(holes: Sequence[Stretch], since: float, until: float) -> list[Stretch]:
    """What of the time lies in none of the holes, which are in order."""
    out = []
    for a, b in holes:
        if a > since and b > since and a < until:
            out.append((since, a))
        if b > since and a < until:
            since = b
    return [*out, (since, until)] if until > since else out


@dataclass(frozen=True, slots=True)
class Ran:
    """When the generator ran within a time, and when it was seen to begin; both in order."""

    stretches: Sequence[Stretch]
    begun: Sequence[float]

    @classmethod
    def of(cls, runs: Sequence[Run], since: float, until: float, holes: Sequence[Stretch]) -> "Ran":
        begun = [run.started for run in runs if run.started is not None]
        return cls(stretches(runs, since, until, holes), begun)

    def seconds(self, since: float, until: float) -> float:
        """How long it ran in the time."""
        first = bisect_right(self.stretches, since, key=lambda r: r[1])
        last = bisect_left(self.stretches, until, key=lambda r: r[0])
        return sum(min(b, until) - max(a, since) for a, b in self.stretches[first:last])

    def starts(self, since: float, until: float) -> int:
        """How often it began in the time, the end excluded."""
        return bisect_left(self.begun, until) - bisect_left(self.begun, since)

    def words(self, since: float, until: float) -> str:
        """ "ran 2 h in 5 starts" """
        if not self.stretches:
            return "did not run"
        starts = self.starts(since, until)
        return f"ran {lasting(self.seconds(since, until))} in {starts} {'start' if starts == 1 else 'starts'}"


def under_alert(
    events: Sequence[Event], standing: Sequence[Mapping[str, Any]], since: float, until: float
) -> list[Stretch]:
    """When any alert was open within the time: from its alert_raised and alert_cleared events, from
    those after it, where one may be the end of an alert that was raised before, and from the alerts
    that stand now."""
    opened: dict[str, float] = {}
    later: set[str] = set()
    out = []
    for e in sorted(events, key=lambda e: str(e["at"])):
        key = f"{e.get('section')} {e.get('alert')} {e.get('subject')}"
        at = parse_time(e["at"])
        if at > until:  # only the first one tells how it stood at the end
            if e["kind"] == "alert_cleared" and key not in opened and key not in later:
                out.append((since, until))
            later.add(key)
        elif e["kind"] == "alert_raised":
            opened.setdefault(key, at)
        elif e["kind"] == "alert_cleared":
            out.append((opened.pop(key, since), at))
    still = [*opened.values(), *(parse_time(a["since"]) for a in standing)]
    return out + [(max(start, since), until) for start in still if start < until]


def under_test(events: Sequence[Event], since: float, until: float, section: str) -> list[Stretch]:
    """When the section was under a hold test within the time: from its hold_test_started and
    hold_test_finished events, also those up to LONGEST_TEST_S before and after it; one that is
    still under way reaches to its end."""
    began: float | None = None
    out = []
    for e in sorted(events, key=lambda e: str(e["at"])):
        if e.get("section", SUPPLY) != section:
            continue
        at = parse_time(e["at"])
        if e["kind"] == "hold_test_started":
            began = at
        elif e["kind"] == "hold_test_finished":
            out.append((at - e["duration_s"] if began is None else began, at))
            began = None
    if began is not None:
        out.append((began, until))
    cut = [(max(a, since), min(b, until)) for a, b in out]
    return [(a, b) for a, b in cut if b > a]


LONGEST_TEST_S = 8 * 86400.0
TESTS = ("hold_test_started", "hold_test_finished")
ALERTS = ("alert_raised", "alert_cleared")
"""With TESTS, the kinds of event that stand on the axis."""
