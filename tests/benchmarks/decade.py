"""Ten years through the real writer: does retention keep the database bounded?

    python -m tests.benchmarks.decade [YEARS]

An hour at a time, a reading a minute on two channels (at full rate the readings, kept for 30 days,
take sixty times as many values: see wear), with the roll-ups, four events of the daily round an hour
told to one receiver, and an alert a day. The numbers of rows of roll-ups, events and notices are
those of life.
"""

import sqlite3
import sys
import tempfile
from itertools import pairwise
from pathlib import Path

from edge.model import Event, Tick, on_grid
from edge.settings import check
from edge.store.schema import FILE
from edge.store.write import Writer
from tests.benchmarks.result import Result, tell
from tests.store.small_site import RAW

T0 = 1_764_072_000.0
YEARS = 10.0
HOUR_S, YEAR_S = 3600, 365.25 * 86_400.0
ROUND = ("cut_in", "run_measured", "cut_out", "idle_measured")


def measure(years: float = YEARS) -> list[Result]:
    """Sizes at the end, and rows beyond their retention."""
    with tempfile.TemporaryDirectory(dir=Path.cwd(), prefix=".bench-") as name:
        folder = Path(name)
        settings = check(RAW)
        writer = Writer(folder, settings, ["receiver"])
        sizes = [_live(writer, folder, year, min(1.0, years - year)) for year in range(int(years))]
        writer.close()
        keeping, now = settings.keeping, T0 + int(years) * YEAR_S
        with sqlite3.connect(folder / FILE) as db:
            old = {
                table: db.execute(f"SELECT count(*) FROM {table} WHERE {key} < ?", (before,))
                .fetchone()[0]
                for table, key, before in (
                    ("readings", "first_ms", (now - keeping.readings_s) * 1000.0),
                    ("minutes", "start_s", now - keeping.minutes_s),
                    ("quarter_hours", "start_s", now - keeping.quarter_hours_s),
                    ("outbox", "accepted_ms", (now - 30 * 86_400.0) * 1000.0),
                )
            }  # fmt: skip
            sound = db.execute("PRAGMA quick_check").fetchone()[0]
        db.close()
    grown = [later - sooner for sooner, later in pairwise(sizes[1:])]
    return [
        *(Result(f"after year {y + 1}", size, "MB") for y, size in enumerate(sizes)),
        Result("at the end", sizes[-1], "MB", 500.0),
        Result("growth a year once all is full, the most", max(grown or [0.0]), "MB", 30.0),
        *(
            Result(f"{table} older than they are kept", count, "rows", 240.0)
            for table, count in old.items()
        ),
        Result("faults in the database", 0.0 if sound == "ok" else 1.0, "", 0.0),
    ]


def _live(writer: Writer, folder: Path, year: int, share: float) -> float:
    """A year of it; the file's megabytes afterwards."""
    start = T0 + year * YEAR_S
    for hour in range(int(share * YEAR_S / HOUR_S)):
        t = start + hour * HOUR_S
        ticks = [
            Tick(t + 60.0 * i, 0.0, (on_grid(300.0 + (hour * 60 + i) * 7919 % 1000 / 37.0), 0.0))
            for i in range(60)
        ]
        events = [
            Event(t, kind, "It happened.", "supply", {"pressure_kpa": 300.0}) for kind in ROUND
        ]
        if hour % 24 == 0:
            events.append(Event(t, "alert_raised", "It is low.", "supply", {"alert": "low"}))
        # Synced to the card once a day here, with every event in life.
        writer.keep(ticks, [], None)
        with writer._card.transaction(lasting=hour % 24 == 0):
            for event in events:
                writer._keep_event(event)
        waiting = [n for n, _ in writer.outbox.waiting("receiver", 0, 100)]
        writer.outbox.accepted("receiver", waiting, t)
    return (folder / FILE).stat().st_size / 1e6


if __name__ == "__main__":
    raise SystemExit(tell("decade", measure(*map(float, sys.argv[1:]))) > 0)
