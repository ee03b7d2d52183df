"""A visit, or a calibration on its own, as a record: everything found, and everything skipped."""

from collections.abc import Mapping, Sequence
from typing import Any

from edge.model import SUPPLY, Event, iso
from edge.record import COMMISSIONING, PERIODIC, Chapter, Record, Signature, made
from edge.visit.look import Look
from edge.visit.steps import CAUTIONS, Step


def commissioning(
    steps: Sequence[Step],
    answers: Mapping[str, Mapping[str, Any]],
    began_at: float,
    at: float,
    by: str,
    begun_by: str,
    signatures: Sequence[Mapping[str, str]],
    note: str,
    compared: Mapping[str, Any],
) -> Event:
    """`record_made` of a whole visit."""
    chapters = [_chapter(step, answers.get(step.key)) for step in steps]
    findings = [finding for chapter in chapters for finding in chapter["findings"]]
    skipped = sum(chapter["skipped"] is not None for chapter in chapters)
    undone = sum(bool((answers.get(step.key) or {}).get("undone")) for step in steps)
    visit = {
        "title": "The visit",
        "figures": [
            _said("Begun", iso(began_at), began_at, begun_by),
            _said("Signed", iso(at), at, by),
            compared,
            _said("Note", note or "none", at, by),
        ],
        "findings": [],
        "skipped": None,
    }
    record = Record(
        COMMISSIONING,
        iso(at),
        by,
        tuple(Chapter.of(chapter) for chapter in [visit, *chapters]),
        findings=tuple(findings),
        signatures=tuple(Signature(s["name"], s["role"], iso(at), by) for s in signatures),
        cautions=CAUTIONS,
        title="Commissioning of the nitrogen supply",
    )
    wrong = "found nothing wrong"
    if findings:
        wrong = f"found {len(findings)} thing{'s' * (len(findings) > 1)} wrong"
    left = f"; {skipped} of {len(chapters)} steps were skipped" if skipped else ""
    left += f"; {undone} of {len(chapters)} steps were not done, or not wholly" if undone else ""
    return made(record, at, f"{by} signed the commissioning visit: {wrong}{left}.")


def calibration(step: Step, look: Look, by: str) -> Event:
    """`record_made` of a calibration outside of a visit."""
    findings = [f"{f['name']}: {f['text']}" for f in look.findings]
    chapter = {
        "title": step.title,
        "figures": [*look.figures, *(_said("Concluded", s, look.at, "monitor") for s in look.says)],
        "findings": findings,
        "skipped": None,
    }
    record = Record(
        PERIODIC,
        iso(look.at),
        by,
        (Chapter.of(chapter),),
        section=SUPPLY,
        findings=tuple(findings),
        signatures=(Signature(by, "technician", iso(look.at), by),),
        cautions=CAUTIONS,
        title=f"Calibration: {step.title.lower()}",
    )
    return made(record, look.at, f"{by} calibrated the oxygen sensor.")


def _chapter(step: Step, answer: Mapping[str, Any] | None) -> dict[str, Any]:
    if answer is None or answer["skipped"] is not None:
        why = "not done; nobody said why" if answer is None else str(answer["skipped"])
        findings = [] if answer is None else _findings(answer)
        return {"title": step.title, "figures": [], "findings": findings, "skipped": why}
    figures = list(answer["figures"])
    for why in answer.get("undone", []):
        figures.append(figure("Not done", why, answer["at"], "monitor"))
    for said in answer["says"]:
        if said.startswith("Not done: "):
            continue  # has a figure of its own
        figures.append(figure("Concluded", said, answer["at"], "monitor"))
    for found in answer["found"]:
        text = f"{found['name']}: {found['text']}"
        figures.append(figure("Found before, and put right", text, answer["at"], "monitor"))
    return {
        "title": step.title,
        "figures": figures,
        "findings": _findings(answer),
        "skipped": None,
    }


def _findings(answer: Mapping[str, Any]) -> list[str]:
    return [f"{f['name']}: {f['text']} {f['todo']}" for f in answer["findings"]]


def _said(what: str, text: str, at: float, source: str) -> dict[str, Any]:
    return figure(what, text, iso(at), source)


def figure(what: str, text: str, at: str, source: str) -> dict[str, Any]:
    """A figure that is words."""
    return {
        "what": what, "value": None, "quantity": None, "text": text, "at": at, "source": source,
        "uncertainty": None, "note": "",
    }  # fmt: skip
