"""What people ask of the daemon, past the page's own checks."""

import json
import sqlite3
import zlib
from collections.abc import Sequence
from pathlib import Path
from random import Random
from typing import Any

from edge.judge import Judge
from edge.model import Tick, on_grid
from edge.settings import load
from edge.store import requests
from tests.fuzz.mutate import mutated
from tests.fuzz.place import EXAMPLE, NOW
from tests.fuzz.target import Target, by_tick, target

PER_TICK = requests.MOST_WAITING
FULL = by_tick(
    why=f"an input is a whole tick's, {PER_TICK} requests: more are refused while those wait"
)
ALONE = 8
"""Of so many inputs, one's first request is looked at alone as well: what others ask may be what
refuses it."""


def of_one_tick(data: bytes, seeds: Sequence[bytes], most: int) -> list[bytes]:
    """`most` requests: the input's lines, and what becomes of them and of the seeds when they are
    made wrong, each in its own way; some stay good, so that what follows has something under way.
    The same input gives the same ones in the same order."""
    rng = Random(zlib.crc32(data))
    lines = data.split(b"\n")[:most]
    asked = list(lines)
    while len(asked) < most:
        one = rng.choice(lines if rng.random() < 0.5 else seeds)
        asked.append(one if rng.random() < 0.1 else mutated(one, rng.getrandbits(32), seeds))
    rng.shuffle(asked)
    return asked


@target(FULL)
def request(scratch: Path) -> Target:
    """The requests in the letterbox, one a line: whatever they ask, they reach the judge or are set
    aside, judging goes on, and facts and state can be kept and told."""
    settings = load(EXAMPLE)
    box = requests.Box(scratch)
    raw = sqlite3.connect(scratch / requests.FILE)
    channels = len(settings.channel)
    fresh = Judge(settings)
    for n in range(60):
        fresh.look(Tick(float(n), NOW, tuple(on_grid(300.0) for _ in range(channels))))
    kept = json.dumps(fresh.state())

    def feed(data: bytes) -> None:
        look(of_one_tick(data, SEEDS, PER_TICK))
        if zlib.crc32(data) % ALONE == 0:
            look(data.split(b"\n")[:1])

    def look(asked: Sequence[bytes]) -> None:
        parts = [one.partition(b" ") for one in asked]
        with raw:
            raw.execute("DELETE FROM requests")
            raw.executemany(POSTED, [(kind, b"somebody", body) for kind, _, body in parts])
        waiting = tuple(box.waiting())
        if not waiting:
            return
        judge = Judge(settings, json.loads(kept))
        values = tuple(on_grid(300.0) for _ in range(channels))
        for t, now in ((60.0, waiting), (61.0, ()), (4000.0, ())):
            for event in judge.look(Tick(t, NOW, values, requests=now)):
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
    """A letterbox with anything in its rows, one a line: StoreError at most, and the good row among
    them is still read."""
    folder = scratch / "box"
    folder.mkdir()
    box = requests.Box(folder)
    raw = sqlite3.connect(folder / requests.FILE)

    def feed(data: bytes) -> None:
        with raw:
            raw.execute("DELETE FROM requests")
            for row in of_one_tick(data, seeds, PER_TICK - 1):
                kind, _, what = row.partition(b" ")
                sql = POSTED.replace(" AS TEXT", " AS BLOB") if row[:1] == b"\xff" else POSTED
                raw.execute(sql, (kind, kind, what))
        mine = box.post("baseline_learn", "desk", {})
        assert mine in [request.id for request in box.waiting()]

    seeds = (b"hold_start {}", b'shelve {"for_s": 1}', b"x [1, 2]", b"x {", b"\xff {}")
    return Target(feed, seeds)
