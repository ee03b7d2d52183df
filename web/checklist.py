"""What must be confirmed before a hold test, and the valves that are put back after it. Pure."""

from collections.abc import Mapping, Sequence
from math import isfinite
from typing import NamedTuple

from edge.core.units import inside
from edge.hold.clause import AT_SHARE, off_pressure
from edge.methods import Method
from edge.model import SUPPLY
from edge.settings import Settings
from web.shown import DASH, SiteUnits, lasting

LONGEST_LINE, MOST_LINES = 120, 20


class Box(NamedTuple):
    """One line to tick: its field in the form, and its words."""

    key: str
    text: str


BEFORE: Sequence[Box] = (
    Box("station", "The monitoring station is notified."),
    Box("owner", "The owner is notified."),
    Box("impairment", "The impairment procedure is followed; whoever must know of it knows."),
    Box("watch", "Somebody qualified stays on site until every valve is back."),
    Box("vent", "Where gas vents, the room is ventilated: nitrogen displaces oxygen."),
    Box(
        "only_watches",
        "I know that this monitor only watches: it moves no valve, stops no compressor, and"
        " replaces no listed device.",
    ),
)
"""The cautions as a person confirms them."""


def valves(section: str, method: Method, settings: Settings) -> tuple[Box, ...]:
    """The valves that a test of the section asks to be closed, as far as the settings know."""
    systems = [s.name for s in settings.system]
    if section == SUPPLY:
        devices = [f"air maintenance device of {name}" for name in systems]
        devices = devices or ["air maintenance device of each system"]
    else:
        devices = [f"air maintenance device of {section}"]
    closed = [f"Shut-off and bypass valve of the {device}: closed." for device in devices]
    if section == SUPPLY:
        closed.append("Drain and sample valves of the supply line: closed.")
    if method.to_low_limit:
        closed.append("Source of gas: shut off for the whole test.")
    return tuple(Box(f"valve{n}", text) for n, text in enumerate(closed))


def limit(method: Method, settings: Settings) -> str:
    """What the test is held against, in the site's units."""
    u = SiteUnits.of(settings)
    if method.drop_kpa is not None and method.duration_s is not None:
        return f"a fall of {u.pressure(method.drop_kpa)} in {lasting(method.duration_s)}"
    if method.to_low_limit:
        return "the low-pressure alarm operates"
    return f"a loss of {u.rate(settings.limits.hold_loss_kpa_per_h)}"


def pressure_now(kpa: float | None, settings: Settings) -> str:
    return DASH if kpa is None else str(SiteUnits.of(settings).pressure(kpa))


def off(method: Method, kpa: float | None, settings: Settings) -> str:
    """What to know before the start where the gauge is not at the standard's pressure, else ""."""
    if method.at_kpa is None or not off_pressure(method.plain(), kpa) or kpa is None:
        return ""
    u = SiteUnits.of(settings)
    return (
        f"The standard says {u.pressure(method.at_kpa)}, the gauge stands at {u.pressure(kpa)}."
        " Begun so, it is not the standard's test: there will be no pass and no fail, only the"
        f" corrected loss. Within {100.0 * AT_SHARE:.0f} % counts as at it (common practice, no"
        " source)."
    )


def typed_pressure(text: str, settings: Settings) -> tuple[float | None, str]:
    """A pressure in the site's unit as kPa, None for nothing typed; or what is wrong with it."""
    words = " ".join(text.split())
    if not words:
        return None, ""
    try:
        number = float(words.replace(",", "."))
    except ValueError:
        number = float("nan")
    if not isfinite(number) or not 0.0 <= number <= 1e5:
        return None, f"Expected a pressure, found {words[:20]!r}."
    return inside("pressure", number, settings.site.units.pressure), ""


def lines(text: str) -> list[str]:
    """What was typed one a line, bounded."""
    rows = [" ".join(row.split())[:LONGEST_LINE].rstrip() for row in text.splitlines()]
    return [row for row in rows if row][:MOST_LINES]


def missing(form: Mapping[str, str], boxes: Sequence[Box]) -> list[str]:
    """The lines that are not ticked."""
    return [box.text for box in boxes if form.get(box.key) != "yes"]
