"""What people ask of the daemon, past the page's own checks."""

import json
import sqlite3
from pathlib import Path
from typing import Any

from edge.judge import Judge
from edge.model import Tick, on_grid
from edge.settings import load
from edge.store import requests
from tests.fuzz.place import EXAMPLE, NOW
from tests.fuzz.target import Target, by_tick, target

PER_TICK = requests.MOST_WAITING
FULL = by_tick(PER_TICK, f"{PER_TICK} requests at most wait for a tick, and more are refused")


@target(FULL)
def request(scratch: Path) -> Target:
    """A request in the letterbox: whatever it asks, it reaches the judge or is set aside, judging
    goes on, and facts and state can be kept and told."""
    settings = load(EXAMPLE)
    box = requests.Box(scratch)
    raw = sqlite3.connect(scratch / requests.FILE)
    channels = len(settings.channel)
    fresh = Judge(settings)
    for n in range(60):
        fresh.look(Tick(float(n), NOW, tuple(on_grid(300.0) for _ in range(channels))))
    kept = json.dumps(fresh.state())

    def feed(data: bytes) -> None:
        kind, _, body = data.partition(b" ")
        with raw:
            raw.execute("DELETE FROM requests")
            raw.execute(POSTED, (kind, b"somebody", body))
        waiting = tuple(box.waiting())
        if not waiting:
            return
        judge = Judge(settings, json.loads(kept))
        values = tuple(on_grid(300.0) for _ in range(channels))
        for t, asked in ((60.0, waiting), (61.0, ()), (4000.0, ())):
            for event in judge.look(Tick(t, NOW, values, requests=asked)):
                written(event.as_json())
        state = json.loads(written(judge.state()))
        written(Judge(settings, state).picture())

    return Target(feed, SEEDS)


POSTED = (
    "INSERT INTO requests (posted_ms, kind, by, what)"
    " VALUES (0, CAST(? AS TEXT), CAST(? AS TEXT), CAST(? AS TEXT))"
)


def written(plain: Any) -> bytes:
    """As the database and every receiver are given it."""
    return json.dumps(plain, ensure_ascii=False, allow_nan=False).encode()


_BODIES = (
    b"{}",
    b'{"section": "supply", "method": "supply line", "note": "x"}',
    b'{"section": "supply", "alert": "low_pressure", "for_s": 3600, "subject": null}',
    b'{"loss_kpa_per_h": 1.5, "sd": 0.1}',
    b'{"for_s": 3600.0}',
    b'{"section": "supply", "method": "supply line", "note": "\\ud83d\\udcff"}',
    b'{"for_s": -1e308, "loss_kpa_per_h": null, "section": ["supply"]}',
    b'{"step": "oxygen_air", "values": {"temperature_c": 20.0, "humidity_pct": 50.0}}',
    b'{"step": "readiness", "values": {"station": true}, "phase": "begin"}',
    b'{"step": "oxygen_second", "why": "no gas at hand"}',
    b'{"name": "Ana", "role": "technician", "witness": "", "note": ""}',
    b'{"section": "supply", "why": "measured", "oxygen_pct": 4.2}',
    b'{"section": "supply", "work": "x", "done_at": "2026-03-01T12:00:00+00:00", "done_by": "Ana",'
    b' "role": "r", "readings": [{"what": "gauge", "value": 2.0, "quantity": "pressure",'
    b' "uncertainty": 0.1, "source": "Ana"}], "findings": ["rust"], "notes": "", "supersedes": null}',
)
SEEDS = tuple(kind.encode() + b" " + body for kind in requests.KINDS for body in _BODIES)


@target(FULL)
def letterbox(scratch: Path) -> Target:
    """A letterbox with anything in its rows: StoreError at most, and the good row is still read."""
    folder = scratch / "box"
    folder.mkdir()
    box = requests.Box(folder)
    raw = sqlite3.connect(folder / requests.FILE)

    def feed(data: bytes) -> None:
        kind, _, what = data.partition(b" ")
        sql = POSTED.replace(" AS TEXT", " AS BLOB") if data[:1] == b"\xff" else POSTED
        with raw:
            raw.execute("DELETE FROM requests")
            raw.execute(sql, (kind, kind, what))
        mine = box.post("baseline_learn", "desk", {})
        assert mine in [request.id for request in box.waiting()]

    return Target(feed, (b"hold_start {}", b'shelve {"for_s": 1}', b"x [1, 2]", b"x {", b"\xff {}"))
