"""A site whose line to the world breaks for a week, and whose monitor is killed all the time.

    python -m tests.tell.outage SETTINGS STATE WEEKS     one life of the daemon, until it is killed

The daemon is the real one, with its judges, its store and both messengers; the pressure that it
reads dips under the low limit every fifty minutes, which raises and clears an alert each time. Time
is moved by hand, a minute a tick, until the weeks are over; then it stands and the line is up.
"""

import json
import os
import random
import subprocess
import sys
import time
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any, NamedTuple

from edge.clock import ManualClock
from edge.model import Reading
from edge.settings import load
from edge.store.read import Reader
from edge.wiring import daemon

ROOT = Path(__file__).parents[2]
T0 = 1_764_072_000.0
EVERY_S = 60.0
DIP_EVERY_S = 3000.0
WEEK_S = 7 * 86400.0
KPA = {"low": 220.0, "usual": 300.0}


class Found(NamedTuple):
    """What came of it."""

    alerts: int  # raised in the week
    kept: list[str]  # the ids of all events, in order
    by_mqtt: list[str]  # as they arrived, doubles and all
    kept_alerts: list[str]  # the ids of those that people are told by mail
    by_mail: list[str]
    rss_mb: list[float]  # while everything was down


def live(settings: Path, state: Path, weeks: int) -> None:
    """One life: a line on stdout for each tick, with the second reached and the memory used."""
    site = load(settings)
    with daemon(
        site,
        state,
        state,
        clock=lambda last: ManualClock(T0 if last is None else last + EVERY_S),
    ) as made:
        clock = made._clock

        def look() -> list[Reading]:
            dip = (clock.steady() - T0) % DIP_EVERY_S < 600.0
            kpa = KPA["low" if dip else "usual"]
            return [
                Reading(
                    c.name, c.quantity, {"pressure": kpa, "temperature": 20.0}.get(c.quantity, 1.0)
                )
                for c in site.channel
            ]

        made._look = look
        while True:
            made.tick()
            waiting = {m.name: m.state() for m in made._messengers}
            print(json.dumps([clock.steady() - T0, _rss_mb(), waiting]), flush=True)
            if clock.steady() - T0 < weeks * WEEK_S:
                clock.wait_until(clock.steady() + EVERY_S)
            else:
                time.sleep(0.02)  # the weeks are over: only messages move


def _rss_mb() -> float:
    return int(Path("/proc/self/statm").read_text().split()[1]) * os.sysconf("SC_PAGE_SIZE") / 2**20


class Life:
    """A daemon in a process of its own."""

    def __init__(
        self, settings: Path, state: Path, environment: dict[str, str], weeks: int = 1
    ) -> None:
        self._process = subprocess.Popen(
            [sys.executable, "-m", "tests.tell.outage", settings, state, str(weeks)],
            stdout=subprocess.PIPE,
            text=True,
            cwd=ROOT,
            env={**os.environ, **environment},
        )

    def tick(self) -> list[Any]:
        assert self._process.stdout is not None
        line = self._process.stdout.readline()
        assert line.endswith("\n"), "the daemon ended by itself"
        found: list[Any] = json.loads(line)
        return found

    def kill(self) -> None:
        self._process.kill()
        self._process.communicate()


def through(
    folder: Path,
    settings: Path,
    environment: dict[str, str],
    kills: int,
    up: Callable[[], None],
    down: Callable[[], None],
    came: Callable[[], tuple[Sequence[str], Sequence[str]]],
    seed: int = 20_251_125,
) -> Found:
    """The week, with a kill at so many random moments: a fifth of them in its first day, while
    broker and mail server are there, most while they are away, a fifth while all is delivered.

    `up` and `down` bring broker and mail server up, and down without a word; `came` gives the ids
    of the events that each has received.
    """
    chance = random.Random(seed)
    state = folder / "state"
    few = kills // 5
    day, ticks = int(86400.0 / EVERY_S), int(WEEK_S / EVERY_S)
    moments = sorted(chance.sample(range(1, day), few))
    moments += sorted(chance.sample(range(day + 1, ticks), kills - 2 * few))
    rss: list[float] = []
    up()
    at, there, life = 0.0, True, Life(settings, state, environment)
    for moment in [*moments, None]:
        goal = WEEK_S if moment is None else moment * EVERY_S
        while at < goal:
            at, used, _ = life.tick()
            if there and at >= 86400.0:
                down()
                there = False
            if not there:
                rss.append(used)
        if moment is not None:
            life.kill()
            life = Life(settings, state, environment)
    up()
    for _ in range(few):
        for _ in range(chance.randint(1, 12)):
            life.tick()
        life.kill()
        life = Life(settings, state, environment)
    end = time.monotonic() + 120.0
    while any(one["waiting"] or not one["connected"] for one in life.tick()[2].values()):
        assert time.monotonic() < end, "not everything could be delivered"
    life.kill()
    with Reader(state) as reader:
        events = list(reversed(reader.events(1_000_000)))
    while time.monotonic() < end and len(set(came()[0])) < len(events):
        time.sleep(0.02)  # what the broker has accepted is on its way
    told = ("alert_raised", "alert_explained", "alert_cleared")
    by_mqtt, by_mail = came()
    return Found(
        sum(e["kind"] == "alert_raised" for e in events),
        [e["id"] for e in events],
        list(by_mqtt),
        [e["id"] for e in events if e["kind"] in told],
        list(by_mail),
        rss,
    )


def once(ids: Sequence[str]) -> list[str]:
    """In order of first arrival, doubles dropped."""
    return list(dict.fromkeys(ids))


if __name__ == "__main__":
    live(Path(sys.argv[1]), Path(sys.argv[2]), int(sys.argv[3]))
