"""Which stretch of time is looked at: the last day, week, month or year, or any from one time to
another; and where its neighbours are. Pure."""

from collections.abc import Mapping
from datetime import UTC, datetime, timedelta
from itertools import pairwise
from typing import NamedTuple

from web.shown import NBSP, Local, parse_time

HOUR, DAY = 3600.0, 86400.0
SHORTEST_S, LONGEST_S = 600.0, 12 * 366 * DAY

_ROWS = ((3 * HOUR, 600.0), (2 * DAY, HOUR), (12 * DAY, DAY), (100 * DAY, 7 * DAY))
"""Up to so long, a row of the table behind the chart is that long."""


class Window(NamedTuple):
    """What is looked at, (since, until] in seconds since 1970."""

    key: str
    words: str  # as in "Pressure, last 24 hours"
    since: float
    until: float
    points: int
    row_s: float

    @property
    def seconds(self) -> float:
        return self.until - self.since

    @property
    def fixed(self) -> bool:
        """Whether it stays where it is, rather than ending now."""
        return self.key == "between"


class Span(NamedTuple):
    """A choice of how far back to look."""

    key: str
    label: str
    words: str
    seconds: float
    points: int
    row_s: float

    def to(self, now: float) -> Window:
        """Its window that ends now."""
        return Window(
            self.key, f"last {self.words}", now - self.seconds, now, self.points, self.row_s
        )


SPANS: Mapping[str, Span] = {
    s.key: s
    for s in (
        Span("day", "Day", f"24{NBSP}hours", DAY, 288, HOUR),
        Span("week", "Week", "week", 7 * DAY, 448, DAY),
        Span("month", "Month", "month", 31 * DAY, 500, DAY),
        Span("year", "Year", "year", 366 * DAY, 500, 28 * DAY),
    )
}


TIMES = ("from", "to")


class NoSuch(ValueError):
    """A stretch that cannot be looked at; its text says what was expected."""


def asked(args: Mapping[str, str], now: float) -> Window:
    """`from` and `to` (ISO 8601 with Z or an offset), or a `span` that ends at `to`; now where `to`
    is absent.

    Brought between ten minutes and twelve years, and not past now. NoSuch for anything else.
    """
    try:
        # A plus sign in an address is a blank by the time it arrives.
        given = {name: parse_time(args[name].replace(" ", "+")) for name in TIMES if name in args}
    except (ValueError, OverflowError) as error:
        raise NoSuch("from, to: expected ISO 8601 with Z or an offset") from error
    span = SPANS.get(args.get("span", "day"))
    if span is None:
        raise NoSuch(f"span: expected one of {', '.join(SPANS)}")
    if not given:
        return span.to(now)
    until = given.get("to", now)
    since = given.get("from", until - span.seconds)
    since, until = max(since, 0.0), min(until, now)
    if since >= until:
        raise NoSuch("from: expected a time before to and before now, to: one after 1970")
    return between(since, until, now)


def between(since: float, until: float, now: float) -> Window:
    """From one time to another, brought into what can be looked at."""
    until = min(max(until, since + SHORTEST_S), now)
    since = max(min(since, until - SHORTEST_S), until - LONGEST_S, 0.0)
    row = next((row for most, row in _ROWS if until - since <= most), 28 * DAY)
    return Window("between", "between two times", since, until, 500, row)


def address(since: float, until: float) -> Mapping[str, str]:
    """What to ask for in order to look from one time to another."""
    return {"from": _iso(since), "to": _iso(until)}


def _iso(t: float) -> str:
    return datetime.fromtimestamp(t, UTC).strftime("%Y-%m-%dT%H:%M:%SZ")


def neighbours(w: Window, now: float) -> tuple[tuple[str, Mapping[str, str]], ...]:
    """Ways on from here: a label, and what to ask for."""
    half = w.seconds / 2.0
    out = [("Earlier", address(max(w.since - half, 0.0), w.until - half))]
    if w.until + 1.0 < now:
        later = min(half, now - w.until)
        out.append(("Later", address(w.since + later, w.until + later)))
    if half >= SHORTEST_S:
        out.append(("First half, closer", address(w.since, w.since + half)))
        out.append(("Second half, closer", address(w.since + half, w.until)))
    if w.seconds * 2.0 <= LONGEST_S:
        end = min(w.until + half, now)
        out.append(("Wider", address(max(end - 2.0 * w.seconds, 0.0), end)))
    return tuple(out)


def cells(since: float, until: float, step_s: float, local: Local) -> list[tuple[float, float]]:
    """Hours of the clock, or days from midnight, newest last; the first and last may be short."""
    if step_s < 86400.0:
        edges = []
        edge = since // step_s * step_s
        while edge < until:
            edges.append(edge)
            edge += step_s
        edges.append(edge)
    else:
        day = local.at(since).replace(hour=0, minute=0, second=0, microsecond=0, fold=0)
        edges = [day.timestamp()]
        while edges[-1] < until:
            day += timedelta(seconds=step_s)  # the wall clock's day, whatever its hours
            edges.append(day.timestamp())
    return [(a, b) for a, b in pairwise(edges) if b > since and a < until]
