"""dryhold restore FILE --state DIR [--settings FILE]"""

import argparse
from pathlib import Path

from edge.store import backup


def arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "file",
        type=Path,
        metavar="FILE",
        help="a back-up, or the copy that an upgrade left (dryhold.db.before-upgrade)",
    )
    parser.add_argument("--state", type=Path, required=True, metavar="DIR")
    parser.add_argument(
        "--settings", type=Path, metavar="FILE", help="where the back-up's settings are put"
    )


def run(args: argparse.Namespace) -> int:
    found = backup.put_back(args.file, args.state, args.settings)
    made = f"made {found.made_at} by dryhold {found.version}" if found.version else "a bare copy"
    print(f"Put back from {args.file} ({made}): {', '.join(found.files)}.")
    print(f"What stood before is in {args.state / backup.REPLACED}.")
    if backup.SETTINGS in found.files and args.settings is None:
        print("Its settings were left where they are; --settings FILE puts them back.")
    return 0
