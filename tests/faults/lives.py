"""A site that is killed or loses its power again and again, and what came of it in the end.

    python -m tests.faults.lives FOLDER KILLS     the killed one, as JSON; it forks, so it is alone

The daemon is the real one, on the simulated depot with its leak and its bypass; somebody asks for a
hold test every other hour. Its time is moved by hand, one reading in ten seconds, with a gap between
two lives.
"""

import json
import os
import shutil
import signal
import sqlite3
import sys
import time
from collections.abc import Callable, Iterable, Mapping
from pathlib import Path
from random import Random
from typing import Any, NamedTuple

from edge.clock import ManualClock
from edge.daemon import Daemon
from edge.judge import Judge
from edge.settings import Settings, load
from edge.store.read import Reader
from edge.store.requests import FILE as LETTERBOX
from edge.store.schema import FILE
from edge.store.write import Writer
from edge.wiring import daemon
from tests.faults import receiver
from tests.faults.disk import Disk

T0 = 1_764_072_000.0
EVERY_S = 10.0
AWAY_S = 37.0
ASK_EVERY_S = 7200.0
DEPOT = Path(__file__).parents[2] / "edge" / "saltmarsh.toml"


def site(folder: Path) -> Path:
    """Its settings' file."""
    path = folder / "site.toml"
    text = DEPOT.read_text(encoding="utf-8").replace('"simulated"', '"simulated:depot"')
    path.write_text(f'{text}[keeping]\nevery = "{EVERY_S:g} s"\nwrite_every = "120 s"\n')
    return path


def live(settings: Settings, state: Path, ticked: Callable[[Daemon], bool]) -> None:
    """One life, until `ticked`, called after each tick, says False."""
    made: Daemon
    with daemon(
        settings,
        state,
        state,
        clock=lambda last: ManualClock(T0 if last is None else last + AWAY_S),
        show=lambda *_: None,
    ) as made:
        clock = made._clock
        while True:
            made.tick()
            if not ticked(made):
                return
            if clock.steady() // ASK_EVERY_S != (clock.steady() + EVERY_S) // ASK_EVERY_S:
                made._letterbox.post("hold_start", "test", {"section": "supply"})
            clock.wait_until(clock.steady() + EVERY_S)


def killed(folder: Path, kills: int, seed: int = 20_261_125) -> "Found":
    """Lives in processes of their own, each ended by SIGKILL at a random moment: some while they
    are still starting, the others anywhere in a tick or between two."""
    settings, state, log = load(site(folder)), folder / "state", folder / "received"
    chance = Random(seed)
    log.touch()
    receiver.put_in_place(log)
    for _ in range(kills):
        early = chance.random() < 0.15
        ticks = 0 if early else chance.randint(1, 300)
        hear, say = os.pipe()
        child = os.fork()
        if child == 0:
            try:
                os.close(hear)
                live(settings, state, lambda _, say=say: os.write(say, b".") == 1)  # type: ignore[misc]
            finally:
                os._exit(1)
        os.close(say)
        while ticks > 0:
            heard = os.read(hear, ticks)
            assert heard, "the daemon ended by itself"
            ticks -= len(heard)
        spin = time.perf_counter() + chance.uniform(0.0, 0.05 if early else 0.003)
        while time.perf_counter() < spin:
            pass
        os.kill(child, signal.SIGKILL)
        os.waitpid(child, 0)
        os.close(hear)
    live(settings, state, _delivered)
    return account(settings, state, receiver.received(log), kills + 1)


def cut(folder: Path, cuts: int, seed: int = 20_261_125) -> "Found":
    """Lives that each end with the power, in the middle of a write or a sync: a part of them while
    the database is opened, the others anywhere. The next one starts from what the card holds."""
    settings, chance = load(site(folder)), Random(seed)
    receiver.put_in_place()
    state, broken = folder / "life0", 0
    for number in range(cuts):
        with Disk() as disk:
            promised = Promised(disk)
            disk.cut_at(chance.randint(1, 60) if chance.random() < 0.2 else chance.randint(60, 900))
            live(settings, state, promised.ticked)
            before, state = state, folder / f"life{number + 1}"
            disk.after(before, state, chance)
        shutil.rmtree(before)
        broken += promised.broken(state)
    live(settings, state, _delivered)
    found = account(settings, state, receiver.got, cuts + 1)
    return found._replace(broken=broken)


