"""A pressure over time as a small picture for a letter, with the words that stand for it."""

import io
from collections.abc import Callable, Sequence
from contextlib import AbstractContextManager
from datetime import datetime, timedelta
from typing import Any, NamedTuple
from zoneinfo import ZoneInfo

from PIL import Image, ImageColor, ImageDraw, ImageFont

from edge.core import units
from edge.model import SUPPLY
from edge.settings import Settings
from edge.week import History

WIDTH, HEIGHT = 1120, 480  # shown at half that, or at a third on a phone: large letters
LEFT, RIGHT, TOP, BOTTOM = 120, 30, 44, 76
LETTERS = 36
INK, SOFT, BAND, LINE, LIMIT = "#1d2733", "#8a949e", "#e9eef2", "#24506e", "#a3271f"
PAPER = "#ffffff"
SHADES = 8
"""From the paper to a colour, as the edges of letters have them."""

SPAN_S = 86400.0
POINTS = 480

OpenHistory = Callable[[], AbstractContextManager[History]]


class Mark(NamedTuple):
    """A level drawn across the picture."""

    name: str
    kpa: float
    limit: bool = False


class Trace(NamedTuple):
    """A PNG and its words."""

    png: bytes
    words: str


def draw(
    points: Sequence[Any],
    step_s: float,
    since: float,
    until: float,
    marks: Sequence[Mark],
    unit: str,
    zone: ZoneInfo,
) -> Trace | None:
    """The points (at, low, mean, high; kPa) of (since, until]; None where there are none."""
    if not points:
        return None
    shown = [units.outside("pressure", m.kpa, unit) for m in marks]
    lows = [units.outside("pressure", p.low, unit) for p in points]
    highs = [units.outside("pressure", p.high, unit) for p in points]
    least, most = min(*lows, *shown, lows[0]), max(*highs, *shown, highs[0])
    margin = 0.06 * (most - least) or 1.0
    least, most = least - margin, most + margin
    # With a palette a picture takes a quarter of the memory.
    image = Image.new("P", (WIDTH, HEIGHT), PAPER)
    pen = ImageDraw.Draw(image)
    font = ImageFont.load_default(LETTERS)

    def x(at: float) -> float:
        return LEFT + (at - since) / (until - since) * (WIDTH - LEFT - RIGHT)

    def y(value: float) -> float:
        return TOP + (most - value) / (most - least) * (HEIGHT - TOP - BOTTOM)

    band = [value for mark, value in zip(marks, shown, strict=True) if not mark.limit]
    if len(band) == 2:
        pen.rectangle((LEFT, y(max(band)), WIDTH - RIGHT, y(min(band))), fill=BAND)
    for mark, value in zip(marks, shown, strict=True):
        colour = LIMIT if mark.limit else SOFT
        pen.line((LEFT, y(value), WIDTH - RIGHT, y(value)), fill=colour, width=2)
    for at in _hours(since, until, zone):
        local = datetime.fromtimestamp(at, zone)
        pen.line((x(at), HEIGHT - BOTTOM, x(at), HEIGHT - BOTTOM + 8), fill=SOFT, width=2)
        _write(image, (x(at), HEIGHT - BOTTOM + 12), f"{local:%H:%M}", INK, font, "ma")
    before = None
    for point in points:
        low, mean, high = (
            units.outside("pressure", v, unit) for v in (point.low, point.mean, point.high)
        )
        here = x(point.at + step_s / 2)
        pen.line((here, y(low), here, y(high)), fill=LINE, width=2)
        if before is not None and point.at - before[0] <= 3.0 * step_s:  # a gap stays a gap
            pen.line((before[1], before[2], here, y(mean)), fill=LINE, width=4)
        before = (point.at, here, y(mean))
    _levels(image, font, [(y(v), f"{v:.4g}", m.limit) for m, v in zip(marks, shown, strict=True)])
    _write(image, (6, 0), unit, INK, font, "la")
    out = io.BytesIO()
    image.save(out, "PNG", optimize=True)
    return Trace(out.getvalue(), _words(lows, highs, points[-1].mean, since, until, unit, zone))


def _write(
    image: Image.Image, at: tuple[float, float], text: str, ink: str, font: Any, anchor: str
) -> None:
    """Text with smooth edges, which the library gives no picture with a palette."""
    left, top, right, bottom = map(round, font.getbbox(text, anchor=anchor))
    mask = Image.new("L", (right - left, bottom - top))
    ImageDraw.Draw(mask).text((-left, -top), text, 255, font, anchor=anchor)
    ends = list(zip(ImageColor.getrgb(PAPER), ImageColor.getrgb(ink), strict=True))
    assert image.palette is not None
    shades = [
        image.palette.getcolor(tuple(round(a + (b - a) * n / SHADES) for a, b in ends), image)
        for n in range(SHADES + 1)
    ]
    letters = mask.point([shades[round(part / 255 * SHADES)] for part in range(256)])
    place = (round(at[0]) + left, round(at[1]) + top)
    image.paste(letters, place, mask.point([0] + [255] * 255))


def _levels(image: Image.Image, font: Any, levels: Sequence[tuple[float, str, bool]]) -> None:
    """The numbers at the left, none upon another."""
    free = float("inf")
    for height, text, limit in sorted(levels, reverse=True):
        if free - height >= LETTERS:
            _write(image, (LEFT - 10, height), text, LIMIT if limit else INK, font, "rm")
            free = height


def _hours(since: float, until: float, zone: ZoneInfo) -> list[float]:
    """About six even hours of the local clock."""
    length_h = (until - since) / 3600.0
    every = next((h for h in (1, 2, 3, 4, 6, 12) if length_h / h <= 7), 24)
    at = datetime.fromtimestamp(since, zone).replace(minute=0, second=0, microsecond=0)
    found = []
    while at.timestamp() <= until:
        if at.timestamp() >= since and at.hour % every == 0:
            found.append(at.timestamp())
        at += timedelta(hours=1)
    return found


def _words(
    lows: Sequence[float],
    highs: Sequence[float],
    last: float,
    since: float,
    until: float,
    unit: str,
    zone: ZoneInfo,
) -> str:
    end = datetime.fromtimestamp(until, zone)
    now = units.show("pressure", last, unit)
    return (
        f"Pressure in the {(until - since) / 3600.0:.0f} h before {end:%H:%M}: between"
        f" {min(lows):.1f} and {max(highs):.1f} {unit}, last {now}."
    )


def of_section(history: OpenHistory, settings: Settings, section: str, now: float) -> Trace | None:
    """The last day of a section's pressure; None where there is nothing to draw."""
    channel, marks = _channel(settings, section)
    if channel is None:
        return None
    with history() as kept:
        ribbon = kept.ribbon(channel, now - SPAN_S, now, POINTS)
    unit = settings.site.units.pressure
    return draw(ribbon.points, ribbon.step_s, now - SPAN_S, now, marks, unit, settings.site.zone)


def _channel(settings: Settings, section: str) -> tuple[str | None, list[Mark]]:
    """The pressure channel of a section, and the levels that matter there."""
    if section == SUPPLY:
        supply = settings.supply
        return supply.pressure, [
            Mark("cut-in", supply.cut_in_kpa),
            Mark("cut-out", supply.cut_out_kpa),
            Mark("low limit", settings.low_pressure_kpa, True),
        ]
    for system in settings.system:
        if system.name == section:
            low = system.low_pressure_kpa
            return system.pressure, [] if low is None else [Mark("low limit", low, True)]
    return None, []
