"""What the monitor says of itself: its channels, and how it fares. Pure."""

from collections.abc import Sequence
from dataclasses import dataclass

from edge.model import QUANTITIES
from edge.settings import Settings
from web.fresh import Picture
from web.shown import DASH, NBSP, SiteUnits, lasting


@dataclass(frozen=True, slots=True)
class ChannelRow:
    name: str
    quantity: str
    value: str
    status: str
    why: str
    age: str
    volts: str


def channel_rows(latest: Picture | None, settings: Settings) -> Sequence[ChannelRow]:
    """Every configured channel, whether or not the daemon has spoken of it."""
    u = SiteUnits.of(settings)
    said: Picture = {} if latest is None else latest["channels"]
    rows = []
    for channel in settings.channel:
        one = said.get(channel.name) or {}
        value, age, volts = one.get("value"), one.get("age_s"), one.get("volts")
        rows.append(
            ChannelRow(
                channel.name,
                QUANTITIES[channel.quantity].label,
                DASH if value is None else str(u.quantity(channel.quantity, value)),
                one.get("status") or "not heard of",
                one.get("why") or "",
                DASH if age is None else lasting(age),
                DASH if volts is None else f"{volts:.4f}{NBSP}V",
            )
        )
    return rows


def monitor_rows(said: Picture) -> tuple[tuple[str, str], ...]:
    """What the daemon says of itself, as label and text."""
    if not said:
        return ()
    rows = [
        ("Kept on the disk", f"not now: {said['not_kept']}" if said["not_kept"] else "everything")
    ]
    for name, what in (("readings_lost", "Readings"), ("events_lost", "Events")):
        rows.append((f"{what} lost since the start", str(said[name])))
    troubles = said.get("troubles") or {}
    rows.append(("Troubles", " ".join(troubles.values()) or "none"))
    for name, state in said["messengers"].items():
        rows.append((f"Messages by {name}", _messages(state)))
    if not said["messengers"]:
        rows.append(("Messages", "nobody is told: none are in the settings"))
    return tuple(rows)


def _messages(state: Picture) -> str:
    parts = [
        "connected" if state["connected"] else f"not connected: {state['why'] or 'not tried yet'}"
    ]
    if state["waiting"]:
        parts.append(f"{state['waiting']} waiting")
    if state["dropped"]:
        parts.append(f"{state['dropped']} given up")
    return "; ".join(parts)
