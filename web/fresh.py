"""How old the newest data is: old data is no data. Pure."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from web.shown import parse_time

Picture = Mapping[str, Any]
READ_S = 5.0
"""How often an open page asks for what is new."""


@dataclass(frozen=True, slots=True)
class Freshness:
    """How old the newest data is, and whether it may still be called the present."""

    fresh: bool
    age_s: float | None  # None: there is none
    limit_s: float
    written_at: float | None
    site_now: float  # the time at the site; runs fast in a demo
    speed: float  # site seconds in a second of the clock; 1 but for a demo


def freshness(
    latest: Picture | None, saved_at: float | None, now: float, every_s: float
) -> Freshness:
    """`saved_at` is when the file was last replaced and `now` the time, both by this machine's
    clock, UTC; a stamp ahead of the clock is as bad as an old one.

    Data is old after three periods, of the writer's or of this page's reader, the longer.
    """
    limit = 3.0 * max(every_s, READ_S)
    if latest is None or saved_at is None:
        return Freshness(False, None, limit, None, now, 1.0)
    demo = (latest.get("monitor") or {}).get("demo") or {}
    speed = float(demo.get("speed", 1.0))
    if speed == 1.0:
        # The file may have been copied or touched: its own word counts when it says older.
        written = min(saved_at, parse_time(latest["written_at"]))
        site_now = now
    else:  # a demo's stamps are of its own time, which stands still with its daemon
        written = saved_at
        site_now = parse_time(latest["at"]) + min(max(now - saved_at, 0.0), limit) * speed
    age = now - written
    fresh = -limit <= age <= limit
    return Freshness(fresh, max(age, 0.0), limit, written, site_now, speed)
