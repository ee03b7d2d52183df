"""Single measurements with their ranges, and sums over stretches of time, as SVG. Pure."""

from collections.abc import Sequence
from typing import NamedTuple

from markupsafe import Markup

from web.axis import Tick
from web.chart import Frame, Level, across, below, level_lines, place, wrap


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
    body = across(marks, f)
    if band is not None:
        top, bottom = f.y(band[1]), f.y(band[0])
        body += f'<rect class="band" x="0" width="100%" y="{place(top)}%" height="{place(max(bottom - top, 0.3))}%"/>'
    for one in values:
        x = f"{f.x(one.at):.2f}"
        if one.high > one.low:
            body += (
                f'<line class="whisker" x1="{x}%" x2="{x}%" '
                f'y1="{place(f.y(one.high))}%" y2="{place(f.y(one.low))}%"/>'
            )
        body += f'<circle class="dot" cx="{x}%" cy="{place(f.y(one.value))}%" r="2.5"/>'
    body += level_lines(levels, f)
    return wrap(
        f'<svg class="plot" x="0" y="0" width="100%" height="84%">{body}</svg>{below(marks, f)}',
        name,
    )


def bars(
    f: Frame, values: Sequence[Bar], *, name: str, levels: Sequence[Level], marks: Sequence[Tick]
) -> Markup:
    """One bar for each stretch of time, standing on zero."""
    body = across(marks, f)
    for one in values:
        x, right, y = f.x(one.since), f.x(one.until), f.y(one.value)
        width = max((right - x) * 0.86, 0.2)
        body += (
            f'<rect class="bar" x="{x + (right - x) * 0.07:.2f}%" width="{width:.2f}%" '
            f'y="{place(y)}%" height="{place(100.0 - y)}%"/>'
        )
    body += level_lines(levels, f)
    return wrap(
        f'<svg class="plot" x="0" y="0" width="100%" height="84%">{body}</svg>{below(marks, f)}',
        name,
    )
