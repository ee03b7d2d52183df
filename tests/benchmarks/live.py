"""The live loop against a bare one: processor time a tick, and resident memory.

Both look at the same four channels, three on an imitated converter and a run contact on an
imitated pin, through the real drivers. The bare loop then only writes a row and publishes it,
each tick. The daemon does all its work. The converter takes its real time and the drivers wait for
it; only the rest of each second is left out.
"""

import importlib
import json
import random
import shutil
import sqlite3
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from tests.benchmarks.result import Result

T0 = 1_764_072_000.0
WARM = 100
TICKS = 500
ROUNDS = 3  # taken in turns, the best of each counts: other work on the machine only adds
SITE = """
[site]
name = "Saltmarsh Lane depot"
id = "saltmarsh-lane"
[supply]
pressure = "line_pressure"
oxygen = "oxygen"
running = "running"
temperature = "room_temperature"
cut_in = "38 psi"
cut_out = "52 psi"
volume = "310 gal"
[[channel]]
name = "line_pressure"
quantity = "pressure"
unit = "psi"
input = "ads1115:0x48/0"
reads = { volts = [0.5, 4.5], as = [0, 100] }
divider = 2.0
[[channel]]
name = "oxygen"
quantity = "oxygen"
unit = "%"
input = "ads1115:0x48/1"
reads = { volts = [0.0, 2.0], as = [0, 25] }
[[channel]]
name = "room_temperature"
quantity = "temperature"
unit = "°C"
input = "ads1115:0x48/2"
reads = { volts = [0.0, 2.0], as = [-40, 60] }
[[channel]]
name = "running"
quantity = "running"
input = "gpio:17"
"""


def measure() -> list[Result]:
    """Ratio of processor time, and the daemon's memory."""
    mosquitto = shutil.which("mosquitto", path="/usr/sbin:/usr/bin:/usr/local/sbin:/bin")
    if mosquitto is None:
        raise SystemExit("live: needs mosquitto")
    brokers = _load("tests.tell.brokers")
    with tempfile.TemporaryDirectory(dir=Path.cwd(), prefix=".bench-") as name:
        folder = Path(name)
        broker = brokers.Broker(mosquitto, folder)
        try:
            rounds = [
                [_child(mode, folder / f"{mode}{i}", broker.port) for mode in ("bare", "daemon")]
                for i in range(ROUNDS)
            ]
        finally:
            broker.stop()
    bare, full = (min(found, key=lambda f: f["cpu_ms"]) for found in zip(*rounds, strict=True))
    return [
        Result("bare loop, processor time a tick", bare["cpu_ms"], "ms", float("inf")),
        Result("live loop, processor time a tick", full["cpu_ms"], "ms", float("inf")),
        Result("live loop over bare loop", full["cpu_ms"] / bare["cpu_ms"], "times", 1.5),
        Result("bare loop, resident", bare["rss_mb"], "MB", float("inf")),
        Result("live loop, resident", full["rss_mb"], "MB", 64.0),
    ]


def _load(path: str) -> Any:
    return importlib.import_module(path)


def _child(mode: str, folder: Path, port: int) -> dict[str, float]:
    folder.mkdir()
    done = subprocess.run(
        [sys.executable, "-m", "tests.benchmarks.live", mode, folder, str(port)],
        stdout=subprocess.PIPE,
        check=True,
        text=True,
    )
    found: dict[str, float] = json.loads(done.stdout)
    return found


class Life:
    """Real time for the imitated converter, with a second added for each tick."""

    def __init__(self) -> None:
        self.added_s = 0.0

    @property
    def now(self) -> float:
        return time.monotonic() + self.added_s

    def steady(self) -> float:
        return self.now

    def sleep(self, seconds: float) -> None:
        time.sleep(seconds)


