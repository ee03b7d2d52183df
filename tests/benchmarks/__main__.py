"""Every benchmark, or those named: python -m tests.benchmarks [NAME ...]

Exits with 1 when a target is missed. Ratios are of two measurements in the same run, so that they
mean the same on any machine."""

import importlib
import sys

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


def main(names: list[str]) -> int:
    unknown = set(names) - set(BENCHMARKS)
    if unknown:
        print(f"expected some of {', '.join(BENCHMARKS)}, found {', '.join(unknown)}")
        return 2
    missed = 0
    for name in names or BENCHMARKS:
        for result in importlib.import_module(BENCHMARKS[name]).measure():
            bound = "at least" if result.least else "at most"
            mark = "ok    " if result.good else "MISSED"
            print(
                f"{mark} {name}: {result.what}: {result.value:,.2f} {result.unit}"
                f" (target {bound} {result.target:,g})",
                flush=True,
            )
            missed += not result.good
    return 1 if missed else 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
