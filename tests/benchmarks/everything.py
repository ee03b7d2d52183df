"""The depot with everything on that the settings know: one set-up for every benchmark of a whole site.

everything.toml is its settings: ten channels over converters, pins and 1-Wire, two systems with gas
and cost, two brokers, mail, work, button, beacon and buzzer, a page that wants a code. servers.py has
what it tells and its years of history, wires.py its inputs. Here is the daemon itself, in time moved
by hand; this module loads nothing that the daemon does not, so that its memory can be read.
"""

import tempfile
import time
import tomllib
from collections.abc import Callable, Collection, Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path
from typing import Any, NamedTuple

from edge.clock import ManualClock
from edge.daemon import Daemon
from edge.memory import give_back
from edge.sensors.bench import Bench
from edge.settings import Settings, check
from edge.wiring import daemon

FOUR = ("line_pressure", "oxygen", "running", "room_temperature")
UNTIL = 1_764_072_000.0
"""UTC at which the years of history end and the daemon begins."""

HOUR_S, DAY_S = 3600, 86_400


class Deed(NamedTuple):
    """What a technician asks for, again and again."""

    every_s: int
    at_s: int
    kind: str
    what: Mapping[str, Any]


DEEDS = (
    Deed(DAY_S, 1 * HOUR_S, "hold_start", {"section": "supply"}),
    Deed(DAY_S, 9 * HOUR_S, "acknowledge", {}),
    Deed(DAY_S, 11 * HOUR_S, "working", {"for_s": 1800.0}),
    Deed(DAY_S, 12 * HOUR_S, "work_done", {"work": "gauges read", "notes": "All in order."}),
    Deed(7 * DAY_S, 13 * HOUR_S, "gas_restart", {"section": "Loading dock", "why": "drained"}),
    Deed(7 * DAY_S, 14 * HOUR_S, "visit_start", {}),
    Deed(7 * DAY_S, 18 * HOUR_S, "visit_abandon", {}),
)


def load(file: Path, *, simulated: bool = False, only: Collection[str] = ()) -> Settings:
    """The settings in the file; with every input simulated (the depot's story, which has no voltage),
    or as a site that has no other channels than `only`."""
    raw = tomllib.loads(file.read_text(encoding="utf-8"))
    if simulated:
        raw["channel"] = [
            {**{k: v for k, v in row.items() if k != "supplied_by"}, "input": "simulated:depot"}
            for row in raw["channel"]
            if row["quantity"] != "voltage"
        ]
    if only:
        raw["channel"] = [row for row in raw["channel"] if row["name"] in only]
        raw["system"] = [row for row in raw["system"] if row["pressure"] in only]
        raw["site"].pop("barometer")
    return check(raw)


class Loop:
    """The real daemon and its clock."""

    def __init__(
        self, made: Daemon, clock: ManualClock, runtime: Path, before: Callable[[], None]
    ) -> None:
        """`before` is done ahead of each tick, by the world and not by the daemon."""
        self.daemon, self.runtime, self._clock, self._before = made, runtime, clock, before
        self._began = clock.steady()
        self.world_s = 0.0  # processor time that `before` took

    @property
    def gone_s(self) -> float:
        """Seconds of the site's life since the start."""
        return self._clock.steady() - self._began

    def tick(self, deeds: bool = True) -> None:
        """A second of life, with what people ask for in it."""
        began = time.process_time()
        self._clock.wait_until(self._clock.steady() + 1.0)
        self._before()
        for deed in DEEDS if deeds else ():
            if round(self.gone_s) % deed.every_s == deed.at_s:
                self.daemon._letterbox.post(deed.kind, "Ana Ruiz", deed.what)
        self.world_s += time.process_time() - began
        self.daemon.tick()


@contextmanager
def running(
    settings: Settings,
    state: Path,
    bench: Callable[[ManualClock], tuple[Bench, Callable[[], None]]],
) -> Iterator[Loop]:
    """The daemon on that state folder, going on where its history ends; `latest.json` is in memory,
    as on the box. `bench` makes what the sensors stand on, and what moves it before each tick."""
    give_back()  # as the command does
    made: list[tuple[ManualClock, Callable[[], None]]] = []

    def clock(last: float | None) -> ManualClock:
        # Steady time stood still whenever the power was away.
        found = ManualClock(UNTIL if last is None else last + 1.0)
        found.set_wall(UNTIL + 1.0)
        return found

    def stand(given: Any) -> Bench:
        found, before = bench(given)
        made.append((given, before))
        return found

    with (
        tempfile.TemporaryDirectory(dir="/dev/shm", prefix="dryhold-bench-") as runtime,
        daemon(settings, state, Path(runtime), clock, stand) as loop,
    ):
        clock_made, before_tick = made[0]
        yield Loop(loop, clock_made, Path(runtime), before_tick)
        loop.stop()


def desk(clock: ManualClock) -> tuple[Bench, Callable[[], None]]:
    """What simulated inputs stand on, with imitated pins for the box."""
    from gpiozero.pins.mock import MockFactory

    factory = MockFactory()

    def forget() -> None:
        # An imitated pin remembers every level that it ever had, which a real one does not.
        if round(clock.steady()) % HOUR_S == 0:
            for pin in factory.pins.values():
                pin.clear_states()

    return Bench(steady=clock.steady, utc=clock.utc, open_pins=lambda: factory), forget
