"""A commissioning or periodic record as PDF: a web.sheet.Sheet, as dataclasses.asdict gives it."""

from collections.abc import Mapping
from typing import Any

from reportlab.lib.units import mm
from reportlab.platypus import KeepTogether, Paragraph, Table

from web.faces import NOTE, Faces
from web.paper import INK, RULE, SOFT, build, style

SKIPPED = "Skipped: "


def pdf(sheet: Mapping[str, Any]) -> bytes:
    """The paper, A4, as many pages as it takes."""
    faces = Faces()
    say = faces.say
    head = style(10.5, "Strong", spaceBefore=9, spaceAfter=2, keepWithNext=1)

    def story(width: float) -> list[Any]:
        small = style(8, textColor=SOFT)
        out: list[Any] = [
            Paragraph(say(sheet["site"]), style(9)),
            Paragraph(say(sheet["title"]), style(16, "Strong", spaceAfter=4)),
            Paragraph(
                say(f"{sheet['kind']}, {sheet['place']}. Made {sheet['made']} by {sheet['by']}."),
                style(9, spaceAfter=4),
            ),
        ]
        if sheet["superseded_by"]:
            text = f"Superseded by record {sheet['superseded_by']}."
            out.append(Paragraph(say(text), style(10.5, "Strong", spaceAfter=4)))
        if sheet["supersedes"]:
            out.append(Paragraph(say(f"Supersedes record {sheet['supersedes']}."), style(9)))
        out.append(Paragraph("Findings", head))
        found = sheet["findings"] or ["Nothing wrong was found."]
        out += [Paragraph(say(one), style(9, spaceAfter=2)) for one in found]
        for part in sheet["parts"]:
            out += _part(part, width, say, head, small)
        out.append(_signatures(sheet, width, say, head))
        cautions = [Paragraph(say(one), style(8, spaceAfter=2)) for one in sheet["cautions"]]
        out.append(KeepTogether([Paragraph("Cautions", head), *cautions]))
        chain = [
            Paragraph(say(f"Hash of this record: {sheet['hash']}"), style(7.5)),
            Paragraph(say(f"{sheet['chain']} ({sheet['shown']})"), style(7.5)),
        ]
        out.append(KeepTogether([Paragraph("Unaltered", head), *chain]))
        if faces.marked:
            out.append(Paragraph(NOTE, style(8, "Strong", spaceBefore=6)))
        return out

    foot = f"Record {sheet['name']}, printed {sheet['shown']}"
    return build(story, foot, f"{sheet['title']}, {sheet['site']}", sheet["simulated"])


def _part(part: Mapping[str, Any], width: float, say: Any, head: Any, small: Any) -> list[Any]:
    out: list[Any] = [Paragraph(say(part["title"]), head)]
    if part["skipped"]:
        out.append(Paragraph(say(SKIPPED + part["skipped"]), style(8.5)))
    rows = [
        [
            Paragraph(say(line["what"]), style(8.5)),
            [Paragraph(say(line["found"]), style(8.5)), Paragraph(say(line["beside"]), small)],
        ]
        for line in part["lines"]
    ]
    if rows:
        rules = [
            ("VALIGN", (0, 0), (-1, -1), "TOP"),
            ("LINEBELOW", (0, 0), (-1, -1), 0.4, RULE),
            ("LEFTPADDING", (0, 0), (-1, -1), 0),
            ("TOPPADDING", (0, 0), (-1, -1), 1.5),
            ("BOTTOMPADDING", (0, 0), (-1, -1), 2.5),
        ]
        widths = [52 * mm, width - 52 * mm]
        # A text longer than a page goes on over its end.
        out.append(Table(rows, colWidths=widths, style=rules, hAlign="LEFT", splitInRow=1))
    for finding in part["findings"]:
        out.append(Paragraph(say(f"Found: {finding}"), style(8.5, "Strong", spaceBefore=3)))
    return out


def _signatures(sheet: Mapping[str, Any], width: float, say: Any, head: Any) -> KeepTogether:
    """What was signed, and lines for who signs on paper."""
    out: list[Any] = [Paragraph("Signatures", head)]
    for one in sheet["signatures"]:
        out.append(Paragraph(say(f"{one['name']}, {one['role']}"), style(9, "Strong")))
        out.append(Paragraph(say(one["said"]), style(8, spaceAfter=3)))
    names = [*(one["name"] for one in sheet["signatures"][:1]), *sheet["others"]]
    each = width / len(names)
    lines = Table(
        [
            [""] * 2 * len(names),
            [c for n in names for c in (Paragraph(say(f"{n}, date"), style(8)), "")],
        ],
        colWidths=[each - 6 * mm, 6 * mm] * len(names),
        rowHeights=[13 * mm, None],
        splitInRow=1,
        hAlign="LEFT",
        style=[
            *(("LINEBELOW", (2 * n, 0), (2 * n, 0), 0.6, INK) for n in range(len(names))),
            ("LEFTPADDING", (0, 0), (-1, -1), 0),
        ],
    )
    return KeepTogether([*out, lines])
