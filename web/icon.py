"""The icon as PNG, for home screens that take no SVG: python -m web.icon PIXELS, PNG out.

A process of its own, so that what drawing takes of memory is given back. The same strokes as in
static/icon.svg, in its 32 by 32 units, drawn large and made smaller for smooth edges.
"""

import sys
from collections.abc import Sequence
from io import BytesIO

from PIL import Image, ImageDraw

PAPER, LINE, RULE = "#27313a", "#f4f3ef", "#9aa5ad"
CURVE = ((4, 21), (11, 11), (14, 20), (21, 10), (24, 19), (28, 14))
FINER = 4


def png(pixels: int) -> bytes:
    """A square of that many pixels, coloured to its edges: each home screen cuts its own corners."""
    size = pixels * FINER
    unit = size / 32.0
    image = Image.new("RGB", (size, size), PAPER)
    draw = ImageDraw.Draw(image)

    def stroke(points: Sequence[tuple[float, float]], width: float, colour: str) -> None:
        # Drawn in the middle four fifths, which no shape of icon cuts off.
        at = [((16 + (x - 16) * 0.8) * unit, (16 + (y - 16) * 0.8) * unit) for x, y in points]
        draw.line(at, colour, round(width * unit * 0.8), joint="curve")

    stroke(CURVE, 2.6, LINE)
    stroke(((4, 26), (28, 26)), 2.0, RULE)
    out = BytesIO()
    image.resize((pixels, pixels), Image.Resampling.LANCZOS).save(out, "PNG", optimize=True)
    return out.getvalue()


if __name__ == "__main__":
    sys.stdout.buffer.write(png(int(sys.argv[1])))
