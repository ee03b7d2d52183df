"""The real daemon in fast time: python -m edge.demo.monitor SPEED SETTINGS STATE RUNTIME [HANDS]

The command `dryhold run` does the same in real time; only the clock differs, and that the newest
is stamped with the real time and with the speed, for the page to tell its reader. With a file of
HANDS (edge.demo.hands) the simulated plant's valves are where that file says.
"""

import logging
import signal
import sys
import threading
import time
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from edge import latest
from edge.clock import FastClock
from edge.demo.hands import Hands
from edge.model import iso
from edge.ports import Clock
from edge.sensors.bench import Bench
from edge.sensors.simulated import Stand
from edge.settings import load
from edge.wiring import daemon

UNSEEN_S = 6 * 3600.0
"""What passes between two demos in one folder: the plant starts afresh, and a step of its pressure
without a gap would be a burst pipe."""


def serve(
    speed: float, settings: Path, state: Path, runtime: Path, hands: Path | None = None
) -> None:
    """Run until SIGTERM or SIGINT."""
    site = load(settings)
    at_work: list[Hands] = []
    stop = threading.Event()
    for number in (signal.SIGTERM, signal.SIGINT):
        signal.signal(number, lambda _n, _f: stop.set())

    def show(path: Path, newest: Mapping[str, Any]) -> None:
        for person in at_work:
            person.obey()
        monitor = {**newest["monitor"], "demo": {"speed": speed}}
        latest.write(path, {**newest, "written_at": iso(time.time()), "monitor": monitor})

    def clock(last: float | None) -> FastClock:
        return FastClock(speed, None if last is None else last + UNSEEN_S, stop)

    def bench(time: Clock) -> Bench:
        made = Bench(steady=time.steady, utc=time.utc)
        if hands is not None:
            story = next(c.address for c in site.channel if c.kind == "simulated")
            stand = made.shared(f"simulated:{story}", lambda: Stand(story, site, made))
            at_work.append(Hands(hands, stand.plant))
        return made

    with daemon(site, state, runtime, clock=clock, bench=bench, show=show) as made:
        made.run()


if __name__ == "__main__":
    logging.basicConfig(level=logging.INFO, format="%(levelname)s %(name)s: %(message)s")
    serve(float(sys.argv[1]), *map(Path, sys.argv[2:6]))
