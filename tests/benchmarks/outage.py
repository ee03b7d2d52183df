"""A week without a line: what a hundred kills cost, and whether memory grows meanwhile.

The first run kills the daemon at a hundred seeded random moments. Then one daemon lives through six
weeks with broker and mail server down, some 400 alerts a week coming and going. In the first three
it fills what is bounded (the judges' windows, the letters looked at together); from then on it must
not grow.
"""

import tempfile
from pathlib import Path
from statistics import median
from typing import Any

from tests.benchmarks.result import Result
from tests.benchmarks.servers import of_tests, programs

KILLS = 100
ROOT = Path(__file__).parents[2]
DOWN = """
[[mqtt]]
host = "127.0.0.1"
port = 19
[[mail]]
host = "127.0.0.1"
port = 19
from = "dryhold@saltmarsh.example"
to = [{ address = "desk@fenwick.example" }]
"""


def measure() -> list[Result]:
    """Events lost, doubled or out of order over both channels; megabytes grown."""
    test, outage = of_tests("tell", "test_outage", "outage")
    saltmarsh = ROOT / "edge" / "saltmarsh.toml"
    with tempfile.TemporaryDirectory(dir=Path.cwd(), prefix=".bench-") as name:
        folder = Path(name)
        killed = test.week(folder, saltmarsh, *programs("outage"), KILLS)
        used = _memory(outage, folder / "down", saltmarsh.read_text() + DOWN)
    half, day = len(used) // 2, 1440
    # Each late restart tells again what was accepted in the two seconds before.
    again = KILLS // 5 * len(killed.kept) // 2
    return [
        Result("alerts raised", killed.alerts, "alerts", 200, least=True),
        Result("events kept", len(killed.kept), "events", 400, least=True),
        Result("MQTT: events not there or out of order", _wrong(killed.kept, killed.by_mqtt), "", 0),
        Result("MQTT: came twice, to be dropped by id", _twice(killed.by_mqtt), "", again),
        Result("mail: events not there or out of order", _wrong(killed.kept_alerts, killed.by_mail), "", 0),
        Result("mail: came twice, to be dropped by id", _twice(killed.by_mail), "", 5 * KILLS),
        Result("resident at the end of six weeks down", used[-1], "MB", 64),
        Result("grown in the last three", median(used[-day:]) - median(used[half:][:day]), "MB", 0.5),
    ]  # fmt: skip


def _memory(outage: Any, folder: Path, settings: str) -> list[float]:
    """Resident megabytes at every minute of six weeks."""
    folder.mkdir()
    site = folder / "site.toml"
    site.write_text(settings + '[keeping]\nevery = "30 s"\nwrite_every = "600 s"\n')
    life = outage.Life(site, folder / "state", {}, weeks=6)
    found: list[float] = []
    at = 0.0
    while at < 6 * outage.WEEK_S:
        at, used, _ = life.tick()
        found.append(used)
    life.kill()
    return found


def _wrong(kept: list[str], came: list[str]) -> int:
    once = list(dict.fromkeys(came))
    return len(set(kept) ^ set(once)) + sum(a != b for a, b in zip(kept, once, strict=False))


def _twice(came: list[str]) -> int:
    return len(came) - len(set(came))
