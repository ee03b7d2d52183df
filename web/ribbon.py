"""A curve over time with its gaps, the runs below it, alerts and hold tests above, as SVG. Pure."""

from collections.abc import Iterable, Sequence
from typing import NamedTuple

from markupsafe import Markup

from web.axis import Tick
from web.chart import Frame, Level, across, below, level_lines, place, wrap


class Point(NamedTuple):
    """One step of a curve: the lowest, the mean and the highest in the step starting at `at`."""

    at: float
    low: float
    mean: float
    high: float


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

    across_s, down_kpa = 1000.0 / (f.until - f.since), 1000.0 / (f.top - f.bottom)

    def path(spots: Iterable[tuple[float, float]]) -> str:
        """Steps from spot to spot: half the length of places."""
        out, x, y = [], 0, 0
        for at, value in spots:
            right = round(min(max((at - f.since) * across_s, 0.0), 1000.0))
            down = round((f.top - value) * down_kpa)  # the frame holds every value
            out.append(f"{right - x} {down - y}")
            x, y = right, down
        return f"M{out[0]}l{' '.join(out[1:])}"

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


def _gap_boxes(holes: Sequence[tuple[float, float]], f: Frame, name: str) -> str:
    out = []
    for since, until in holes:
        x, right = f.x(since), f.x(until)
        out.append(
            f'<rect class="gap" x="{place(x)}%" width="{place(right - x)}%" y="0" height="100%" '
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


def drawn(
    f: Frame,
    points: Sequence[Point],
    *,
    name: str,
    step_s: float,
    band: tuple[float, float] | None,
    levels: Sequence[Level],
    runs: Sequence[tuple[float, float]] | None,
    marks: Sequence[Tick],
    alerts: Sequence[tuple[float, float]] = (),
    tests: Sequence[tuple[float, float]] = (),
) -> Markup:
    """Pressure over time with the band, the runs in a lane below, alerts and hold tests above.

    `name` is unique on the page; what is None is left out.
    """
    belt = ""
    if band is not None:
        top, bottom = f.y(band[1]), f.y(band[0])
        belt = (
            '<rect class="band" x="0" width="100%" '
            f'y="{place(top)}%" height="{place(bottom - top)}%"/>'
        )
    holes = gaps(points, f.since, f.until, step_s)
    plot = (
        belt
        + across(marks, f)
        + _gap_boxes(holes, f, name)
        + _curve(points, f, step_s)
        + level_lines(levels, f)
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
    return wrap(
        f'<svg class="plot" x="0" y="0" width="100%" height="80%">{plot}{strip}</svg>'
        f"{lane}{below(marks, f)}",
        name,
    )
