"""What must be confirmed before a hold test, and the valves that are put back after it. Pure."""

from collections.abc import Mapping, Sequence
from typing import NamedTuple

from edge.hold.methods import Method
from edge.model import SUPPLY
from edge.settings import Settings
from web.shown import SiteUnits, lasting

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


def limit(section: str, method: Method, settings: Settings) -> str:
    """What the test is held against, in the site's units."""
    u = SiteUnits.of(settings)
    if method.drop_kpa is not None and method.duration_s is not None:
        return f"a fall of {u.pressure(method.drop_kpa)} in {lasting(method.duration_s)}"
    if method.to_low_limit:
        own = next((s for s in settings.system if s.name == section), None)
        low = settings.low_pressure_kpa if own is None else own.low_pressure_kpa
        return "no low limit is set" if low is None else f"the low limit of {u.pressure(low)}"
    return f"a loss of {u.rate(settings.limits.hold_loss_kpa_per_h)}"


def lines(text: str) -> list[str]:
    """What was typed one a line, bounded."""
    rows = [" ".join(row.split())[:LONGEST_LINE] for row in text.splitlines()]
    return [row for row in rows if row][:MOST_LINES]


def missing(form: Mapping[str, str], boxes: Sequence[Box]) -> list[str]:
    """The lines that are not ticked."""
    return [box.text for box in boxes if form.get(box.key) != "yes"]
