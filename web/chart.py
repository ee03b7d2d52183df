"""Charts drawn on the server as SVG, for pages without JavaScript, for print and for search: what
all of them share.

Every drawing is as wide as its place: curves live in a stretched inner picture with lines of a
fixed width, texts and bars in percent, so that no lettering ever shrinks. No style attributes:
the style sheet colours everything through classes.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import NamedTuple

from markupsafe import Markup, escape

from web.axis import Tick


class Level(NamedTuple):
    """A level worth a line of its own."""

    value: float
    label: str
    key: str  # limit, band, reference
    above: bool = True  # where its label stands


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


def place(value: float) -> str:
    return f"{value:.1f}".rstrip("0").rstrip(".")


def across(marks: Sequence[Tick], f: Frame) -> str:
    out = []
    for tick in marks:
        x = f.x(tick.at)
        out.append(f'<line class="tick" x1="{place(x)}%" x2="{place(x)}%" y1="0" y2="100%"/>')
    return "".join(out)


def below(marks: Sequence[Tick], f: Frame) -> str:
    out = []
    for tick in marks:
        x = f.x(tick.at)
        if tick.label and 6.0 < x < 94.0:
            out.append(f'<text class="when" x="{place(x)}%" y="100%">{escape(tick.label)}</text>')
    return "".join(out)


def level_lines(levels: Sequence[Level], f: Frame) -> str:
    out = []
    for level in levels:
        if not f.bottom < level.value < f.top:
            continue
        y = place(f.y(level.value))
        side = "above" if level.above else "below"
        out.append(
            f'<line class="level {level.key}" x1="0" x2="100%" y1="{y}%" y2="{y}%"/>'
            f'<text class="level-name {side}" x="4" y="{y}%" dy="{-4 if level.above else 13}">'
            f"{escape(level.label)}</text>"
        )
    return "".join(out)


_HATCH = (
    '<defs><pattern id="{id}" width="7" height="7" patternUnits="userSpaceOnUse" '
    'patternTransform="rotate(45)"><line class="hatch" x1="0" x2="0" y1="0" y2="7"/></pattern></defs>'
)


def wrap(inside: str, name: str) -> Markup:
    return Markup(  # every text above went through escape
        f'<svg class="chart" width="100%" height="100%" aria-hidden="true" focusable="false">'
        f"{_HATCH.format(id=name)}{inside}</svg>"
    )
