"""Two hundred power cuts: writes after the last sync lost, torn or out of order (tests/faults/disk.py)."""

import tempfile
from pathlib import Path

from tests.benchmarks.kills import results
from tests.benchmarks.result import Result
from tests.faults.lives import cut

CUTS = 200


def measure() -> list[Result]:
    with tempfile.TemporaryDirectory(dir=Path.cwd(), prefix=".bench-") as name:
        return results(cut(Path(name), CUTS))
