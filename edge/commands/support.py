"""dryhold support --state DIR --settings FILE [--runtime DIR] [--without-names] -o FILE"""

import argparse
import time
from pathlib import Path

from edge import support


def arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--state", type=Path, required=True, metavar="DIR")
    parser.add_argument("--settings", type=Path, required=True, metavar="FILE")
    parser.add_argument(
        "--runtime", type=Path, metavar="DIR", help="the folder of latest.json (default: the state)"
    )
    parser.add_argument(
        "--without-names", action="store_true", help="take out names of site, people, places too"
    )
    parser.add_argument("-o", "--output", type=Path, required=True, metavar="FILE", help="a zip")


def run(args: argparse.Namespace) -> int:
    parts = support.gather(
        args.state, args.runtime or args.state, args.settings, args.without_names, time.time()
    )
    support.write(parts, args.output)
    print(f"{args.output}: {', '.join(parts)}")
    print("Secrets were taken out. Look through it before you give it to anybody.")
    return 0
