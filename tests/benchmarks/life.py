"""The daemon of the depot with everything on, for so many days in a process of its own.

    python -m tests.benchmarks.life SETTINGS STATE DAYS EVERY_S

Simulated inputs, time moved by hand; every so many of its seconds a line of JSON says how it is.
"""

import json
import sys
import time
from pathlib import Path

from tests.benchmarks import everything
from tests.benchmarks.process import Process


def live(site: Path, state: Path, days: float, every_s: int) -> None:
    settings, process = everything.load(site, simulated=True), Process()
    longest_s = work_s = 0.0
    with everything.running(settings, state, everything.desk) as loop:
        for i in range(1, int(days * everything.DAY_S) + 1):
            before = time.perf_counter()
            loop.tick()
            took = time.perf_counter() - before
            work_s += took
            longest_s = max(longest_s, took)
            if i % every_s == 0:
                found = {
                    "runtime": str(loop.runtime),
                    "day": loop.gone_s / everything.DAY_S,
                    "ticks": i,
                    "work_s": work_s,
                    "longest_s": longest_s,
                    "written": process.written(),
                    "waiting": max(m.state()["waiting"] for m in loop.daemon._messengers),
                    **process.held(),
                }
                print(json.dumps(found), flush=True)


if __name__ == "__main__":
    live(Path(sys.argv[1]), Path(sys.argv[2]), float(sys.argv[3]), int(sys.argv[4]))
