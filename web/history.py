"""Rows of the database into what the ribbon and the history say. Pure: no clock, no input."""

from bisect import bisect_left, bisect_right
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import timedelta
from itertools import pairwise
from statistics import fmean
from typing import Any, NamedTuple

from markupsafe import Markup

from edge.model import SUPPLY
from edge.settings import Settings
from edge.store.read import Ribbon, Run
from web import chart, notes
from web.present import section_name
from web.shown import DASH, NBSP, Local, Moment, SiteUnits, lasting, parse_time, percent
from web.window import Window, address

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


def ran_s(ran: Sequence[Stretch], since: float, until: float) -> float:
    """Seconds of the stretches, which are in order, that lie in the time."""
    first = bisect_right(ran, since, key=lambda r: r[1])
    last = bisect_left(ran, until, key=lambda r: r[0])
    return sum(min(b, until) - max(a, since) for a, b in ran[first:last])


def beginnings(runs: Sequence[Run]) -> list[float]:
    """When runs began, of those whose beginning was seen, in order."""
    return [run.started for run in runs if run.started is not None]


def started(begun: Sequence[float], since: float, until: float) -> int:
    """How many began in the time, its end excluded."""
    return bisect_left(begun, until) - bisect_left(begun, since)


class Row(NamedTuple):
    """One row of the table behind a pressure chart."""

    when: Moment
    low: str
    mean: str
    high: str
    ran: str
    starts: str
    closer: Mapping[str, str]  # what to ask for in order to look at it alone


@dataclass(frozen=True, slots=True)
class Pressure:
    """A pressure chart with the text and the table that say the same."""

    title: str
    summary: str
    svg: Markup
    rows: tuple[Row, ...]
    unit: str


def _cells(since: float, until: float, step_s: float, local: Local) -> list[Stretch]:
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


def bounds(
    points: Sequence[chart.Point], settings: Settings, since: float, until: float
) -> chart.Frame:
    """A frame that always holds the band and the low limit, so that the picture keeps its scale."""
    values = [settings.low_pressure_kpa, settings.supply.cut_in_kpa, settings.supply.cut_out_kpa]
    values += [p.low for p in points] + [p.high for p in points]
    return chart.frame(since, until, values, room=0.14)  # the cut-out's name stands in it


def levels(settings: Settings, f: chart.Frame) -> tuple[chart.Level, ...]:
    """Cut-out, cut-in and low limit, their names set so that they do not meet."""
    u, s = SiteUnits.of(settings), settings.supply
    room = f.y(settings.low_pressure_kpa) - f.y(s.cut_in_kpa)
    return (
        chart.Level(s.cut_out_kpa, f"cut-out {u.pressure(s.cut_out_kpa)}", "edge"),
        chart.Level(s.cut_in_kpa, f"cut-in {u.pressure(s.cut_in_kpa)}", "edge", above=False),
        chart.Level(
            settings.low_pressure_kpa,
            f"low limit {u.pressure(settings.low_pressure_kpa)}",
            "limit",
            above=room > 24.0,
        ),
    )


def curve(ribbon: Ribbon, now_kpa: float | None, until: float) -> list[chart.Point]:
    """The ribbon's points with the newest reading, which is not in the database yet, at the end."""
    points = [chart.Point(p.at, p.low, p.mean, p.high) for p in ribbon.points]
    if now_kpa is not None and (not points or points[-1].at < until):
        points.append(chart.Point(until, now_kpa, now_kpa, now_kpa))
    return points


