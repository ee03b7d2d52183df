"""Benchmarks by name: python -m tests.benchmarks [NAME ...]

Without a name those that say whether the monitor is small enough for its box, as a table in some
ten minutes: rows a second of a replay, processor time and memory of the loop, bytes that a day
writes, the first view with years behind it. All of them run the depot with everything on
(everything.py). Exits with 1 when a target is missed. Ratios are of two measurements in the same
run, so that they mean the same on any machine."""

import sys
from collections.abc import Callable, Sequence
from importlib import import_module

from tests.benchmarks.result import Result, tell

BENCHMARKS = {
    "replay": "tests.benchmarks.replay",
    "live": "tests.benchmarks.live",
    "wear": "tests.benchmarks.wear",
    "hold": "tests.benchmarks.hold",
    "loss": "tests.benchmarks.loss",
    "cause": "tests.benchmarks.cause",
    "watchful": "tests.benchmarks.watchful",
    "page": "tests.benchmarks.page",
    "outage": "tests.benchmarks.outage",
    "kills": "tests.benchmarks.kills",
    "cuts": "tests.benchmarks.cuts",
    "endurance": "tests.benchmarks.endurance",
    "decade": "tests.benchmarks.decade",
    "rooms": "tests.benchmarks.rooms",
}
"""To add one: a module here with `measure() -> list[Result]`, and a line."""

SMALL = (("replay", "measure"), ("live", "measure"), ("wear", "measure"), ("page", "latency"))


def main(names: Sequence[str]) -> int:
    unknown = set(names) - set(BENCHMARKS)
    if unknown:
        print(f"expected some of {', '.join(BENCHMARKS)}, found {', '.join(unknown)}")
        return 2
    missed = 0
    for name, what in [(name, "measure") for name in names] or SMALL:
        measure: Callable[[], list[Result]] = getattr(import_module(BENCHMARKS[name]), what)
        missed += tell(name, measure())
    return 1 if missed else 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
