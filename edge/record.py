"""What a record is: a sheet of figures that somebody answers for, as plain data both ways. Pure.

A record is made by judgement as the event `record_made` (see `made`); the store appends it to the
chain of records in the same transaction, and from then on it is superseded, never altered.
Values are in inside units (kPa, L, °C, s, %, standard L/min); who prints uses the site's.
"""

import json
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, replace
from typing import Any, Self

from edge.model import Event, iso

COMMISSIONING, PERIODIC, HOLD_TEST = "commissioning", "periodic", "hold test"
ANSWERED = "alarm told after a hold test"
MARKED = ("alert_", "hold_test_", "record_made")
"""Kinds of events, by how they begin, that say when they come from no sensor."""

CHANGED = (ArithmeticError, AttributeError, LookupError, TypeError, ValueError)
"""What showing a record fails with that somebody changed in the database."""

CAUTIONS: Sequence[str] = (
    "dryhold only watches: it commands no valve and no compressor, and it is no part of the"
    " fire-protection system.",
    "Before a valve is closed or a system is impaired, notify the monitoring station and the owner"
    " and follow the impairment procedure; afterwards put every valve back and prove it.",
    "Local codes, the listing of the equipment and its maker's instructions, and licensed people"
    " decide what is done and what counts.",
)
"""The standing cautions, printed on every record."""


@dataclass(frozen=True, slots=True)
class Figure:
    """One thing found. With a `value` its `quantity` says what kind of unit it is in (a key of
    core.units.KINDS, or "" for a plain number) and `uncertainty` is one standard uncertainty in
    the same unit; without one, `text` says it in words."""

    what: str
    value: float | None = None
    quantity: str | None = None
    text: str = ""
    at: str | None = None  # ISO 8601 UTC, when it was found
    source: str = ""  # what said so: a channel, a hand-held instrument, a person
    uncertainty: float | None = None
    note: str = ""


@dataclass(frozen=True, slots=True)
class Chapter:
    """One step of the work: its figures, what it found, or why it was left out."""

    title: str
    figures: tuple[Figure, ...] = ()
    findings: tuple[str, ...] = ()
    skipped: str | None = None

    @classmethod
    def of(cls, plain: Mapping[str, Any]) -> Self:
        return cls(
            plain["title"],
            tuple(Figure(**figure) for figure in plain["figures"]),
            tuple(plain["findings"]),
            plain["skipped"],
        )


@dataclass(frozen=True, slots=True)
class Signature:
    """Who answers for it, and under which sign-in that was said."""

    name: str
    role: str
    at: str  # ISO 8601 UTC
    by: str


@dataclass(frozen=True, slots=True)
class Record:
    """The whole sheet. `supersedes` is the id of the record whose place this one takes."""

    kind: str  # COMMISSIONING, PERIODIC
    made_at: str  # ISO 8601 UTC
    by: str
    chapters: tuple[Chapter, ...]
    section: str | None = None
    findings: tuple[str, ...] = ()
    signatures: tuple[Signature, ...] = ()
    cautions: tuple[str, ...] = tuple(CAUTIONS)
    supersedes: str | None = None
    title: str = ""
    simulated: tuple[str, ...] = ()  # channels that read no sensor: then it is no evidence

    def plain(self) -> dict[str, Any]:
        """JSON-ready; `Record.of` takes it back."""
        return dict(json.loads(json.dumps(asdict(self), allow_nan=False)))

    @classmethod
    def of(cls, plain: Mapping[str, Any]) -> Self:
        """KeyError or TypeError for what is no record."""
        return cls(
            kind=plain["kind"],
            made_at=plain["made_at"],
            by=plain["by"],
            chapters=tuple(Chapter.of(chapter) for chapter in plain["chapters"]),
            section=plain["section"],
            findings=tuple(plain["findings"]),
            signatures=tuple(Signature(**one) for one in plain["signatures"]),
            cautions=tuple(plain["cautions"]),
            supersedes=plain["supersedes"],
            title=plain.get("title", ""),
            simulated=tuple(plain.get("simulated", ())),
        )


def made(record: Record, at: float, text: str) -> Event:
    """The event `record_made` that hands the record to the store; it is told without the sheet.

    ValueError for a figure that is no finite number.
    """
    numbers = {
        "record_kind": record.kind,
        "title": record.title,
        "by": record.by,
        "made_at": iso(at),
        "findings": list(record.findings),
        "supersedes": record.supersedes,
    }
    return Event(at, "record_made", text, record.section, numbers, {"record": record.plain()})


def marked(event: Event, simulated: Sequence[str]) -> Event:
    """An alert's, a hold test's or a record's event that says which channels read no sensor; others
    stay as they are."""
    if not event.kind.startswith(MARKED):
        return event
    aside = dict(event.aside)
    if "record" in aside:
        aside["record"] = {**aside["record"], "simulated": list(simulated)}
    return replace(event, numbers={**event.numbers, "simulated": list(simulated)}, aside=aside)