class Pipe:
    """The volts of a supply that cycles twice an hour, with an instrument's noise."""

    def __init__(self) -> None:
        from gpiozero.pins.mock import MockFactory

        imitation = _load("tests.sensors.imitation")
        self.hand = Life()
        self.chip = imitation.Ads1115(self.hand, 1.2, 0.16, 1.2, 0.0)
        self.wire = imitation.Wire(x48=self.chip)
        self.pins = MockFactory()
        self.pins.pin(17).drive_high()
        self._noise = random.Random(1)

    def at(self, t: float) -> None:
        phase = t % 1800.0
        running = phase < 300.0
        psi = 38.0 + 14.0 * (phase / 300.0 if running else 1.0 - (phase - 300.0) / 1500.0)
        noise = self._noise.gauss
        self.chip.volts[0] = (0.5 + 0.04 * psi + noise(0.0, 0.0004)) / 2.0
        self.chip.volts[1] = 0.16 + noise(0.0, 0.001)
        self.chip.volts[2] = 1.2 + noise(0.0, 0.0005)
        pin = self.pins.pin(17)
        (pin.drive_low if running else pin.drive_high)()
        self.hand.added_s += 1.0

    def bench(self) -> Any:
        from edge.sensors.bench import Bench
        from edge.sensors.i2c import Bus

        return Bench(
            steady=self.hand.steady,
            sleep=self.hand.sleep,
            open_bus=lambda: Bus(self.wire, None),
            open_pins=lambda: self.pins,
        )


@contextmanager
def _bare(folder: Path, port: int) -> Iterator[Callable[[float], None]]:
    import paho.mqtt.client as paho
    from paho.mqtt.enums import CallbackAPIVersion

    from edge.sensors.bench import look, open_sensors
    from edge.settings import load

    pipe = Pipe()
    sensors = open_sensors(load(folder / "site.toml"), pipe.bench())
    db = sqlite3.connect(folder / "bare.db")
    db.execute("PRAGMA journal_mode = WAL")
    db.execute("PRAGMA synchronous = NORMAL")
    db.execute("CREATE TABLE readings (t REAL PRIMARY KEY, a REAL, b REAL, c REAL, d REAL)")
    client = paho.Client(CallbackAPIVersion.VERSION2)
    client.connect("127.0.0.1", port)
    client.loop_start()

    def tick(t: float) -> None:
        pipe.at(t)
        values = [reading.value for reading in look(sensors)]
        with db:
            db.execute("INSERT INTO readings VALUES (?, ?, ?, ?, ?)", (t, *values))
        client.publish("bare", json.dumps([t, *values]))

    yield tick
    client.disconnect()
    client.loop_stop()
    db.close()


@contextmanager
def _daemon(folder: Path, port: int) -> Iterator[Callable[[float], None]]:
    from edge.clock import ManualClock
    from edge.settings import load
    from edge.wiring import daemon

    (folder / "site.toml").write_text(
        f'{SITE}[[mqtt]]\nhost = "127.0.0.1"\nport = {port}\n', encoding="utf-8"
    )
    pipe = Pipe()
    clock = ManualClock(T0)
    with (
        tempfile.TemporaryDirectory(dir="/dev/shm", prefix="dryhold-bench-") as runtime,
        daemon(
            load(folder / "site.toml"),
            folder / "state",
            Path(runtime),
            lambda _: clock,
            lambda _: pipe.bench(),
        ) as loop,
    ):

        def tick(t: float) -> None:
            pipe.at(t)
            clock.wait_until(t)
            loop.tick()

        yield tick
        loop.stop()


def _run(mode: str, folder: Path, port: int) -> None:
    (folder / "site.toml").write_text(SITE, encoding="utf-8")
    with {"bare": _bare, "daemon": _daemon}[mode](folder, port) as tick:
        for i in range(WARM):
            tick(T0 + i)
        before = time.process_time()
        for i in range(WARM, WARM + TICKS):
            tick(T0 + i)
        spent_s = time.process_time() - before
    status = Path("/proc/self/status").read_text()
    rss_kb = int(status.partition("VmRSS:")[2].split()[0])
    print(json.dumps({"cpu_ms": 1000.0 * spent_s / TICKS, "rss_mb": rss_kb / 1024.0}))


if __name__ == "__main__":
    _run(sys.argv[1], Path(sys.argv[2]), int(sys.argv[3]))
