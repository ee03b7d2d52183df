"""A hold test's record as PDF: a web.record.Record, as dataclasses.asdict gives it."""

from collections.abc import Callable, Mapping
from typing import Any

from reportlab.lib.colors import Color, white
from reportlab.lib.units import mm
from reportlab.platypus import Flowable, KeepTogether, Paragraph, Spacer, Table

from web.axis import elapsed
from web.faces import NOTE, Faces
from web.paper import INK, RULE, SOFT, build, style

WEDGE = Color(0.86, 0.86, 0.86)
FITS = 100 * mm
"""Height of a table's first rows up to which they are kept with its heading: far less than a page."""


class Trace(Flowable):  # type: ignore[misc]
    """The gauge over the test, the fitted line and the wedge of its bounds."""

    def __init__(self, record: Mapping[str, Any], width: float, height: float) -> None:
        super().__init__()
        self.record, self.width, self.height = record, width, height

    def draw(self) -> None:
        c, record = self.canv, self.record
        dots = record["trace"]
        left, bottom = 15 * mm, 9 * mm
        wide, high = self.width - left, self.height - bottom - 3 * mm
        until = max(dots[-1][0], 60.0)
        values = [v for _, v in dots]
        low, top = min(values), max(values)
        room = max((top - low) * 0.12, 0.05 * max(abs(top), 1.0) * 0.1)
        low, top = low - room, top + room

        def spot(s: float, v: float) -> tuple[float, float]:
            return left + wide * s / until, bottom + high * (v - low) / (top - low)

        c.setStrokeColor(RULE)
        c.setLineWidth(0.5)
        c.setFont("Text", 7)
        c.setFillColor(SOFT)
        for n in range(5):
            value = low + (top - low) * n / 4.0
            y = spot(0.0, value)[1]
            c.line(left, y, left + wide, y)
            c.drawRightString(left - 2 * mm, y - 2.5, f"{value:.2f}")
        for mark in elapsed(until):
            x = spot(mark.at, low)[0]
            c.line(x, bottom, x, bottom + high)
            c.drawCentredString(min(x, self.width - 5 * mm), bottom - 4 * mm, mark.label)
        c.drawString(left, self.height - 2 * mm, f"gauge, {record['unit']}")
        clip = c.beginPath()
        clip.rect(left, bottom, wide, high)
        c.saveState()
        c.clipPath(clip, stroke=0, fill=0)
        if record["fit"] is not None:
            at, value, slope, least, most, since = record["fit"]
            c.setFillColor(WEDGE)
            for end in (since, until):
                path = c.beginPath()
                path.moveTo(*spot(end, value + least * (end - at)))
                path.lineTo(*spot(at, value))
                path.lineTo(*spot(end, value + most * (end - at)))
                path.close()
                c.drawPath(path, stroke=0, fill=1)
            c.setStrokeColor(INK)
            c.setLineWidth(0.8)
            c.setDash(4, 2)
            c.line(
                *spot(since, value + slope * (since - at)),
                *spot(until, value + slope * (until - at)),
            )
            c.setDash()
        c.setStrokeColor(INK)
        c.setLineWidth(1.1)
        path = c.beginPath()
        path.moveTo(*spot(*dots[0]))
        for s, v in dots[1:]:
            path.lineTo(*spot(s, v))
        c.drawPath(path, stroke=1, fill=0)
        c.restoreState()


