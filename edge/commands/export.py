"""dryhold export --state DIR --settings FILE [--since T] [--until T] [-o FILE]"""

import argparse
import sys
from pathlib import Path

from edge import recording
from edge.commands.given import moment
from edge.errors import StoreError
from edge.settings import load
from edge.store.read import Reader


def arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--state", type=Path, required=True, metavar="DIR")
    parser.add_argument("--settings", type=Path, required=True, metavar="FILE")
    parser.add_argument("--since", type=moment, metavar="T", help="not included")
    parser.add_argument("--until", type=moment, metavar="T", help="included")
    parser.add_argument(
        "-o", "--output", type=Path, metavar="FILE", help="the recording, CSV (default: stdout)"
    )


def run(args: argparse.Namespace) -> int:
    """1 when there is no reading in that time."""
    settings = load(args.settings)
    names = [channel.name for channel in settings.channel]
    with Reader(args.state) as reader:
        ticks = reader.readings(names, args.since, args.until)
        steady = reader.stepped(args.since, args.until)
        if args.output is None:
            rows = recording.write(sys.stdout, settings, ticks, steady=steady)
        else:
            try:
                with args.output.open("w", encoding="utf-8", newline="") as file:
                    rows = recording.write(file, settings, ticks, steady=steady)
            except StoreError:
                raise  # of what is read; it says so itself
            except OSError as error:
                raise StoreError(f"{args.output}: {error.strerror}") from error
    if steady:
        said = "the clock was set meanwhile: the column steady orders the rows"
        print(said, file=sys.stderr)
    print(f"{rows} reading{'' if rows == 1 else 's'} written", file=sys.stderr)
    return 0 if rows else 1
