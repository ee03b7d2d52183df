"""dryhold check FILE"""

import argparse
import sys
from pathlib import Path

from edge.errors import SettingsError
from edge.settings import load


def arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("file", type=Path, metavar="FILE", help="the site's settings, TOML")


def run(args: argparse.Namespace) -> int:
    try:
        settings = load(args.file)
    except SettingsError as error:
        print("\n".join(error.faults), file=sys.stderr)
        n = len(error.faults)
        print(f"{args.file}: {n} fault{'s' if n > 1 else ''}", file=sys.stderr)
        return 1
    print(f"{args.file}: no fault found for {settings.site.name}")
    if settings.mark:
        print(f"simulated: {', '.join(settings.simulated)}; give each the input it is wired to")
    return 0
