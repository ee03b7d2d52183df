"""What a technician typed about work done, as a request; pure."""

import re
from collections.abc import Mapping
from datetime import date, datetime, time
from typing import Any
from zoneinfo import ZoneInfo

from edge.core import units
from edge.model import SUPPLY
from web.checklist import lines

READING = re.compile(r"(?P<what>[^=]{1,120})=(?P<rest>.{1,400})")
NUMBER = re.compile(
    r"\s*(?P<number>[-+−]?\d+(?:[.,]\d+)?)\s*(?P<unit>[^\s,±]*)"
    r"(?:\s*±\s*(?P<doubt>\d+(?:[.,]\d+)?)\s*(?P<again>[^\s,]*))?\s*(?:,\s*(?P<source>.*))?"
)
KINDS = (
    "pressure",
    "temperature",
    "fraction",
    "flow",
    "time",
    "volume",
    "voltage",
    "pressure rate",
)


def request(
    form: Mapping[str, str], known: Mapping[str, str], zone: ZoneInfo, now: float
) -> dict[str, Any]:
    """The letterbox's `work_done`; ValueError, in a person's words, for what cannot be meant.

    `known` is the ids of records that may be superseded, with the title of each.
    """
    section, _, name = form.get("work", "").partition("/")
    if not name:
        section, name = SUPPLY, " ".join(form.get("other", "").split())
    if not name:
        raise ValueError("Say which work was done.")
    who = " ".join(form.get("done_by", "").split())[:60]
    if not who:
        raise ValueError("Say who did it.")
    try:
        day = date.fromisoformat(form.get("done_on", ""))
    except ValueError:
        raise ValueError("Say on which day it was done.") from None
    at = min(datetime.combine(day, time(12), zone).timestamp(), now)
    if day > datetime.fromtimestamp(now, zone).date():
        raise ValueError("A day that is yet to come cannot be recorded.")
    supersedes = form.get("supersedes", "")
    if supersedes and supersedes not in known:
        raise ValueError("The record to supersede is not there, or is superseded already.")
    return {
        "work": name[:80],
        "section": section[:80],
        "done_at": datetime.fromtimestamp(at, zone).isoformat(),
        "done_by": who,
        "role": " ".join(form.get("role", "").split())[:60] or "did the work",
        "readings": [reading(line, who) for line in lines(form.get("readings", ""))],
        "findings": lines(form.get("findings", "")),
        "notes": form.get("notes", "")[:2000],
        "supersedes": supersedes or None,
    }


def reading(line: str, who: str) -> dict[str, Any]:
    """One typed line. A number with a known unit becomes a value; anything else stays words."""
    found = READING.fullmatch(line)
    if found is None:
        raise ValueError(f'Expected a reading as "what = value unit", found "{line}".')
    what, rest = found["what"].strip(), found["rest"].strip()
    number = NUMBER.fullmatch(rest)
    if number is None:
        return {"what": what, "text": rest, "source": who}
    source = (number["source"] or "").strip() or f"read by {who}"
    unit = number["unit"]
    kind = next((k for k in KINDS if unit in units.KINDS[k]), None)
    if unit and kind is None:
        raise ValueError(f'"{unit}" is no unit that is known here: "{line}".')
    if number["again"] and number["again"] != unit:
        raise ValueError(f'The uncertainty needs the same unit as the value: "{line}".')
    value = _float(number["number"])
    doubt = None if number["doubt"] is None else _float(number["doubt"])
    if kind is None:
        return {"what": what, "value": value, "uncertainty": doubt, "source": source}
    factor = units.unit_of(kind, unit).factor
    return {
        "what": what,
        "value": units.inside(kind, value, unit),
        "quantity": kind,
        "uncertainty": None if doubt is None else doubt * factor,
        "source": source,
    }


def _float(text: str) -> float:
    return float(text.replace("−", "-").replace(",", "."))
