"""The gauge over a hold test with the fitted loss, as SVG. Pure."""

from collections.abc import Sequence
from typing import NamedTuple

from markupsafe import Markup

from web.axis import elapsed
from web.chart import Frame, Level, across, below, level_lines, wrap


class Slope(NamedTuple):
    """A straight line through (`at`, `value`) with its slope and the range of slopes, per second;
    `since` is where the readings begin that it rests on."""

    at: float
    value: float
    slope: float
    low: float
    high: float
    since: float


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
    body = across(marks, f)

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
        f'preserveAspectRatio="none">{inner}</svg>{level_lines(levels, f)}'
    )
    return wrap(
        f'<svg class="plot" x="0" y="0" width="100%" height="84%">{body}</svg>{below(marks, f)}',
        name,
    )
