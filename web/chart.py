"""Charts drawn on the server as SVG, for pages without JavaScript, for print and for search.

Every drawing is as wide as its place: curves live in a stretched inner picture with lines of a
fixed width, texts and bars in percent, so that no lettering ever shrinks. No style attributes:
the style sheet colours everything through classes.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import NamedTuple

from markupsafe import Markup, escape

from web.shown import Local


class Point(NamedTuple):
    """One step of a curve: the lowest, the mean and the highest in the step starting at `at`."""

    at: float
    low: float
    mean: float
    high: float


class Level(NamedTuple):
    """A level worth a line of its own."""

    value: float
    label: str
    key: str  # limit, band, reference
    above: bool = True  # where its label stands


class Tick(NamedTuple):
    at: float
    label: str  # empty: a line only


class Whisker(NamedTuple):
    """One measured value with its range."""

    at: float
    low: float
    value: float
    high: float


class Bar(NamedTuple):
    since: float
    until: float
    value: float


@dataclass(frozen=True, slots=True)
class Frame:
    """The stretch of time across and of value upwards."""

    since: float
    until: float
    bottom: float
    top: float

    def x(self, at: float) -> float:
        """Percent of the width, kept inside."""
        return min(max((at - self.since) / (self.until - self.since), 0.0), 1.0) * 100.0

    def y(self, value: float) -> float:
        """Percent of the height from above, kept inside."""
        return min(max((self.top - value) / (self.top - self.bottom), 0.0), 1.0) * 100.0


def frame(since: float, until: float, values: Iterable[float], room: float = 0.06) -> Frame:
    """A frame that holds all values with a little room; never of no height."""
    held = list(values)
    low, high = (min(held), max(held)) if held else (0.0, 1.0)
    pad = max((high - low) * room, abs(high) * 1e-3, 1e-6)
    return Frame(since, until, low - pad, high + pad)


def gaps(
    points: Sequence[Point], since: float, until: float, step_s: float
) -> list[tuple[float, float]]:
    """The stretches without data that are longer than two steps, the ends included."""
    out = []
    edge = since
    for point in points:
        if point.at - edge > 2.0 * step_s:
            out.append((edge, point.at))
        edge = max(edge, point.at + step_s)
    if until - edge > 2.0 * step_s:
        out.append((edge, until))
    return out


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


def _n(value: float) -> str:
    return f"{value:.1f}".rstrip("0").rstrip(".")


def _across(marks: Sequence[Tick], f: Frame) -> str:
    out = []
    for tick in marks:
        x = f.x(tick.at)
        out.append(f'<line class="tick" x1="{_n(x)}%" x2="{_n(x)}%" y1="0" y2="100%"/>')
    return "".join(out)


def _below(marks: Sequence[Tick], f: Frame) -> str:
    out = []
    for tick in marks:
        x = f.x(tick.at)
        if tick.label and 6.0 < x < 94.0:
            out.append(f'<text class="when" x="{_n(x)}%" y="100%">{escape(tick.label)}</text>')
    return "".join(out)


def _levels(levels: Sequence[Level], f: Frame) -> str:
    out = []
    for level in levels:
        if not f.bottom < level.value < f.top:
            continue
        y = _n(f.y(level.value))
        side = "above" if level.above else "below"
        out.append(
            f'<line class="level {level.key}" x1="0" x2="100%" y1="{y}%" y2="{y}%"/>'
            f'<text class="level-name {side}" x="4" y="{y}%" dy="{-4 if level.above else 13}">'
            f"{escape(level.label)}</text>"
        )
    return "".join(out)


def _spread(piece: Sequence[Point], least: float) -> list[list[Point]]:
    """The stretches whose envelope is wide enough to be seen beside the line, one step more at
    either end; elsewhere it would only cost bytes."""
    out: list[list[Point]] = []
    open_ = False
    for i, point in enumerate(piece):
        seen = any(p.high - p.low > least for p in piece[max(i - 1, 0) : i + 2])
        if seen:
            if not open_:
                out.append([])
            out[-1].append(point)
        open_ = seen
    return out


def _curve(points: Sequence[Point], f: Frame, step_s: float) -> str:
    """Envelope and line in a stretched picture of 1000 by 1000, broken at every gap."""
    pieces: list[list[Point]] = []
    for point in points:
        if not pieces or point.at - pieces[-1][-1].at > 3.0 * step_s:
            pieces.append([])
        pieces[-1].append(point)

    def path(spots: Iterable[tuple[float, float]]) -> str:
        """Steps from spot to spot: half the length of places."""
        out, here = "", (0, 0)
        for at, value in spots:
            there = (round(f.x(at) * 10), round(f.y(value) * 10))
            start = "" if out else "M"
            out += f"{start}{there[0] - here[0]} {there[1] - here[1]}{'l' if start else ' '}"
            here = there
        return out.rstrip()

    area, line = [], []
    for piece in pieces:
        for wide in _spread(piece, (f.top - f.bottom) * 0.015):
            there = [(p.at, p.high) for p in wide]
            back = [(p.at, p.low) for p in reversed(wide)]
            area.append(path([*there, *back]) + "z")
        dots = [(p.at, p.mean) for p in piece]
        if len(dots) == 1:  # a line of no length shows as its round cap
            dots *= 2
        line.append(path(dots))
    return (
        '<svg class="curve" width="100%" height="100%" viewBox="0 0 1000 1000" '
        'preserveAspectRatio="none">'
        + (f'<path class="envelope" d="{"".join(area)}"/>' if area else "")
        + (f'<path class="line" d="{"".join(line)}"/>' if line else "")
        + "</svg>"
    )


_HATCH = (
    '<defs><pattern id="{id}" width="7" height="7" patternUnits="userSpaceOnUse" '
    'patternTransform="rotate(45)"><line class="hatch" x1="0" x2="0" y1="0" y2="7"/></pattern></defs>'
)


def _gap_boxes(holes: Sequence[tuple[float, float]], f: Frame, name: str) -> str:
    out = []
    for since, until in holes:
        x, right = f.x(since), f.x(until)
        out.append(
            f'<rect class="gap" x="{_n(x)}%" width="{_n(right - x)}%" y="0" height="100%" '
            f'fill="url(#{name})"/>'
        )
    return "".join(out)


def _lane(runs: Sequence[tuple[float, float]], f: Frame) -> str:
    """Runs as bars; bars that would touch are drawn as one."""
    merged: list[list[float]] = []
    for since, until in sorted(runs):
        x, right = f.x(since), f.x(until)
        right = max(right, x + 0.15)
        if merged and x - merged[-1][1] < 0.1:
            merged[-1][1] = max(right, merged[-1][1])
        else:
            merged.append([x, right])
    return "".join(
        f'<rect class="run" x="{x:.2f}%" width="{right - x:.2f}%" y="0" height="100%"/>'
        for x, right in merged
    )


def _wrap(inside: str, name: str) -> Markup:
    return Markup(  # every text above went through escape
        f'<svg class="chart" width="100%" height="100%" aria-hidden="true" focusable="false">'
        f"{_HATCH.format(id=name)}{inside}</svg>"
    )


def ribbon(
    f: Frame,
    points: Sequence[Point],
    *,
    name: str,
    step_s: float,
    band: tuple[float, float],
    levels: Sequence[Level],
    runs: Sequence[tuple[float, float]] | None,
    marks: Sequence[Tick],
    alerts: Sequence[tuple[float, float]] = (),
    tests: Sequence[tuple[float, float]] = (),
    drawn: str = "ribbon",
) -> Markup:
    """Pressure over time with the band, the runs in a lane below, alerts and hold tests above.

    `name` is unique on the page; `runs` None leaves their lane out.
    """
    top, bottom = f.y(band[1]), f.y(band[0])
    holes = gaps(points, f.since, f.until, step_s)
    plot = (
        f'<rect class="band" x="0" width="100%" y="{_n(top)}%" height="{_n(bottom - top)}%"/>'
        + _across(marks, f)
        + _gap_boxes(holes, f, name)
        + _curve(points, f, step_s)
        + _levels(levels, f)
    )
    strip = "".join(
        f'<rect class="{kind}" x="{f.x(a):.2f}%" width="{max(f.x(b) - f.x(a), 0.3):.2f}%" '
        f'y="{y}" height="4"/>'
        for kind, y, some in (("alerted", 0, alerts), ("tested", 6, tests))
        for a, b in some
    )
    lane = (
        ""
        if runs is None
        else (f'<svg class="lane" x="0" y="83%" width="100%" height="6%">{_lane(runs, f)}</svg>')
    )
    return _wrap(
        f'<svg class="plot {drawn}" x="0" y="0" width="100%" height="80%">{plot}{strip}</svg>'
        f"{lane}{_below(marks, f)}",
        name,
    )


def whiskers(
    f: Frame,
    values: Sequence[Whisker],
    *,
    name: str,
    levels: Sequence[Level],
    marks: Sequence[Tick],
    band: tuple[float, float] | None = None,
) -> Markup:
    """Measured values with their ranges, beside the levels they are compared with."""
    body = _across(marks, f)
    if band is not None:
        top, bottom = f.y(band[1]), f.y(band[0])
        body += f'<rect class="band" x="0" width="100%" y="{_n(top)}%" height="{_n(max(bottom - top, 0.3))}%"/>'
    for one in values:
        x = f"{f.x(one.at):.2f}"
        if one.high > one.low:
            body += (
                f'<line class="whisker" x1="{x}%" x2="{x}%" '
                f'y1="{_n(f.y(one.high))}%" y2="{_n(f.y(one.low))}%"/>'
            )
        body += f'<circle class="dot" cx="{x}%" cy="{_n(f.y(one.value))}%" r="2.5"/>'
    body += _levels(levels, f)
    return _wrap(
        f'<svg class="plot" x="0" y="0" width="100%" height="84%">{body}</svg>{_below(marks, f)}',
        name,
    )


def bars(
    f: Frame, values: Sequence[Bar], *, name: str, levels: Sequence[Level], marks: Sequence[Tick]
) -> Markup:
    """One bar for each stretch of time, standing on zero."""
    body = _across(marks, f)
    for one in values:
        x, right, y = f.x(one.since), f.x(one.until), f.y(one.value)
        width = max((right - x) * 0.86, 0.2)
        body += (
            f'<rect class="bar" x="{x + (right - x) * 0.07:.2f}%" width="{width:.2f}%" '
            f'y="{_n(y)}%" height="{_n(100.0 - y)}%"/>'
        )
    body += _levels(levels, f)
    return _wrap(
        f'<svg class="plot" x="0" y="0" width="100%" height="84%">{body}</svg>{_below(marks, f)}',
        name,
    )


class Slope(NamedTuple):
    """A straight line through (`at`, `value`) with its slope and the range of slopes, per second;
    `since` is where the readings begin that it rests on."""

    at: float
    value: float
    slope: float
    low: float
    high: float
    since: float


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


def trace(
    f: Frame,
    dots: Sequence[tuple[float, float]],
    line: Slope | None,
    *,
    name: str,
    levels: Sequence[Level],
) -> Markup:
    """The gauge over a hold test, with the fitted loss and its bounds."""
    marks = elapsed(f.until - f.since)
    body = _across(marks, f)

    def spot(at: float, value: float) -> str:
        # Not kept inside: a steep bound leaves the picture, and is cut off there.
        y = (f.top - value) / (f.top - f.bottom) * 1000.0
        return f"{f.x(at) * 10:.0f} {min(max(y, -9999.0), 9999.0):.0f}"

    inner = ""
    if line is not None:
        a, b = max(line.since, f.since), f.until

        def at(x: float, slope: float) -> str:
            return spot(x, line.value + slope * (x - line.at))

        middle = spot(line.at, line.value)
        inner += (
            f'<path class="wedge" d="M{at(a, line.low)}L{middle}L{at(a, line.high)}z'
            f'M{at(b, line.low)}L{middle}L{at(b, line.high)}z"/>'
            f'<path class="fit" d="M{at(a, line.slope)}L{at(b, line.slope)}"/>'
        )
    if dots:
        inner += f'<path class="line" d="M{"L".join(spot(*dot) for dot in dots)}"/>'
    body += (
        '<svg class="curve cut" width="100%" height="100%" viewBox="0 0 1000 1000" '
        f'preserveAspectRatio="none">{inner}</svg>{_levels(levels, f)}'
    )
    return _wrap(
        f'<svg class="plot" x="0" y="0" width="100%" height="84%">{body}</svg>{_below(marks, f)}',
        name,
    )
