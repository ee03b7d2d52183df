"""dryhold run --settings FILE --state DIR [--runtime DIR]"""

import argparse
import logging
import os
import signal
import threading
from pathlib import Path

from edge import lastgood
from edge.clock import SystemClock
from edge.memory import give_back
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


def run(args: argparse.Namespace) -> int:
    logging.basicConfig(level=logging.INFO, format="%(levelname)s %(name)s: %(message)s")
    give_back()
    settings, trouble = lastgood.load_or_last(args.settings, args.state)
    if trouble is None:
        lastgood.keep(args.settings, args.state)
    threading.excepthook = _thread_failed
    stop = threading.Event()
    for number in (signal.SIGTERM, signal.SIGINT):
        signal.signal(number, lambda _n, _f: stop.set())
    with daemon(
        settings,
        args.state,
        args.runtime or args.state,
        clock=lambda last: SystemClock(last, stop),
        troubles={} if trouble is None else {"settings": trouble},
    ) as made:
        made.run()
    return 0


def _thread_failed(fault: threading.ExceptHookArgs) -> None:
    """End at once, as if killed, to be started again: what a thread did nobody else does, and one
    that is short of memory may not even be able to say goodbye."""
    if fault.exc_type is not SystemExit:
        threading.__excepthook__(fault)
        os._exit(1)