def _table(title: str, rows: list[list[str]], width: float, say: Callable[[str], str]) -> Table:
    """Rows under their heading; it may go on over a page's end, but not with the heading alone."""
    text = style(8.5)
    cells = [[Paragraph(say(title), style(10.5, "Strong")), ""]]
    cells += [[Paragraph(say(a), text), Paragraph(say(b), text)] for a, b in rows]
    widths = [48 * mm, width - 48 * mm]
    # Measured, not counted: letters that no typeface has become longer words.
    first = [
        [cell.wrap(w, FITS)[1] for cell, w in zip(row, widths, strict=True)] for row in cells[1:3]
    ]
    long = sum(map(max, first)) > FITS
    return Table(
        cells,
        colWidths=widths,
        splitInRow=1,  # a text longer than a page goes on over its end
        spaceBefore=9,
        style=[
            ("SPAN", (0, 0), (-1, 0)),
            *([] if long else [("NOSPLIT", (0, 0), (-1, 2))]),
            ("VALIGN", (0, 0), (-1, -1), "TOP"),
            ("LINEBELOW", (0, 0), (-1, -1), 0.4, RULE),
            ("LEFTPADDING", (0, 0), (-1, -1), 0),
            ("TOPPADDING", (0, 0), (-1, -1), 1.5),
            ("BOTTOMPADDING", (0, 0), (-1, -1), 2.5),
        ],
    )


def pdf(record: Mapping[str, Any], signatures: list[str]) -> bytes:
    """The sheet; `record` as dataclasses.asdict gives it, its drawing left out."""
    faces = Faces()
    foot = f"Record {record['name']}, printed {record['made']}"
    title = f"{record['title']}, {record['site']}"
    return build(
        lambda width: _story(record, signatures, faces, width), foot, title, record["simulated"]
    )


def _story(
    record: Mapping[str, Any], signatures: list[str], faces: Faces, width: float
) -> list[Any]:
    say = faces.say
    head = style(10.5, "Strong", spaceBefore=9, spaceAfter=3, keepWithNext=1)
    verdict = Table(
        [
            [Paragraph(say(record["headline"]), style(13, "Strong"))],
            [Paragraph(say(record["sentence"]), style(9))],
        ],
        colWidths=[width],
        splitInRow=1,
        style=[
            ("BOX", (0, 0), (-1, -1), 1.5 if record["verdict"] == "leaks" else 0.8, INK),
            ("LEFTPADDING", (0, 0), (-1, -1), 8),
            ("BACKGROUND", (0, 0), (-1, -1), white),
        ],
    )
    story: list[Any] = [
        Paragraph(say(record["site"]), style(9)),
        Paragraph(say(record["title"]), style(16, "Strong", spaceAfter=6)),
        verdict,
    ]
    for warning in record["warnings"]:
        story.append(Paragraph(f"Note: {say(warning)}", style(9, "Strong", spaceBefore=5)))
    story.append(Paragraph(say(record["raw_counts"]), style(8.5, spaceBefore=5)))
    if len(record["trace"]) > 1:
        drawn = [Spacer(1, 3 * mm), Trace(record, width, 56 * mm)]
        story.append(KeepTogether([*drawn, Paragraph(say(record["caption"]), style(8))]))
    for part in record["parts"]:
        story.append(_table(part["title"], part["rows"], width, say))
    if record["where"]:
        lines = [Paragraph(say(line), style(8.5, spaceAfter=2)) for line in record["where"]]
        story.append(KeepTogether([Paragraph("Where to look", head), *lines]))
    signs = Table(
        [["", ""] * len(signatures), [t for name in signatures for t in (f"{name}, date", "")]],
        colWidths=[width / len(signatures) - 6 * mm, 6 * mm] * len(signatures),
        rowHeights=[15 * mm, 6 * mm],
        hAlign="LEFT",
        style=[
            *(("LINEBELOW", (2 * n, 0), (2 * n, 0), 0.6, INK) for n in range(len(signatures))),
            ("FONT", (0, 1), (-1, 1), "Text", 8),
            ("LEFTPADDING", (0, 0), (-1, -1), 0),
        ],
    )
    caution = Paragraph(f"Caution. {say(record['caution'])}", style(8, spaceBefore=8))
    story.append(KeepTogether([signs, caution]))
    if record["hash"]:
        said = f"Hash of this record: {record['hash']}. {record['chain']}"
        story.append(Paragraph(say(said), style(7.5, spaceBefore=6)))
    if faces.marked:
        story.append(Paragraph(NOTE, style(8, "Strong", spaceBefore=6)))
    return story
