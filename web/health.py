"""What the monitor says of itself: its channels, and how it fares. Pure."""

from collections.abc import Sequence
from dataclasses import dataclass

from edge.model import QUANTITIES
from edge.settings import Settings
from web.fresh import Picture
from web.named import spelled
from web.shown import DASH, NBSP, SiteUnits, lasting


def _rows(table: Picture | None, settings: Settings) -> tuple[tuple[str, str], ...]:
    u = SiteUnits.of(settings)
    return tuple(spelled(k, v, u) for k, v in (table or {}).items())


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


def monitor_rows(said: Picture, settings: Settings) -> tuple[tuple[str, str], ...]:
    """What the daemon says of itself, as label and text."""
    return _rows(said, settings)
