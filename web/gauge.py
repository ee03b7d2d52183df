"""Which pressures are kept, and what each is looked at against. Pure."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import NamedTuple

from edge.model import SUPPLY
from edge.settings import Settings
from web.chart import Frame, Level, frame
from web.ribbon import Point
from web.shown import SiteUnits
from web.window import NoSuch

ROOM = 24.0
"""Percent of the height between two levels that have room for both their names."""
LEAST_KPA = 7.0
"""Height of a frame without any level: noise must not fill it."""


class Mark(NamedTuple):
    """A pressure worth a line across the chart, from the top down."""

    kpa: float
    name: str
    key: str  # edge, limit: of the style sheet


@dataclass(frozen=True, slots=True)
class Gauge:
    """The pressure of a section."""

    section: str
    title: str  # before "last week"
    channel: str
    marks: tuple[Mark, ...]
    band: tuple[float, float] | None = None  # where it belongs, kPa; only the supply has one


def gauges(settings: Settings) -> dict[str, Gauge]:
    """By section: the supply's first, then each system's."""
    s = settings.supply
    line = (
        Mark(s.cut_out_kpa, "cut-out", "edge"),
        Mark(s.cut_in_kpa, "cut-in", "edge"),
        Mark(settings.low_pressure_kpa, "low limit", "limit"),
    )
    found = [Gauge(SUPPLY, "Pressure", s.pressure, line, (s.cut_in_kpa, s.cut_out_kpa))]
    for system in settings.system:
        marks = (
            (system.regulated_kpa, "regulated to", "edge"),
            (system.low_pressure_kpa, "low limit", "limit"),
        )
        known = tuple(Mark(kpa, name, key) for kpa, name, key in marks if kpa is not None)
        found.append(Gauge(system.name, f"{system.name}: pressure", system.pressure, known))
    return {gauge.section: gauge for gauge in found}


def chosen(args: Mapping[str, str], settings: Settings) -> Gauge:
    """The one that `section` names, the supply's where it is absent. NoSuch for anything else."""
    known = gauges(settings)
    found = known.get(args.get("section", SUPPLY))
    if found is None:
        raise NoSuch(f"section: expected one of {', '.join(known)}")
    return found


def bounds(gauge: Gauge, points: Sequence[Point], since: float, until: float) -> Frame:
    """A frame that always holds every level, so that the picture keeps its scale."""
    values = [mark.kpa for mark in gauge.marks]
    values += [p.low for p in points] + [p.high for p in points]
    if values and not gauge.marks:
        spare = max(LEAST_KPA - (max(values) - min(values)), 0.0) / 2.0
        values += [min(values) - spare, max(values) + spare]
    return frame(since, until, values, room=0.14)  # the topmost name stands in it


def levels(gauge: Gauge, f: Frame, u: SiteUnits) -> tuple[Level, ...]:
    """The lines across, their names set so that they do not meet: the first above its line, one
    between below its own, the last where there is room."""
    out = []
    for n, mark in enumerate(gauge.marks):
        above = n == 0 or (
            n == len(gauge.marks) - 1 and f.y(mark.kpa) - f.y(gauge.marks[n - 1].kpa) > ROOM
        )
        out.append(Level(mark.kpa, f"{mark.name} {u.pressure(mark.kpa)}", mark.key, above=above))
    return tuple(out)
