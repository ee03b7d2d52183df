"""dryhold backup --state DIR [--settings FILE] -o FILE"""

import argparse
import time
from pathlib import Path

from edge.store import backup


def arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--state", type=Path, required=True, metavar="DIR")
    parser.add_argument(
        "--settings", type=Path, metavar="FILE", help="the site's settings, kept with the rest"
    )
    parser.add_argument("-o", "--output", type=Path, required=True, metavar="FILE")


def run(args: argparse.Namespace) -> int:
    made = backup.take(args.state, args.output, args.settings, time.time())
    size = args.output.stat().st_size / 1e6
    print(f"{args.output}: {', '.join(made.files)}, {size:.1f} MB")
    print("Not in it: the access code, the page's key, passwords.")
    return 0
