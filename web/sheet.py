"""The sheet of a commissioning or periodic record, in the site's units. Pure."""

import csv
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from io import StringIO
from typing import Any

from edge.core import units
from edge.record import Chapter, Figure, Record
from edge.settings import Settings
from web.named import section_name
from web.record import not_evidence
from web.shown import DASH, Local, Number, SiteUnits, lasting, parse_time

KINDS: Mapping[str, str] = {
    "commissioning": "Commissioning record",
    "periodic": "Record of periodic work",
}
"""Kinds of records that have this sheet; hold tests have one of their own (web.record)."""

OTHERS: Sequence[str] = ("For the owner", "Witnessed by")
COLUMNS = (
    "chapter", "what", "value", "unit", "uncertainty", "text", "time", "source", "note"
)  # fmt: skip
NOT_STATED = "uncertainty not stated"


@dataclass(frozen=True, slots=True)
class Line:
    """One figure: what was found, and beneath it when, by what, how surely."""

    what: str
    found: str
    beside: str


@dataclass(frozen=True, slots=True)
class Part:
    """One chapter of the sheet."""

    title: str
    lines: tuple[Line, ...]
    findings: tuple[str, ...]
    skipped: str | None


@dataclass(frozen=True, slots=True)
class Signed:
    """One signature as it was given."""

    name: str
    role: str
    said: str


@dataclass(frozen=True, slots=True)
class Sheet:
    """Everything on the sheet, as text."""

    seq: int
    name: str  # never repeats
    kind: str
    title: str
    site: str
    place: str
    made: str
    by: str
    parts: tuple[Part, ...]
    findings: tuple[str, ...]
    signatures: tuple[Signed, ...]
    others: tuple[str, ...]
    cautions: tuple[str, ...]
    hash: str
    chain: str
    supersedes: str
    superseded_by: str
    shown: str
    simulated: str  # what must stand on it, large; "" where every channel read a sensor


@dataclass(frozen=True, slots=True)
class Listed:
    """One line of the list of records."""

    seq: int
    when: str
    kind: str
    title: str
    place: str
    found: str
    by: str


def _kind(quantity: str | None) -> str:
    return units.QUANTITY_KIND.get(quantity or "", quantity or "")


def _unit(kind: str, u: SiteUnits) -> str:
    """The unit that the site reads such a quantity in; "" for a plain number."""
    metric = u.pressure_unit not in ("psi",)
    return {
        "pressure": u.pressure_unit,
        "pressure rate": f"{u.pressure_unit}/h",
        "temperature": u.temperature_unit,
        "flow": u.flow_unit,
        "volume": u.volume_unit,
        "fraction": "%",
        "time": "s",
        "length": "m" if metric else "ft",
        "voltage": "V",
        "resistance": "Ω",
    }.get(kind, "")


def number(value: float, quantity: str | None, u: SiteUnits) -> str:
    """A value from inside as the site reads it."""
    kind = _kind(quantity)
    if kind == "time":
        return lasting(value)
    if kind not in units.KINDS:
        return f"{value:.6g}"
    figure, _, unit = units.show(kind, value, _unit(kind, u)).partition(" ")
    return str(Number(figure.replace("-", "−"), unit))


def doubt(value: float, quantity: str | None, u: SiteUnits) -> str:
    """A standard uncertainty: a difference, so that no zero of a scale counts."""
    kind = _kind(quantity)
    if kind == "time":
        return f"± {value:.3g} s"
    if kind not in units.KINDS:
        return f"± {value:.3g}"
    unit = _unit(kind, u)
    return f"± {value / units.unit_of(kind, unit).factor:.2g} {unit}"


def line(figure: Figure, u: SiteUnits, local: Local) -> Line:
    parts = []
    if figure.value is not None:
        parts.append(number(figure.value, figure.quantity, u))
        if figure.uncertainty is not None:
            parts.append(doubt(figure.uncertainty, figure.quantity, u))
    if figure.text:
        parts.append(_said(figure.text, local))
    beside = [_said(figure.at, local)] if figure.at else []
    if figure.source:
        beside.append(figure.source)
    if figure.value is not None and figure.uncertainty is None:
        beside.append(NOT_STATED)
    if figure.note:
        beside.append(figure.note)
    return Line(figure.what.capitalize(), " ".join(parts) or DASH, " · ".join(beside))


def _said(text: str, local: Local) -> str:
    """A time as the site reads it; other words stay as they are."""
    if not text.endswith("Z"):
        return text
    try:
        return local.record(parse_time(text))
    except ValueError:
        return text