class Promised:
    """What a life has promised when its power goes: events that were kept, requests taken in."""

    def __init__(self, disk: Disk) -> None:
        self._disk = disk
        self._events = self._requests = 0
        disk.seen = self._gone
        self._received = 0

    def _gone(self) -> None:
        self._received = len(receiver.got)

    def ticked(self, made: Daemon) -> bool:
        """After a tick. What a life did after its power was gone has not happened."""
        if self._disk.was_cut:
            del receiver.got[self._received :]
            return False
        self._events = _most(made._keeper._store._card.conn, "events")  # type: ignore[attr-defined]
        self._requests = _most(made._letterbox._box._conn, "requests")  # type: ignore[attr-defined]
        return True

    def broken(self, state: Path) -> int:
        """How many of them the card does not hold."""
        missing = 0
        for file, table, most in (
            (FILE, "events", self._events),
            (LETTERBOX, "requests", self._requests),
        ):
            if most:
                db = sqlite3.connect(state / file)
                try:
                    sql = f"SELECT count(*) FROM {table} WHERE id <= ?"
                    missing += most - int(db.execute(sql, (most,)).fetchone()[0])
                except sqlite3.DatabaseError:
                    missing += most  # not even the table
                db.close()
        return missing


def _most(db: sqlite3.Connection, table: str) -> int:
    return int(db.execute(f"SELECT coalesce(max(id), 0) FROM {table}").fetchone()[0])


def _delivered(made: Daemon) -> bool:
    """Whether the last life must go on: something waits, or a hold test is under way."""
    waits = any(m.state()["waiting"] for m in made._messengers)
    tests = made._judge.picture()["hold_tests"]
    return waits or any(test["state"] not in ("verdict", "void") for test in tests)


class Found(NamedTuple):
    """What came of it; everything after the first five should be nought."""

    kept: int  # events
    lives: int
    tests: int  # hold tests that came to their end
    resumed: int  # of those, the ones that went on over the end of a life
    void: int
    damaged: int  # faults that integrity_check finds
    lost: int  # events that one unbroken judgement of the kept readings gives, and are not kept
    doubled: int  # events kept that it does not give, or an id used twice
    untold: int  # events never received
    unknown: int  # events received that are not kept, or differ
    broken: int  # kept events and posted requests that a power cut took back
    open_tests: int  # begun and neither ended nor void, or ended and never begun


def account(
    settings: Settings, state: Path, received: Iterable[Mapping[str, Any]], lives: int
) -> Found:
    """Look at what is kept when the last life has ended."""
    names = [channel.name for channel in settings.channel]
    Writer(state, settings, []).close()
    with sqlite3.connect(state / FILE) as db:
        checked = [row[0] for row in db.execute("PRAGMA integrity_check")]
        checked += [str(row) for row in db.execute("PRAGMA foreign_key_check")]
    db.close()
    with Reader(state) as reader:
        ticks = list(reader.readings(names))
        kept = list(reversed(reader.events(limit=10_000_000)))
    judge = Judge(settings, simulated=settings.simulated)
    again = [event.as_json() for tick in ticks for event in judge.look(tick)]
    judged = [_bare(event) for event in again if _of_readings(event)]
    mine = [_bare(event) for event in kept if _of_readings(event)]
    by_id = {event["id"]: _bare(event) for event in kept}
    got = {event["id"]: _bare(event) for event in received}
    begun = ended = resumed = void = wrong = 0
    restarted = False
    for event in kept:
        if event["kind"] == "hold_test_started":
            begun, restarted = begun + 1, False
        elif event["kind"] == "monitor_started":
            restarted = True
        elif event["kind"] == "hold_test_finished":
            ended += 1
            wrong += ended != begun
            resumed += restarted
            void += event.get("void") is not None
    return Found(
        len(kept),
        lives,
        ended,
        resumed,
        void,
        0 if checked == ["ok"] else len(checked),
        _missing(judged, mine),
        _missing(mine, judged) + len(kept) - len(by_id),
        sum(one not in got for one in by_id),
        sum(by_id.get(one) != event for one, event in got.items()),
        0,
        wrong + begun - ended,
    )


def _bare(event: Mapping[str, Any]) -> str:
    return json.dumps({key: value for key, value in event.items() if key not in ("id", "n")})


def _of_readings(event: Mapping[str, Any]) -> bool:
    """Whether it follows from readings alone, without requests (a hold test's loss goes into the
    gas that is followed), disk and restarts."""
    aside = ("storage_low", "monitor_fault", "hold_test_failed")
    kinds = ("monitor_", "hold_test_", "inerting_")
    return not event["kind"].startswith(kinds) and event.get("alert") not in aside


def _missing(given: list[str], among: list[str]) -> int:
    left = list(among)
    count = 0
    for one in given:
        if one in left:
            left.remove(one)
        else:
            count += 1
    return count


if __name__ == "__main__":
    print(json.dumps(killed(Path(sys.argv[1]), int(sys.argv[2]))))
