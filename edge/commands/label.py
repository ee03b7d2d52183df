"""dryhold label: the label for the box's door, as PDF."""

import argparse
import socket
from pathlib import Path

from edge.errors import StoreError
from edge.settings import Settings, load


def arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--settings", type=Path, required=True, metavar="FILE")
    parser.add_argument(
        "-o",
        "--output",
        type=Path,
        metavar="FILE",
        default=Path("label.pdf"),
        help="where to write it (default: label.pdf)",
    )


def run(args: argparse.Namespace) -> int:
    from web.label import label
    from web.label_paper import pdf

    settings = load(args.settings)
    said = label(settings, _here(settings))
    try:
        args.output.write_bytes(pdf(said))
    except OSError as error:
        raise StoreError(f"{args.output}: expected to write it, found: {error.strerror}") from error
    print(f"{args.output}: a label that leads to {said.address}")
    return 0


def _here(settings: Settings) -> str:
    """The address by this machine's name, as found by multicast DNS on the site's network."""
    page = settings.page
    scheme = "http" if page.certificate is None else "https"
    return f"{scheme}://{socket.gethostname()}.local:{page.port}/"
