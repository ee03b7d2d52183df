"""Paper: how every record looks as PDF. A4 sheets with a foot, type sizes, greys."""

from collections.abc import Callable
from io import BytesIO
from typing import Any

from reportlab.lib.colors import Color, black
from reportlab.lib.pagesizes import A4
from reportlab.lib.styles import ParagraphStyle
from reportlab.lib.units import mm
from reportlab.pdfgen.canvas import Canvas
from reportlab.platypus import SimpleDocTemplate

INK, SOFT, RULE = black, Color(0.33, 0.33, 0.33), Color(0.7, 0.7, 0.7)
FAINT = Color(0.88, 0.88, 0.88)
MARGIN = 16 * mm
PADDING = 6.0  # of a page's frame, in points


def style(size: float, font: str = "Text", **more: Any) -> ParagraphStyle:
    """A style of that size in points."""
    return ParagraphStyle(
        f"{font}{size}",
        **{"fontName": font, "fontSize": size, "leading": size * 1.35, "textColor": INK, **more},
    )


def build(story: Callable[[float], list[Any]], foot: str, title: str, mark: str = "") -> bytes:
    """A4 sheets of what `story` makes for a width in points, each with `foot` and its number, and
    with `mark` across it and at its head where there is one."""
    out = BytesIO()

    def sheet(canvas: Canvas, document: Any) -> None:
        canvas.saveState()
        canvas.setFont("Text", 7)
        canvas.setFillColor(SOFT)
        canvas.drawString(MARGIN + PADDING, 10 * mm, foot)
        canvas.drawRightString(A4[0] - MARGIN - PADDING, 10 * mm, f"page {document.page}")
        if mark:
            canvas.setFillColor(INK)
            canvas.setFont("Strong", 9)
            canvas.drawString(MARGIN + PADDING, A4[1] - 11 * mm, mark)
            canvas.setFillColor(FAINT)
            canvas.setFont("Strong", 84)
            canvas.translate(A4[0] / 2.0, A4[1] / 2.0)
            canvas.rotate(55.0)
            canvas.drawCentredString(0.0, -30.0, "SIMULATED")
        canvas.restoreState()

    document = SimpleDocTemplate(
        out,
        pagesize=A4,
        leftMargin=MARGIN,
        rightMargin=MARGIN,
        topMargin=16 * mm,
        bottomMargin=18 * mm,
        title=title,
        author="dryhold",
        lang="en",
        invariant=1,
    )
    document.build(story(A4[0] - 2 * MARGIN - 2 * PADDING), onFirstPage=sheet, onLaterPages=sheet)
    return out.getvalue()
