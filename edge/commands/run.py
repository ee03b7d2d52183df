"""dryhold run --settings FILE --state DIR [--runtime DIR] [--speed N]"""

import argparse
import logging
import os
import signal
import threading
from pathlib import Path

from edge.clock import FastClock, SystemClock
from edge.errors import SettingsError
from edge.ports import Clock
from edge.settings import load
from edge.wiring import daemon


def arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--settings", type=Path, required=True, metavar="FILE")
    parser.add_argument(
        "--state", type=Path, required=True, metavar="DIR", help="where the database is kept"
    )
    parser.add_argument(
        "--runtime",
        type=Path,
        metavar="DIR",
        default=os.environ.get("RUNTIME_DIRECTORY"),
        help="where latest.json is written every tick; best in memory"
        " (default: systemd's runtime folder, else the state folder)",
    )
    parser.add_argument(
        "--speed",
        type=float,
        default=1.0,
        metavar="N",
        help="let time run so many times faster than life; for simulated inputs only",
    )


def run(args: argparse.Namespace) -> int:
    logging.basicConfig(level=logging.INFO, format="%(levelname)s %(name)s: %(message)s")
    settings = load(args.settings)
    if args.speed != 1.0 and any(channel.kind != "simulated" for channel in settings.channel):
        raise SettingsError(["--speed: expected only simulated inputs, found others"])
    stop = threading.Event()

    def clock(last: float | None) -> Clock:
        return SystemClock(last, stop) if args.speed == 1.0 else FastClock(args.speed, last, stop)

    for number in (signal.SIGTERM, signal.SIGINT):
        signal.signal(number, lambda _n, _f: stop.set())
    with daemon(
        settings,
        args.state,
        args.runtime or args.state,
        clock=clock,
    ) as made:
        made.run()
    return 0