def _part(chapter: Chapter, u: SiteUnits, local: Local) -> Part:
    lines = tuple(line(figure, u, local) for figure in chapter.figures)
    return Part(chapter.title, lines, chapter.findings, chapter.skipped)


def status(chain: Any) -> str:
    """Whether the records are as they were made; `chain` is an edge.store.chain.Chain."""
    if chain.faults:
        more = f" (and {len(chain.faults) - 1} more)" if len(chain.faults) > 1 else ""
        return f"The chain of records is broken: {chain.faults[0]}{more}."
    if not chain.rows:
        return "No record has been made yet."
    count = f"All {chain.rows} records are" if chain.rows > 1 else "The one record is"
    return f"{count} as made: the chain holds. The newest hash is {chain.head}."


def sheet(plain: Mapping[str, Any], chain: Any, settings: Settings, now: float) -> Sheet:
    """`plain` is what edge.store.records.Records.one gives; `now` stamps the sheet."""
    local, u = Local(settings.site.zone, now), SiteUnits.of(settings)
    record = Record.of(plain)
    place = "the whole site" if record.section is None else section_name(record.section)
    signatures = tuple(
        Signed(s.name, s.role, f"{local.record(parse_time(s.at))}, signed in as {s.by}")
        for s in record.signatures
    )
    return Sheet(
        seq=int(plain["seq"]),
        name=str(plain["id"]),
        kind=KINDS.get(record.kind, record.kind.capitalize()),
        title=record.title or KINDS.get(record.kind, record.kind.capitalize()),
        site=settings.site.name,
        place=place,
        made=local.record(parse_time(record.made_at)),
        by=record.by,
        parts=tuple(_part(chapter, u, local) for chapter in record.chapters),
        findings=record.findings,
        signatures=signatures,
        others=tuple(OTHERS),
        cautions=record.cautions,
        hash=str(plain["hash"]),
        chain=status(chain),
        supersedes=record.supersedes or "",
        superseded_by=str(plain.get("superseded_by") or ""),
        shown=local.record(now),
        simulated=not_evidence(plain),
    )


def listed(plain: Mapping[str, Any], local: Local) -> Listed:
    section = plain.get("section")
    count = len(plain.get("findings") or ())
    found = "superseded" if plain.get("superseded_by") else ""
    if not found:
        found = f"{count} finding{'s' * (count != 1)}" if count else "nothing wrong found"
    if plain.get("simulated"):
        found = f"simulated: {found}"
    return Listed(
        int(plain["seq"]),
        local.record(parse_time(plain["made_at"])),
        KINDS.get(plain["kind"], plain["kind"].capitalize()),
        str(plain.get("title") or KINDS.get(plain["kind"], plain["kind"])),
        "The whole site" if section is None else section_name(section),
        found,
        str(plain.get("by") or DASH),
    )


def table(plain: Mapping[str, Any], settings: Settings) -> str:
    """The figures as CSV, in the site's units; times are ISO 8601 UTC."""
    u, out = SiteUnits.of(settings), StringIO()
    rows = csv.writer(out)
    rows.writerow(COLUMNS)
    for chapter in Record.of(plain).chapters:
        for figure in chapter.figures:
            rows.writerow([_cell(cell) for cell in _row(chapter.title, figure, u)])
        for finding in chapter.findings:
            rows.writerow([_cell(c) for c in (chapter.title, "finding", "", "", "", finding)])
        if chapter.skipped:
            rows.writerow(
                [_cell(c) for c in (chapter.title, "skipped", "", "", "", chapter.skipped)]
            )
    return out.getvalue()


def _row(title: str, figure: Figure, u: SiteUnits) -> list[str]:
    kind = _kind(figure.quantity)
    unit = _unit(kind, u)
    value = spread = ""
    if figure.value is not None:
        known = kind in units.KINDS
        value = f"{units.outside(kind, figure.value, unit) if known else figure.value:.6g}"
        if figure.uncertainty is not None:
            factor = units.unit_of(kind, unit).factor if known else 1.0
            spread = f"{figure.uncertainty / factor:.3g}"
    at = figure.at or ""
    return [title, figure.what, value, unit, spread, figure.text, at, figure.source, figure.note]


def _cell(text: str) -> str:
    """Words that a spreadsheet would take for a formula are marked as words."""
    if text[:1] in ("=", "+", "-", "@", "\t"):
        try:
            float(text)
        except ValueError:
            return f"'{text}"
    return text
