"""The label for the box's door as PDF, A5 across; for the command, since drawing takes memory."""

from io import BytesIO

from reportlab.lib.colors import black
from reportlab.lib.pagesizes import A5, landscape
from reportlab.lib.units import mm
from reportlab.pdfgen.canvas import Canvas
from reportlab.platypus import Flowable, KeepInFrame, Paragraph

from web.faces import Faces
from web.label import Label, modules
from web.paper import style

EDGE, CODE = 12 * mm, 52 * mm
NOTE = (
    "Some letters cannot be shown here and are marked [script, how many]: print the label from the"
    " page itself, at /label, which has them whole."
)
CAUTION = 42 * mm  # the height kept for it


def pdf(label: Label) -> bytes:
    """One page with the site, the address in letters and as QR code, whom to call, the caution."""
    faces = Faces()
    say = faces.say
    out = BytesIO()
    width, height = landscape(A5)
    canvas = Canvas(out, pagesize=(width, height), invariant=1, lang="en")
    canvas.setTitle(f"Label, {label.site}")
    canvas.setLineWidth(1.5)
    canvas.rect(EDGE / 2, EDGE / 2, width - EDGE, height - EDGE)
    words = (
        (label.site, style(20, "Strong")),
        ("Nitrogen supply monitor", style(12, spaceAfter=10)),
        (label.address, style(13, "Strong", spaceAfter=10)),
        (f"Call: {label.contact}", style(14)),
    )
    _within(
        canvas,
        [Paragraph(say(text), how) for text, how in words],
        (EDGE, EDGE + CAUTION, width - 3 * EDGE - CODE, height - 2 * EDGE - CAUTION),
    )
    foot = [Paragraph(f"Caution. {say(label.caution)}", style(9))]
    if faces.marked:
        foot.append(Paragraph(NOTE, style(8, "Strong", spaceBefore=4)))
    _within(canvas, foot, (EDGE, EDGE, width - 2 * EDGE, CAUTION - 3 * mm))
    rows = modules(label.address)
    unit = CODE / len(rows)
    left, top = width - EDGE - CODE, height - EDGE - 2 * mm
    canvas.setFillColor(black)
    for y, row in enumerate(rows):
        for x, dark in enumerate(row):
            if dark:
                canvas.rect(left + x * unit, top - (y + 1) * unit, unit, unit, stroke=0, fill=1)
    canvas.showPage()
    canvas.save()
    return out.getvalue()


def _within(
    canvas: Canvas, story: list[Flowable], place: tuple[float, float, float, float]
) -> None:
    """Set the story into the place (left, bottom, width, height), smaller where it is too long."""
    left, bottom, width, height = place
    held = KeepInFrame(width, height, story, mode="shrink")
    _, used = held.wrapOn(canvas, width, height)
    held.drawOn(canvas, left, bottom + height - used)
