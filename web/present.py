"""The picture of edge.judge into what the owner's first view says. Pure: no clock, no input.

Everything here is text, numbers in the site's units, or a key that names a shape and a colour in
the style sheet. Nothing is judged here: the one decision is that old data is no data.
"""

from dataclasses import dataclass

from edge.model import SUPPLY
from edge.settings import Settings
from web import figures, fresh, sentence
from web.course import owner_rows
from web.figures import Figure, Scale
from web.fresh import Freshness, Picture
from web.notes import Note, note
from web.sentence import State
from web.shown import DASH, Local, Moment, SiteUnits, lasting, parse_time


@dataclass(frozen=True, slots=True)
class SystemRow:
    name: str
    pressure: str
    low: str
    regulated: str


def systems(picture: Picture, settings: Settings) -> tuple[SystemRow, ...]:
    u = SiteUnits.of(settings)
    rows = []
    for system in settings.system:
        value = (picture.get("sections") or {}).get(system.name, {}).get("pressure_kpa")
        rows.append(
            SystemRow(
                system.name,
                DASH if value is None else str(u.pressure(value)),
                DASH
                if system.low_pressure_kpa is None
                else str(u.pressure(system.low_pressure_kpa)),
                DASH if system.regulated_kpa is None else str(u.pressure(system.regulated_kpa)),
            )
        )
    return tuple(rows)


@dataclass(frozen=True, slots=True)
class FirstView:
    """All that the owner's first view says, the ribbon apart."""

    state: State
    seen: Freshness
    age: str
    written: Moment | None
    figures: tuple[Figure, ...]
    scale: Scale
    reserve: str | None
    notes: tuple[Note, ...]
    systems: tuple[SystemRow, ...]
    not_judged: tuple[str, ...]
    hold_test: tuple[tuple[str, str], ...]
    band: str  # what stands over every page of a site that reads no sensor, or not everywhere
    demo: bool


def first_view(
    latest: Picture | None, saved_at: float | None, settings: Settings, now: float
) -> FirstView:
    """`latest` as the daemon wrote it at `saved_at`, None where there is none; UTC seconds."""
    seen = fresh.freshness(latest, saved_at, now, settings.keeping.every_s)
    local = Local(settings.site.zone, seen.site_now)
    picture: Picture = {} if latest is None else latest["picture"]
    section: Picture = (picture.get("sections") or {}).get(SUPPLY, {})
    channels: Picture = {} if latest is None else latest["channels"]
    four = (
        figures.pressure_figure(section, channels.get(settings.supply.pressure), settings),
        figures.nitrogen_figure(section, settings, local),
        figures.generator_figure(section, local),
        figures.loss_figure(section, settings, local),
    )
    # A demo's own time: the computer's clock beside it would only confuse.
    written_at, clock = seen.written_at, Local(settings.site.zone, now)
    pace = ""
    if latest is not None and seen.speed != 1.0:
        written_at, clock = parse_time(latest["at"]), local
        pace = f" Demo, not a real site. Time runs {seen.speed:g} times faster than life."
    return FirstView(
        state=sentence.state(latest, seen, settings, local, now),
        seen=seen,
        age="no data" if seen.age_s is None else f"{lasting(seen.age_s)} old",
        written=None if written_at is None else clock.moment(written_at, True, dated=pace != ""),
        figures=four,
        scale=figures.scale(section, settings),
        reserve=figures.reserve(section, settings) if seen.fresh else None,
        notes=tuple(note(a, settings, local) for a in picture.get("alerts") or ()),
        systems=systems(picture, settings),
        not_judged=tuple(picture.get("not_judged") or ()),
        hold_test=owner_rows(picture.get("hold_test"), settings, local),
        band=settings.mark + pace if settings.mark else "",
        demo=seen.speed != 1.0,
    )
