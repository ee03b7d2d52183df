"""Marks along a chart's time: round times of the site's clock, or round lengths of time. Pure."""

from datetime import datetime, timedelta
from typing import NamedTuple

from web.shown import Local


class Tick(NamedTuple):
    at: float
    label: str  # empty: a line only


def ticks(local: Local, since: float, until: float) -> list[Tick]:
    """Round local times: minutes in some hours, 3 hours in a day, midnights in a week, Mondays in a
    month, months, years."""
    span = until - since
    start = local.at(since)
    midnight = datetime(start.year, start.month, start.day, tzinfo=local.zone)
    marks: list[tuple[datetime, str]] = []
    if span <= 12 * 3600:
        step = next(m for m in (5, 15, 30, 60, 120) if span <= m * 60 * 10)
        for n in range(int(36 * 60 // step) + 1):
            when = midnight + timedelta(minutes=step * n)
            marks.append((when, f"{when:%H:%M}" if n % 2 == 0 else ""))
    elif span <= 2 * 86400:
        for n in range(int(span // 10800) + 10):
            # Wall-clock hours, so that they stay round across a change of summer time.
            when = midnight + timedelta(hours=3 * n)
            marks.append((when, f"{when:%H:%M}" if when.hour % 6 == 0 else ""))
    elif span <= 10 * 86400:
        for n in range(12):
            when = midnight + timedelta(days=n)
            marks.append((when, f"{when:%a}"))
    elif span <= 100 * 86400:
        for n in range(int(span // 86400) + 2):
            when = midnight + timedelta(days=n)
            if when.weekday() == 0:
                marks.append((when, f"{when.day} {when:%b}"))
    else:
        year, month = start.year, start.month
        for _ in range(int(span // (28 * 86400)) + 2):
            when = datetime(year, month, 1, tzinfo=local.zone)
            label = f"{when:%b}" if span < 500 * 86400 else f"{when:%Y}" if month == 1 else ""
            if month % 2 == 0 and 300 * 86400 < span < 500 * 86400:
                label = ""  # a phone has no room for twelve names
            if label or (month - 1) % 3 == 0:
                marks.append((when, label))
            year, month = (year + 1, 1) if month == 12 else (year, month + 1)
    return [Tick(w.timestamp(), text) for w, text in marks if since < w.timestamp() < until]


def _every(span_s: float) -> tuple[float, str]:
    """A round step of elapsed time that gives at most six marks."""
    for step, unit in ((60, "min"), (300, "min"), (600, "min"), (1800, "min"), (3600, "h")):
        if span_s / step <= 6:
            return step, unit
    return next(s for s in (7200, 14400, 21600, 86400) if span_s / s <= 7 or s == 86400), "h"


def elapsed(span_s: float) -> list[Tick]:
    """Marks at round times since the start."""
    step, unit = _every(span_s)
    each = 60.0 if unit == "min" else 3600.0
    marks = [n * step for n in range(1, int(span_s // step) + 1)]
    return [Tick(s, f"{s / each:g} {unit}") for s in marks]
