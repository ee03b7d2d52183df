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


LABELS: Mapping[str, str] = {
    "drop_kpa": "Fell by",
    "duty_pct": "Generator ran, share of the time",
    "free_pct": "Free on the disk",
    "limit_kpa": "Limit",
    "limit_pct": "Limit",
    "limit_s": "Limit",
    "line_kpa": "Supply line",
    "loss_ratio": "Loss, times that at hand-over",
    "loss_ratio_sd": "Give or take (one standard deviation)",
    "nitrogen_moved_pct": "Nitrogen changed by",
    "over_s": "Within",
    "regulated_kpa": "Regulated to",
    "rise_kpa_per_h": "Rise while running",
    "rise_ratio": "Rise while running, times that at hand-over",
    "run_s": "Ran for",
    "runtime_s": "Ran in 24 hours",
    "still_s": "Stood still for",
    "sum_ratio": "Loss and rise together, times those at hand-over",
    "sure_pct": "Sure of the cause",
    "without_a_run_s": "Without a run for",
}
"""What an alert's evidence is called where its name says too little."""


def row(name: str, value: Any, u: SiteUnits) -> tuple[str, str]:
    """One number of an event as a row of a table."""
    label, text = spelled(name, value, u)
    return LABELS.get(name, label[:1].upper() + label[1:]), text


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
