"""Pressure over time: the chart, and the text, the table and the numbers that say the same. Pure."""

from bisect import bisect_left
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from operator import attrgetter
from statistics import fmean
from typing import Any, NamedTuple

from markupsafe import Markup

from edge.settings import Settings
from edge.store.curves import Ribbon
from web import axis
from web.gauge import Gauge, bounds, levels
from web.looked import Looked
from web.ribbon import Point, drawn, gaps
from web.shown import DASH, Local, SiteUnits, lasting
from web.stretches import Ran, Stretch, stretches
from web.window import Window, address, cells


class Row(NamedTuple):
    """One row of the table behind a pressure chart."""

    when: str
    cells: tuple[str, ...]
    closer: Mapping[str, str]  # what to ask for in order to look at it alone


@dataclass(frozen=True, slots=True)
class Pressure:
    """A pressure chart with the text and the table that say the same."""

    title: str
    summary: str
    svg: Markup
    head: tuple[str, ...]
    rows: tuple[Row, ...]
    key: tuple[str, ...]  # what else is on it: band, run, alert, test


_at = attrgetter("at")


def curve(ribbon: Ribbon, now_kpa: float | None, until: float) -> list[Point]:
    """The ribbon's points with the newest reading, which is not in the database yet, at the end."""
    points = [Point(p.at, p.low, p.mean, p.high) for p in ribbon.points]
    if now_kpa is not None and (not points or points[-1].at < until):
        points.append(Point(until, now_kpa, now_kpa, now_kpa))
    return points


def chart(
    gauge: Gauge,
    span: Window,
    seen: Looked,
    settings: Settings,
    local: Local,
    now_kpa: float | None,
) -> Pressure:
    """A pressure over the window; `now_kpa` only where that ends now."""
    since, until, u = span.since, span.until, SiteUnits.of(settings)
    points = curve(seen.ribbon, now_kpa, until)
    step_s = patience(seen.ribbon.step_s, settings)
    holes = gaps(points, since, until, step_s)
    ran = None if seen.runs is None else Ran.of(seen.runs, since, until, holes)
    f = bounds(gauge, points, since, until)
    svg = drawn(
        f,
        points,
        name=f"gap-{span.key}",
        step_s=step_s,
        band=gauge.band,
        levels=levels(gauge, f, u),
        runs=None if ran is None else ran.stretches,
        marks=axis.ticks(local, since, until),
        alerts=seen.alerts,
        tests=seen.tests,
    )
    rows = []
    for a, b in cells(since, until, span.row_s, local):
        first, last = (bisect_left(points, t, key=_at) for t in (a, b))
        inside = points[first:last]
        if inside:
            low, high = min(p.low for p in inside), max(p.high for p in inside)
            mean = fmean(p.mean for p in inside)
            shown = (u.pressure(low).figure, u.pressure(mean).figure, u.pressure(high).figure)
            run = () if ran is None else (lasting(ran.seconds(a, b)), str(ran.starts(a, b)))
        else:  # nothing is claimed of the generator either
            shown = ("no data", DASH, DASH)
            run = () if ran is None else (DASH, DASH)
        closer = address(max(a, since), min(b, until))
        rows.append(Row(local.words(max(a, since)), (*shown, *run), closer))
    return Pressure(
        title=f"{gauge.title}, {span.words}",
        summary=_summary(points, ran, holes, since, until, u),
        svg=svg,
        head=(
            f"Lowest, {u.pressure_unit}",
            "Mean",
            "Highest",
            *(() if ran is None else ("Running", "Starts")),
        ),
        rows=tuple(rows),
        key=tuple(
            what
            for what, there in (
                ("band", gauge.band),
                ("run", ran),
                ("alert", seen.alerts),
                ("test", seen.tests),
            )
            if there
        ),
    )


def patience(step_s: float, settings: Settings) -> float:
    """How long a step of the curve may last: the newest minute is not written yet, that is no gap."""
    return max(step_s, settings.keeping.every_s, settings.keeping.write_every_s + 60.0)


def _summary(
    points: Sequence[Point],
    ran: Ran | None,
    holes: Sequence[Stretch],
    since: float,
    until: float,
    u: SiteUnits,
) -> str:
    if not points:
        return "No pressure was recorded in this time."
    low, high = min(p.low for p in points), max(p.high for p in points)
    text = f"Between {u.pressure(low).figure} and {u.pressure(high)}. "
    if ran is not None:
        text += f"The generator {ran.words(since, until)}. "
    missing = sum(b - a for a, b in holes)
    if missing > 0.0:
        text += f"No data for {lasting(missing)} of it, shown hatched."
    return text.strip()


def drawing(
    gauge: Gauge, span: Window, seen: Looked, settings: Settings, now_kpa: float | None
) -> dict[str, Any]:
    """The same chart as numbers in the site's units, for the script that takes it over; `t` counts
    from `since`."""
    since, now, u = span.since, span.until, SiteUnits.of(settings)
    points = curve(seen.ribbon, now_kpa, now)
    step = patience(seen.ribbon.step_s, settings)
    t: list[int] = []
    columns: list[list[float | None]] = [[], [], []]
    last: float | None = None
    for p in points:
        if last is not None and p.at - last > 3.0 * step:
            t.append(round((last + p.at) / 2.0 - since))  # a hole in the line
            for column in columns:
                column.append(None)
        t.append(round(p.at - since))
        for column, value in zip(columns, (p.low, p.mean, p.high), strict=True):
            column.append(round(u.pressure_number(value), 2))
        last = p.at
    f = bounds(gauge, points, since, now)
    holes = gaps(points, since, now, step)

    def shown(kpa: float) -> float:
        return round(u.pressure_number(kpa), 3)

    return {
        "since": round(since),
        "until": round(now),
        "zone": settings.site.time_zone,
        "unit": u.pressure_unit,
        "scale": [shown(f.bottom), shown(f.top)],
        "band": None if gauge.band is None else [shown(kpa) for kpa in gauge.band],
        "levels": [[shown(v.value), v.label, v.key, v.above] for v in levels(gauge, f, u)],
        "gaps": [[round(a), round(b)] for a, b in holes],
        "runs": [[round(a), round(b)] for a, b in stretches(seen.runs or (), since, now, holes)],
        "alerts": [[round(a), round(b)] for a, b in seen.alerts],
        "tests": [[round(a), round(b)] for a, b in seen.tests],
        "ticks": [
            [round(m.at), m.label if 6.0 < f.x(m.at) < 94.0 else ""]
            for m in axis.ticks(Local(settings.site.zone, now), since, now)
        ],
        "t": t,
        "low": columns[0],
        "mean": columns[1],
        "high": columns[2],
    }
