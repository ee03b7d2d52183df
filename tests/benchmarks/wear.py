"""Bytes that a day's keeping puts on the card: one reading a second on four channels, and on all that
the depot with everything on has (everything.py), with five years behind it and its daily events.

The kernel counts a page when it becomes dirty, so a day in a minute would write one page many
times and count it once. Therefore the files are flushed after each writing, which is the worst
that a card can see: in life the kernel flushes after about 30 s, and a batch is more than a minute and a half.
"""

import json
import os
import sqlite3
import subprocess
import sys
from pathlib import Path

from edge.settings import Settings
from tests.benchmarks import everything
from tests.benchmarks.process import Process
from tests.benchmarks.result import Result

TABLES = {
    "readings": "first_ms / 1000",
    "minutes": "start_s",
    "quarter_hours": "start_s",
    "events": "at_ms / 1000",
}
"""What grows by the day, and of which second a row is."""


def measure() -> list[Result]:
    """Bytes a day, and what years take on the card."""
    from tests.benchmarks.servers import FIVE_YEARS, depot

    found = {}
    with depot("wear") as site:
        for what, only in (("four", everything.FOUR), ("all", ())):
            settings = everything.load(site.site, simulated=True, only=only)
            state = site.live(FIVE_YEARS, what, settings=settings)
            words = ["-m", "tests.benchmarks.wear", str(site.site), str(state), *only]
            done = subprocess.run(
                [sys.executable, *words],
                stdout=subprocess.PIPE,
                check=True,
                text=True,
                env=site.environment,
            )
            found[what] = json.loads(done.stdout)
    four = found["four"]
    return [
        Result("written in a day, four channels", four["written"] / 1e6, "MB", 12.0),
        *(Result(f"{name} kept, a day", four[name] / 1e6, "MB") for name in TABLES),
        Result("card space after five years", four["five_years"] / 1e6, "MB", 2000.0),
        Result("written in a day, nine channels", found["all"]["written"] / 1e6, "MB"),
    ]


def _run(site: Path, state: Path, only: list[str]) -> None:
    settings = everything.load(site, simulated=True, only=only)
    wal, process = state / "dryhold.db-wal", Process()
    with everything.running(settings, state, everything.desk) as loop:
        loop.tick()
        began = loop.daemon._clock.steady()
        files = [os.open(state / f"dryhold.db{end}", os.O_RDONLY) for end in ("", "-wal")]
        before, stamp = process.written(), wal.stat().st_mtime_ns
        for _ in range(everything.DAY_S):
            loop.tick()
            now = wal.stat().st_mtime_ns
            if now != stamp:
                stamp = now
                for file in files:
                    os.fsync(file)
        written = process.written() - before
        for file in files:
            os.close(file)
    print(json.dumps({"written": written, **_sizes(state, settings, began)}))


def _sizes(state: Path, settings: Settings, began: float) -> dict[str, float]:
    """Bytes of each table for the day since `began`, and of all after five years with the default
    retention."""
    utc = {"events": everything.UNTIL}
    day = {}
    with sqlite3.connect(state / "dryhold.db") as db:
        for table, second in TABLES.items():
            pages = db.execute("SELECT sum(pgsize) FROM dbstat WHERE name = ?", (table,)).fetchone()
            rows, new = db.execute(
                f"SELECT count(*), sum({second} >= ?) FROM {table}", (utc.get(table, began),)
            ).fetchone()
            day[table] = pages[0] * new / rows
    db.close()
    keeping, years = settings.keeping, 5 * 365.25
    kept_days = {
        "readings": keeping.readings_s / 86_400,
        "minutes": keeping.minutes_s / 86_400,
        "quarter_hours": keeping.quarter_hours_s / 86_400,
    }
    grown = sum(day[table] * min(years, kept_days.get(table, years)) for table in TABLES)
    return {**day, "five_years": grown}


if __name__ == "__main__":
    _run(Path(sys.argv[1]), Path(sys.argv[2]), sys.argv[3:])
