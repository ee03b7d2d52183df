"""Loss, purity and running time over time: charts with the text and the table that say the same.
Pure."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from statistics import fmean
from typing import Any

from markupsafe import Markup

from edge.model import SUPPLY
from edge.settings import Settings
from edge.store.curves import Ribbon
from edge.store.read import Run
from web import axis, chart, plots
from web.pressure import curve, patience
from web.ribbon import gaps
from web.shown import DASH, NBSP, Local, Moment, SiteUnits, lasting, parse_time, percent
from web.stretches import Event, Ran
from web.window import Window, cells


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


def _thin(values: Sequence[plots.Whisker], at_most: int) -> list[plots.Whisker]:
    """Neighbours put together to a mean with a mean range, so that a year still draws quickly."""
    if len(values) <= at_most:
        return list(values)
    size = -(-len(values) // at_most)
    return [
        plots.Whisker(*(fmean(column) for column in zip(*values[i : i + size], strict=True)))
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
        values.append(plots.Whisker(parse_time(e["at"]), mid - half, mid, mid + half))
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
    svg = plots.whiskers(
        chart.frame(since, until, heights),
        _thin(values, 240),
        name="gap-loss",
        levels=(*marks, chart.Level(0.0, "0", "zero")),
        marks=axis.ticks(local, since, until),
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
        plots.Whisker(parse_time(e["at"]), e["nitrogen_pct"], e["nitrogen_pct"], e["nitrogen_pct"])
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
    svg = plots.whiskers(
        chart.frame(since, until, [need, *(v.value for v in values)], room=0.15),
        _thin(values, 240),
        name="gap-nitrogen",
        levels=(chart.Level(need, f"wanted {percent(need, 1)}", "limit", above=False),),
        marks=axis.ticks(local, since, until),
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
    holes = gaps(curve(ribbon, None, until), since, until, patience(ribbon.step_s, settings))
    ran = Ran.of(runs, since, until, holes)
    step = 3600.0 if span.seconds <= 2 * 86400.0 else 86400.0
    by, unit_s, unit = ("hour", 60.0, "min") if step == 3600.0 else ("day", 3600.0, "h")
    if span.seconds > 100 * 86400.0:
        step, by = 7 * 86400.0, "week"
    parts = cells(since, until, step, local)
    values = [plots.Bar(a, b, ran.seconds(a, b) / unit_s) for a, b in parts]
    title, head = f"Generator, {unit} running by the {by}", ("From", "Running", "Starts")
    if not ran.stretches:
        return Series("runtime", title, "The generator did not run in this time.", None, head, ())
    most = max(v.value for v in values)
    marks: tuple[chart.Level, ...] = ()
    limit = settings.limits.runtime_per_day_s / 3600.0
    if by == "day":
        marks = (chart.Level(limit, f"limit {limit:g}{NBSP}h a day", "limit"),)
        most = max(most, limit)
    half = _round_half(most)
    svg = plots.bars(
        chart.Frame(since, until, 0.0, most * 1.15),
        values,
        name="gap-runtime",
        levels=(*marks, chart.Level(half, f"{half:g}{NBSP}{unit}", "grid")),
        marks=axis.ticks(local, since, until),
    )
    starts = ran.starts(since, until)
    summary = f"Ran {lasting(ran.seconds(since, until))} in all, in {starts} {'start' if starts == 1 else 'starts'}."
    rows = tuple(
        (
            local.moment(max(a, since)),
            (
                lasting(ran.seconds(a, b)),
                str(ran.starts(a, b)),
            ),
        )
        for a, b in reversed(parts)
    )
    return Series("runtime", title, summary, svg, head, rows)


def _round_half(most: float) -> float:
    """A round number near the middle of the scale, for one quiet line across it."""
    rounds = (0.01, 0.02, 0.05, 0.1, 0.2, 0.5, 1.0, 2.0, 5.0, 10.0, 20.0, 50.0, 100.0)
    return max((r for r in rounds if r <= most * 0.6), default=rounds[0])
