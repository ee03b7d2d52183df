"""A thousand SIGKILLs at random moments: what the database, the outbox and the hold tests make of it."""

import tempfile
from pathlib import Path

from tests.benchmarks.result import Result
from tests.faults.lives import Found, killed

KILLS = 1000


def measure() -> list[Result]:
    with tempfile.TemporaryDirectory(dir=Path.cwd(), prefix=".bench-") as name:
        return results(killed(Path(name), KILLS))


def results(found: Found) -> list[Result]:
    """Of lives that were ended so or so."""
    return [
        Result("lives", found.lives, "", 1, least=True),
        Result("events kept", found.kept, "", 1, least=True),
        Result("hold tests ended", found.tests, "", 1, least=True),
        Result("of these gone on with over the end of a life", found.resumed, "", 0, least=True),
        Result("of these void", found.void, "", 0, least=True),
        Result("faults in the database", found.damaged, "", 0),
        Result("events lost", found.lost, "", 0),
        Result("events doubled", found.doubled, "", 0),
        Result("events never told", found.untold, "", 0),
        Result("events told that are not kept, or differ", found.unknown, "", 0),
        Result("kept events or posted requests taken back", found.broken, "", 0),
        Result("hold tests neither ended nor void", found.open_tests, "", 0),
    ]