def pressure(
    span: Window,
    ribbon: Ribbon,
    runs: Sequence[Run],
    settings: Settings,
    local: Local,
    *,
    now_kpa: float | None,
    alerts: Sequence[Stretch] = (),
    tests: Sequence[Stretch] = (),
) -> Pressure:
    """The supply's pressure over the window; `now_kpa` only where that ends now."""
    since, until = span.since, span.until
    u = SiteUnits.of(settings)
    points = curve(ribbon, now_kpa, until)
    step = max(ribbon.step_s, settings.keeping.every_s)
    holes = chart.gaps(points, since, until, _patience(step, settings))
    ran = stretches(runs, since, until, holes)
    f = bounds(points, settings, since, until)
    svg = chart.ribbon(
        f,
        points,
        name=f"gap-{span.key}",
        step_s=_patience(step, settings),
        band=(settings.supply.cut_in_kpa, settings.supply.cut_out_kpa),
        levels=levels(settings, f),
        runs=ran,
        marks=chart.ticks(local, since, until),
        alerts=alerts,
        tests=tests,
    )
    begun = beginnings(runs)
    rows = []
    for a, b in _cells(since, until, span.row_s, local):
        inside = [p for p in points if a <= p.at < b]
        mine = ran_s(ran, a, b)
        new = started(begun, a, b)
        if inside:
            low, high = min(p.low for p in inside), max(p.high for p in inside)
            mean = fmean(p.mean for p in inside)
            shown = (u.pressure(low).figure, u.pressure(mean).figure, u.pressure(high).figure)
        else:
            shown = ("no data", "no data", "no data")
        rows.append(
            Row(
                local.moment(max(a, since)),
                *shown,
                lasting(mine),
                str(new),
                address(max(a, since), min(b, until)),
            )
        )
    return Pressure(
        title=f"Pressure, {span.words}",
        summary=_summary(points, runs, ran, holes, since, until, u),
        svg=svg,
        rows=tuple(rows),
        unit=u.pressure_unit,
    )


def _patience(step_s: float, settings: Settings) -> float:
    """The newest minute is not written yet: that is no gap."""
    return max(step_s, settings.keeping.write_every_s + 60.0)


def _summary(
    points: Sequence[chart.Point],
    runs: Sequence[Run],
    ran: Sequence[Stretch],
    holes: Sequence[Stretch],
    since: float,
    until: float,
    u: SiteUnits,
) -> str:
    if not points:
        return "No pressure was recorded in this time."
    low, high = min(p.low for p in points), max(p.high for p in points)
    text = f"Between {u.pressure(low).figure} and {u.pressure(high)}. "
    starts = started(beginnings(runs), since, until)
    total = ran_s(ran, since, until)
    if ran:
        plural = "start" if starts == 1 else "starts"
        text += f"The generator ran {lasting(total)} in {starts} {plural}. "
    else:
        text += "The generator did not run. "
    missing = sum(b - a for a, b in holes)
    if missing > 0.0:
        text += f"No data for {lasting(missing)} of it, shown hatched."
    return text.strip()


@dataclass(frozen=True, slots=True)
class Series:
    """A chart of measured values with the text and the table that say the same."""

    key: str
    title: str
    summary: str
    svg: Markup | None
    head: tuple[str, ...]
    rows: tuple[tuple[Moment, tuple[str, ...]], ...]


TABLE_ROWS = 60
"""Tables of single measurements show the newest; the API has all."""


