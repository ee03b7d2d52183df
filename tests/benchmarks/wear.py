"""Bytes that a day's keeping puts on the card: one reading a second on four channels.

The kernel counts a page when it becomes dirty, so a day in a minute would write one page many
times and count it once. Therefore the files are flushed after each writing, which is the worst
that a card can see: in life the kernel flushes after about 30 s, and a batch is a minute.
"""

import json
import os
import subprocess
import sys
import tempfile
from pathlib import Path

from tests.benchmarks.result import Result

DAY_S = 86_400
CHANNELS = ("line_pressure", "oxygen", "running", "room_temperature")


def measure() -> list[Result]:
    """Bytes a day, and what years take on the card."""
    with tempfile.TemporaryDirectory(dir=Path.cwd(), prefix=".bench-") as name:
        done = subprocess.run(
            [sys.executable, "-m", "tests.benchmarks.wear", name],
            stdout=subprocess.PIPE,
            check=True,
            text=True,
        )
    found = json.loads(done.stdout)
    return [
        Result("written in a day", found["written"] / 1e6, "MB", 12.0),
        Result("readings kept, a day", found["readings"] / 1e6, "MB", float("inf")),
        Result("minutes kept, a day", found["minutes"] / 1e6, "MB", float("inf")),
        Result("quarter-hours kept, a day", found["quarter_hours"] / 1e6, "MB", float("inf")),
        Result("events kept, a day", found["events"] / 1e6, "MB", float("inf")),
        Result("card space after five years", found["five_years"] / 1e6, "MB", 2000.0),
    ]


def _settings() -> str:
    """The invented site without the system of its own pressure: four channels."""
    text = (Path(__file__).parents[2] / "edge" / "saltmarsh.toml").read_text(encoding="utf-8")
    head, *channels = text.split("[[channel]]")
    before, _, rest = head.partition("[[system]]")
    limits = rest[rest.index("[limits]") :]
    used = [c for c in channels if c.split('"')[1] in CHANNELS]
    return "[[channel]]".join([before + limits, *used])


def _written() -> int:
    text = Path("/proc/self/io").read_text()
    return int(text.partition("write_bytes:")[2].split()[0])


def _run(folder: Path) -> None:
    from edge.clock import ManualClock
    from edge.settings import load
    from edge.wiring import daemon

    t0 = 1_764_072_000.0
    clock = ManualClock(t0)
    site = folder / "site.toml"
    site.write_text(_settings(), encoding="utf-8")
    settings = load(site)
    state = folder / "state"
    with daemon(settings, state, state, lambda _: clock, show=lambda *_: None) as loop:
        loop.tick()
        files = [os.open(state / f"dryhold.db{end}", os.O_RDONLY) for end in ("", "-wal")]
        wal = state / "dryhold.db-wal"
        before, stamp = _written(), wal.stat().st_mtime_ns
        for i in range(1, DAY_S + 1):
            clock.wait_until(t0 + i)
            loop.tick()
            now = wal.stat().st_mtime_ns
            if now != stamp:
                stamp = now
                for file in files:
                    os.fsync(file)
        written = _written() - before
        for file in files:
            os.close(file)
    print(json.dumps({"written": written, **_sizes(state, settings.keeping)}))


def _sizes(state: Path, keeping: object) -> dict[str, float]:
    """Bytes a day of each table, and of all after five years with the default retention."""
    import sqlite3

    with sqlite3.connect(state / "dryhold.db") as db:
        table = {
            name: db.execute("SELECT sum(pgsize) FROM dbstat WHERE name = ?", (name,)).fetchone()[0]
            for name in ("readings", "minutes", "quarter_hours", "events")
        }
    db.close()
    days = 5 * 365.25
    kept_days = {
        "readings": min(days, keeping.readings_s / 86_400),  # type: ignore[attr-defined]
        "minutes": min(days, keeping.minutes_s / 86_400),  # type: ignore[attr-defined]
        "quarter_hours": min(days, keeping.quarter_hours_s / 86_400),  # type: ignore[attr-defined]
        "events": days,
    }
    return {**table, "five_years": sum(table[name] * kept_days[name] for name in table)}


if __name__ == "__main__":
    _run(Path(sys.argv[1]))
