"""Rows a second of `dryhold replay`'s judgement, beside a bare loop that only reads the file. The
seconds are the processor's, which on a machine with nothing else to do are those of the clock."""

import csv
import math
import random
import tempfile
import time
from datetime import UTC, datetime, timedelta
from pathlib import Path

from edge.judge import Judge
from edge.recording import Recording
from edge.settings import load
from tests.benchmarks.result import Result

ROWS, ROUNDS = 150_000, 3
LEAST_ROWS = 50_000  # a second
MOST_TIMES = 24.0
"""LEAST_ROWS as a ratio, for machines of another speed: the bare loop read 1.2 million rows a second
where that bound was set."""

SETTINGS = Path(__file__).parents[2] / "edge" / "saltmarsh.toml"


def _record(path: Path) -> None:
    """Pressure, oxygen, temperature and run of a cycling supply, a row every ten seconds."""
    r = random.Random(1)
    start, psi, running = datetime(2026, 1, 1, tzinfo=UTC), 45.0, 0
    with path.open("w", encoding="utf-8") as file:
        file.write("time,line_pressure [psi],oxygen [%],room_temperature [°F],running\n")
        for i in range(ROWS):
            psi += (16.0 if running else -1.2) / 360.0
            running = 1 if psi < 38.0 else 0 if psi > 52.0 else running
            at = (start + timedelta(seconds=10 * i)).strftime("%Y-%m-%dT%H:%M:%SZ")
            oxygen = (1.5 if running else 3.0) + r.gauss(0.0, 0.02)
            warm = 60.0 + 10.0 * math.sin(i / 1400.0)
            file.write(f"{at},{psi + r.gauss(0.0, 0.02):.3f},{oxygen:.3f},{warm:.2f},{running}\n")


def _bare(path: Path) -> float:
    begun = time.process_time()
    with path.open(encoding="utf-8", newline="") as file:
        rows = csv.reader(file)
        next(rows)
        for row in rows:
            datetime.fromisoformat(row[0]).timestamp()
            for cell in row[1:]:
                float(cell)
    return time.process_time() - begun


def _judged(path: Path) -> float:
    settings = load(SETTINGS)
    begun = time.process_time()
    recording = Recording(path, settings, print)
    judge = Judge(settings, absent=recording.absent)
    events = sum(len(judge.look(tick)) for tick in recording)
    spent = time.process_time() - begun
    if recording.rows != ROWS or not events:
        raise RuntimeError(f"{recording.rows} rows and {events} events of {ROWS} rows")
    return spent


def measure() -> list[Result]:
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "recording.csv"
        _record(path)
        pairs = [(_bare(path), _judged(path)) for _ in range(ROUNDS)]
    return [
        Result(
            "rows", ROWS / min(judged for _, judged in pairs), "a second", LEAST_ROWS, least=True
        ),
        Result(
            "time over that of only reading the rows",
            min(judged / bare for bare, judged in pairs),
            "times",
            MOST_TIMES,
        ),
    ]
