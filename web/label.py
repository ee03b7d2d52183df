"""What stands on the label for the box's door, and its QR code. Pure."""

from typing import NamedTuple
from urllib.parse import urlsplit

from markupsafe import Markup

from edge.caution import CAUTION
from edge.settings import Settings

NO_CONTACT = "Your fire-protection contractor"


class Label(NamedTuple):
    """The words of the label."""

    site: str
    address: str
    contact: str
    caution: str


def label(settings: Settings, address: str) -> Label:
    """`address`: where the page is reached, unless the settings say."""
    return Label(
        settings.site.name,
        settings.page.url or address,
        settings.site.contact or NO_CONTACT,
        CAUTION,
    )


def modules(address: str) -> tuple[tuple[bool, ...], ...]:
    """The QR code of an address, row by row, without its quiet zone; True is dark.

    ISO/IEC 18004; correction level M, which bears 15 % of dirt.
    """
    import segno

    return tuple(
        tuple(bool(dark) for dark in row) for row in segno.make_qr(address, error="m").matrix
    )


def drawn(address: str) -> Markup:
    """The QR code as SVG with the four modules of quiet around it that the standard asks for."""
    rows = modules(address)
    size = len(rows) + 8
    path = "".join(
        f"M{x + 4} {y + 4}h1v1h-1z"
        for y, row in enumerate(rows)
        for x, dark in enumerate(row)
        if dark
    )
    return Markup(
        f'<svg class="qr" viewBox="0 0 {size} {size}" role="img" aria-label="QR code of the '
        f'page\'s address" shape-rendering="crispEdges"><rect fill="#fff" width="{size}" '
        f'height="{size}"/><path fill="#000" d="{path}"/></svg>'
    )


def only_here(address: str) -> bool:
    """Whether the address leads nowhere from any other machine."""
    return urlsplit(address).hostname in ("localhost", "127.0.0.1", "::1")