def _thin(values: Sequence[chart.Whisker], at_most: int) -> list[chart.Whisker]:
    """Neighbours put together to a mean with a mean range, so that a year still draws quickly."""
    if len(values) <= at_most:
        return list(values)
    size = -(-len(values) // at_most)
    return [
        chart.Whisker(*(fmean(column) for column in zip(*values[i : i + size], strict=True)))
        for i in range(0, len(values), size)
    ]


def loss(
    span: Window,
    idles: Sequence[Event],
    baseline: Mapping[str, Any] | None,
    settings: Settings,
    local: Local,
) -> Series:
    """The loss of each rest against the commissioned one; `idles` are idle_measured events."""
    since, until, u = span.since, span.until, SiteUnits.of(settings)
    mine = sorted(
        (e for e in idles if e.get("section", SUPPLY) == SUPPLY), key=lambda e: str(e["at"])
    )
    values = []
    for e in mine:
        at_reference = e.get("loss_at_reference_kpa_per_h")
        mid = e["loss_kpa_per_h"] if at_reference is None else at_reference
        half = (e["loss_high_kpa_per_h"] - e["loss_low_kpa_per_h"]) / 2.0
        values.append(chart.Whisker(parse_time(e["at"]), mid - half, mid, mid + half))
    unit = f"{u.pressure_unit}/h"
    title = f"Loss at rest, {unit}"
    head = ("Measured to", "Loss", "95 % range", "As a flow")
    if not values:
        return Series(
            "loss", title, "No rest of the generator was measured in this time.", None, head, ()
        )
    band: tuple[float, float] | None = None
    marks: tuple[chart.Level, ...] = ()
    heights = [0.0, *(v.low for v in values), *(v.high for v in values)]
    if baseline is not None:
        band = (baseline["low"], baseline["high"])
        marks = (
            chart.Level(
                baseline["loss_kpa_per_h"],
                f"commissioned {u.rate(baseline['loss_kpa_per_h'])}",
                "reference",
                above=False,
            ),
        )
        heights.append(baseline["high"])
    svg = chart.whiskers(
        chart.frame(since, until, heights),
        _thin(values, 240),
        name="gap-loss",
        levels=(*marks, chart.Level(0.0, "0", "zero")),
        marks=chart.ticks(local, since, until),
        band=band,
    )
    mids = [v.value for v in values]
    plural = "rest" if len(values) == 1 else "rests"
    summary = f"{len(values)} {plural} measured, between {u.rate(min(mids)).figure} and {u.rate(max(mids))}"
    summary += "" if baseline is None else f"; commissioned {u.rate(baseline['loss_kpa_per_h'])}"
    rows = tuple(
        (
            local.moment(parse_time(e["at"])),
            (
                str(u.rate(e["loss_kpa_per_h"])),
                f"{u.rate(e['loss_low_kpa_per_h']).figure} to {u.rate(e['loss_high_kpa_per_h'])}",
                DASH if e.get("loss_l_min") is None else str(u.flow(e["loss_l_min"])),
            ),
        )
        for e in reversed(mine[-TABLE_ROWS:])
    )
    return Series("loss", title, summary + ".", svg, head, rows)


def nitrogen(span: Window, measured: Sequence[Event], settings: Settings, local: Local) -> Series:
    """Purity when it was valid; `measured` are purity_measured events."""
    since, until = span.since, span.until
    mine = sorted(measured, key=lambda e: str(e["at"]))
    values = [
        chart.Whisker(parse_time(e["at"]), e["nitrogen_pct"], e["nitrogen_pct"], e["nitrogen_pct"])
        for e in mine
    ]
    title, head = "Nitrogen while running warm, %", ("Measured", "Nitrogen")
    if not values:
        why = (
            "No purity was measured in this time: it is only judged while the generator runs warm."
        )
        if settings.supply.oxygen is None:
            why = "No oxygen sensor is fitted."
        return Series("nitrogen", title, why, None, head, ())
    need = settings.supply.purity_pct
    svg = chart.whiskers(
        chart.frame(since, until, [need, *(v.value for v in values)], room=0.15),
        _thin(values, 240),
        name="gap-nitrogen",
        levels=(chart.Level(need, f"wanted {percent(need, 1)}", "limit", above=False),),
        marks=chart.ticks(local, since, until),
    )
    found = [v.value for v in values]
    summary = (
        f"{len(values)} times measured, between {percent(min(found), 1).figure} and "
        f"{percent(max(found), 1)}; at least {percent(need, 1)} wanted."
    )
    rows = tuple(
        (local.moment(parse_time(e["at"])), (str(percent(e["nitrogen_pct"], 2)),))
        for e in reversed(mine[-TABLE_ROWS:])
    )
    return Series("nitrogen", title, summary, svg, head, rows)


def runtime(
    span: Window, ribbon: Ribbon, runs: Sequence[Run], settings: Settings, local: Local
) -> Series:
    """How long the generator ran, by the hour or the day; the ribbon tells when nothing is known."""
    since, until = span.since, span.until
    patience = _patience(max(ribbon.step_s, settings.keeping.every_s), settings)
    holes = chart.gaps(curve(ribbon, None, until), since, until, patience)
    ran = stretches(runs, since, until, holes)
    step = 3600.0 if span.seconds <= 2 * 86400.0 else 86400.0
    by, unit_s, unit = ("hour", 60.0, "min") if step == 3600.0 else ("day", 3600.0, "h")
    if span.seconds > 100 * 86400.0:
        step, by = 7 * 86400.0, "week"
    cells = _cells(since, until, step, local)
    values = [chart.Bar(a, b, ran_s(ran, a, b) / unit_s) for a, b in cells]
    title, head = f"Generator, {unit} running by the {by}", ("From", "Running", "Starts")
    if not ran:
        return Series("runtime", title, "The generator did not run in this time.", None, head, ())
    most = max(v.value for v in values)
    marks: tuple[chart.Level, ...] = ()
    limit = settings.limits.runtime_per_day_s / 3600.0
    if by == "day":
        marks = (chart.Level(limit, f"limit {limit:g}{NBSP}h a day", "limit"),)
        most = max(most, limit)
    half = _round_half(most)
    svg = chart.bars(
        chart.Frame(since, until, 0.0, most * 1.15),
        values,
        name="gap-runtime",
        levels=(*marks, chart.Level(half, f"{half:g}{NBSP}{unit}", "grid")),
        marks=chart.ticks(local, since, until),
    )
    total = ran_s(ran, since, until)
    begun = beginnings(runs)
    starts = started(begun, since, until)
    summary = f"Ran {lasting(total)} in all, in {starts} {'start' if starts == 1 else 'starts'}."
    rows = tuple(
        (
            local.moment(max(a, since)),
            (
                lasting(ran_s(ran, a, b)),
                str(started(begun, a, b)),
            ),
        )
        for a, b in reversed(cells)
    )
    return Series("runtime", title, summary, svg, head, rows)


def _round_half(most: float) -> float:
    """A round number near the middle of the scale, for one quiet line across it."""
    rounds = (0.01, 0.02, 0.05, 0.1, 0.2, 0.5, 1.0, 2.0, 5.0, 10.0, 20.0, 50.0, 100.0)
    return max((r for r in rounds if r <= most * 0.6), default=rounds[0])


def alerted(
    events: Sequence[Event], standing: Sequence[Mapping[str, Any]], since: float, until: float
) -> list[Stretch]:
    """When any alert was open: from the alert_raised and alert_cleared events of the time, and
    from the alerts that stand now, which may have been raised long before it."""
    opened: dict[str, float] = {}
    out = []
    for e in sorted(events, key=lambda e: str(e["at"])):
        key = f"{e.get('section')} {e.get('alert')} {e.get('subject')}"
        at = parse_time(e["at"])
        if e["kind"] == "alert_raised":
            opened.setdefault(key, at)
        elif e["kind"] == "alert_cleared":
            out.append((opened.pop(key, since), at))
    still = [*opened.values(), *(parse_time(a["since"]) for a in standing)]
    return out + [(max(start, since), until) for start in still if start < until]


def tested(events: Sequence[Event], since: float, until: float) -> list[Stretch]:
    """When the supply was under a hold test within the time: from its hold_test_started and
    hold_test_finished events, also those up to LONGEST_TEST_S before and after it; one that is
    still under way reaches to its end."""
    began: float | None = None
    out = []
    for e in sorted(events, key=lambda e: str(e["at"])):
        if e.get("section", SUPPLY) != SUPPLY:
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

KINDS: Mapping[str, str] = {
    "alert_raised": "Alert",
    "alert_explained": "Cause found",
    "alert_cleared": "Alert over",
    "alert_acknowledged": "Acknowledged",
    "alert_shelved": "Shelved",
    "cut_in": "Cut-in",
    "cut_out": "Cut-out",
    "run_measured": "Run",
    "idle_measured": "Rest",
    "purity_measured": "Purity",
    "hold_test_started": "Hold test",
    "hold_test_finished": "Hold test",
    "valves_put_back": "Valves back",
    "inerting_restarted": "Gas starts again",
    "inerting_reached": "Gas at target",
    "channel_failed": "Channel",
    "channel_recovered": "Channel",
    "monitor_started": "Monitor",
    "monitor_stopped": "Monitor",
    "clock_stepped": "Clock",
}
"""Each kind of event in one word or two."""

LOGS: Mapping[str, tuple[str, tuple[str, ...]]] = {
    "alerts": (
        "Alerts",
        (
            "alert_raised",
            "alert_explained",
            "alert_cleared",
            "alert_acknowledged",
            "alert_shelved",
        ),
    ),
    "tests": ("Hold tests", ("hold_test_started", "hold_test_finished", "valves_put_back")),
    "gas": ("Gas in the pipe", ("inerting_restarted", "inerting_reached")),
    "cycles": ("Cycles", ("cut_in", "cut_out", "run_measured", "idle_measured", "purity_measured")),
    "monitor": (
        "Monitor",
        (
            "channel_failed",
            "channel_recovered",
            "monitor_started",
            "monitor_stopped",
            "clock_stepped",
        ),
    ),
    "all": ("Everything", ()),
}
"""What the log can be narrowed to: a label, and the kinds (none: all)."""


class LogRow(NamedTuple):
    when: Moment
    kind: str
    key: str
    section: str
    text: str


def log_rows(events: Sequence[Event], local: Local) -> tuple[LogRow, ...]:
    return tuple(
        LogRow(
            local.moment(parse_time(e["at"])),
            KINDS.get(e["kind"], notes.alert_name(e["kind"])),
            f"{e['kind']} {e.get('priority', '')}".strip().replace("_", "-"),
            section_name(e["section"]) if e.get("section") else "",
            e["text"],
        )
        for e in events
    )


def drawing(
    span: Window,
    ribbon: Ribbon,
    runs: Sequence[Run],
    settings: Settings,
    now_kpa: float | None,
    alerts: Sequence[Stretch] = (),
    tests: Sequence[Stretch] = (),
) -> dict[str, Any]:
    """The same chart as numbers in the site's units, for the script that takes it over; `t` counts
    from `since`."""
    since, now = span.since, span.until
    u = SiteUnits.of(settings)
    points = curve(ribbon, now_kpa, now)
    step = _patience(max(ribbon.step_s, settings.keeping.every_s), settings)
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
    f = bounds(points, settings, since, now)
    s = settings.supply
    holes = chart.gaps(points, since, now, step)

    def shown(kpa: float) -> float:
        return round(u.pressure_number(kpa), 3)

    return {
        "since": round(since),
        "until": round(now),
        "zone": settings.site.time_zone,
        "unit": u.pressure_unit,
        "scale": [shown(f.bottom), shown(f.top)],
        "band": [shown(s.cut_in_kpa), shown(s.cut_out_kpa)],
        "levels": [[shown(v.value), v.label, v.key, v.above] for v in levels(settings, f)],
        "gaps": [[round(a), round(b)] for a, b in holes],
        "runs": [[round(a), round(b)] for a, b in stretches(runs, since, now, holes)],
        "alerts": [[round(a), round(b)] for a, b in alerts],
        "tests": [[round(a), round(b)] for a, b in tests],
        "ticks": [
            [round(m.at), m.label if 6.0 < f.x(m.at) < 94.0 else ""]
            for m in chart.ticks(Local(settings.site.zone, now), since, now)
        ],
        "t": t,
        "low": columns[0],
        "mean": columns[1],
        "high": columns[2],
    }
