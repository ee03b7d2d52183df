"""The live loop against a bare one: processor time a tick, and resident memory.

Both look at the same ten channels of the depot with everything on (everything.py), on imitated wires
through the real drivers. The bare loop then only writes a row and publishes it, each tick. The daemon
does all its work, with five years behind it. The converters take their real time and the drivers
wait for them; only the rest of each second is left out, and what the imitated plant itself costs.
"""

import json
import shutil
import sqlite3
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

from edge.clock import ManualClock
from edge.sensors.bench import Bench
from tests.benchmarks import everything
from tests.benchmarks.process import Process
from tests.benchmarks.result import Result

WARM = 100
TICKS = 500
ROUNDS = 3  # taken in turns, the best of each counts: other work on the machine only adds
Tick = Callable[[], float]
"""Does a tick; the processor seconds that the world took in all of them so far."""


def measure() -> list[Result]:
    """Ratio of processor time, and the daemon's memory."""
    from tests.benchmarks.servers import FIVE_YEARS, Depot, depot

    def child(mode: str, site: Depot, state: Path) -> dict[str, float]:
        words = [sys.executable, "-m", "tests.benchmarks.live", mode, site.site, state]
        done = subprocess.run(
            [*map(str, words), str(site.plain_port)],
            stdout=subprocess.PIPE,
            check=True,
            text=True,
            env=site.environment,
        )
        found: dict[str, float] = json.loads(done.stdout)
        return found

    with depot("live") as site:
        long = site.live(FIVE_YEARS)
        rounds = []
        for i in range(ROUNDS):
            state = Path(shutil.copytree(long, site.folder / f"live{i}"))
            rounds.append([child(mode, site, state) for mode in ("bare", "daemon")])
    bare, full = (min(found, key=lambda f: f["cpu_ms"]) for found in zip(*rounds, strict=True))
    return [
        Result("bare loop, processor time a tick", bare["cpu_ms"], "ms"),
        Result("live loop, processor time a tick", full["cpu_ms"], "ms"),
        Result("live loop over bare loop", full["cpu_ms"] / bare["cpu_ms"], "times", 1.5),
        Result("bare loop, resident", bare["rss_mb"], "MB"),
        Result("live loop, resident", full["rss_mb"], "MB", 64.0),
    ]


@contextmanager
def _bare(site: Path, state: Path, port: int) -> Iterator[Tick]:
    import paho.mqtt.client as paho
    from paho.mqtt.enums import CallbackAPIVersion

    from edge.sensors.bench import look, open_sensors
    from tests.benchmarks.wires import Wires

    settings, clock = everything.load(site), ManualClock(everything.UNTIL)
    wires = Wires(settings, state / "w1", clock)
    sensors = open_sensors(settings, wires.bench())
    columns = ", ".join(f"{channel.name} REAL" for channel in settings.channel)
    row = f"INSERT INTO readings VALUES (?{', ?' * len(sensors)})"
    db = sqlite3.connect(state / "bare.db")
    db.execute("PRAGMA journal_mode = WAL")
    db.execute("PRAGMA synchronous = NORMAL")
    db.execute(f"CREATE TABLE readings (t REAL PRIMARY KEY, {columns})")
    client = paho.Client(CallbackAPIVersion.VERSION2)
    client.connect("127.0.0.1", port)
    client.loop_start()
    world_s = 0.0

    def tick() -> float:
        nonlocal world_s
        began = time.process_time()
        clock.wait_until(clock.steady() + 1.0)
        wires.show()
        world_s += time.process_time() - began
        values = [reading.value for reading in look(sensors)]
        with db:
            db.execute(row, (clock.steady(), *values))
        client.publish("bare", json.dumps([clock.steady(), *values]))
        return world_s

    yield tick
    for sensor in sensors:
        sensor.close()
    client.disconnect()
    client.loop_stop()
    db.close()


@contextmanager
def _daemon(site: Path, state: Path, _port: int) -> Iterator[Tick]:
    from tests.benchmarks.wires import Wires

    settings = everything.load(site)

    def bench(clock: ManualClock) -> tuple[Bench, Callable[[], None]]:
        wires = Wires(settings, state / "w1", clock)
        return wires.bench(), wires.show

    with everything.running(settings, state, bench) as loop:

        def tick() -> float:
            loop.tick(deeds=False)
            return loop.world_s

        yield tick


def _run(mode: str, *where: Path, port: int) -> None:
    with {"bare": _bare, "daemon": _daemon}[mode](*where, port) as tick:
        for _ in range(WARM):
            world_s = tick()
        before = time.process_time() - world_s
        for _ in range(TICKS):
            world_s = tick()
        spent_s = time.process_time() - world_s - before
        memory = Process().megabytes("VmRSS")
    print(json.dumps({"cpu_ms": 1000.0 * spent_s / TICKS, "rss_mb": memory}))


if __name__ == "__main__":
    _run(sys.argv[1], Path(sys.argv[2]), Path(sys.argv[3]), port=int(sys.argv[4]))
