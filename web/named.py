"""Codes and names of the contracts as people read them. Pure."""

from collections.abc import Mapping
from typing import Any

from edge.model import SUPPLY
from web.shown import DASH, SiteUnits, hours, lasting, percent

_SUFFIXES = (
    ("_kpa_per_h", "rate"),
    ("_kpa_per_min", "rate per minute"),
    ("_kpa", "pressure"),
    ("_l_min", "flow"),
    ("_pct", "percent"),
    ("_s", "time"),
    ("_c", "temperature"),
    ("_h", "hours"),
)


def spelled(name: str, value: Any, u: SiteUnits) -> tuple[str, str]:
    """A number of an event, whose name carries its unit, as a label and a text in site units."""
    if isinstance(value, bool):
        return name.replace("_", " "), "yes" if value else "no"
    if isinstance(value, int | float):
        for suffix, kind in _SUFFIXES:
            if name.endswith(suffix):
                label = name.removesuffix(suffix).replace("_", " ")
                shown = {
                    "rate": u.rate,
                    "rate per minute": lambda v: u.rate(v * 60.0),
                    "pressure": u.pressure,
                    "flow": u.flow,
                    "percent": percent,
                    "time": lasting,
                    "temperature": lambda v: u.quantity("temperature", v),
                    "hours": hours,
                }[kind](value)
                return label, str(shown)
        return name.replace("_", " "), f"{value:.3g}" if isinstance(value, float) else str(value)
    if value is None:
        return name.replace("_", " "), DASH
    if isinstance(value, list | tuple):
        return name.replace("_", " "), ", ".join(spelled(name, v, u)[1] for v in value) or "none"
    if isinstance(value, Mapping):
        parts = (spelled(k, v, u) for k, v in value.items() if v is not None)
        return name.replace("_", " "), "; ".join(f"{k} {v}" for k, v in parts) or "none"
    return name.replace("_", " "), str(value)


def section_name(section: str | None) -> str:
    """A section as people call it; what belongs to no section belongs to the supply."""
    return "Supply" if section in (None, SUPPLY) else str(section)


def alert_name(code: str) -> str:
    """ "no_cut_in" as "No cut-in"."""
    words = code.replace("_", " ").replace("cut in", "cut-in").replace("cut out", "cut-out")
    return words[:1].upper() + words[1:]
