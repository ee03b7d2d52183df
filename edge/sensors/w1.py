"""DS18B20 thermometers through the kernel's 1-Wire files.

Reading /sys/bus/w1/devices/<id>/w1_slave makes the kernel start a conversion and wait for it,
750 ms at 12 bits, and longer with more probes on the wire. So each probe has a thread of its
own: a look takes the answer to the question asked at the look before, and asks again. An answer
is at most one tick and one conversion old; with none for OLDEST_S there is no value.

Sources: the file's form, Linux Documentation/w1/slaves/w1_therm.rst; the power-on value of 85 °C
and the scratchpad, Maxim DS18B20 data sheet.
"""

import re
import threading
from collections.abc import Mapping
from pathlib import Path
from typing import NamedTuple

from edge.model import Reading, Status, on_grid
from edge.sensors.bench import Bench
from edge.settings import Channel, Settings

OLDEST_S = 30.0
FIRST_S = 2.0  # the very first look waits this long for an answer, so that a start is not a fault

_CRC = re.compile(r"^((?:[0-9a-f]{2} ){9}): crc=[0-9a-f]{2} (YES|NO)$")
_T = re.compile(r"^(?:[0-9a-f]{2} ){9}t=(-?\d{1,6})$")


class Answer(NamedTuple):
    celsius: float | None
    why: str | None = None


def parse(text: str) -> Answer:
    """What the two lines of a w1_slave file say."""
    lines = text.splitlines()
    crc = _CRC.match(lines[0]) if len(lines) == 2 else None
    t = _T.match(lines[1]) if crc else None
    if crc is None or t is None:
        return Answer(None, "the probe gave no answer that can be read")
    if crc[2] == "NO":
        return Answer(None, "checksum wrong: a poor joint, a long branch or interference")
    if not crc[1].replace("00 ", ""):
        # Nine zeros have a right checksum, and are what a line held low sends.
        return Answer(None, "only zeros: the 1-Wire line is held low")
    if t[1] == "85000":
        return Answer(None, "85 °C, the probe's power-on value: it lost its supply while measuring")
    return Answer(int(t[1]) / 1000.0)


class Probe:
    """One thermometer and the thread that waits for it."""

    def __init__(self, channel: Channel, settings: Settings, bench: Bench) -> None:
        self.channel = channel.name
        self.quantity = channel.quantity
        self._file = bench.w1_folder / channel.address / "w1_slave"
        self._bench = bench
        self._oldest_s = max(OLDEST_S, 3.0 * settings.keeping.every_s)
        self._asked = threading.Event()
        self._answered = threading.Event()
        self._closed = False
        self._answer: tuple[float, Answer] | None = None
        self._opened_at = bench.steady()
        self._first = True
        self._thread = threading.Thread(target=self._wait_on_it, name=f"w1 {channel.name}")
        self._thread.daemon = True  # a thread waiting in the kernel must not hold up an exit
        self._asked.set()
        self._thread.start()

    def read(self, so_far: Mapping[str, Reading]) -> Reading:
        if self._first:
            self.answered(FIRST_S)
            self._first = False
        latest = self._answer
        self._answered.clear()
        self._asked.set()
        now = self._bench.steady()
        age_s = now - (latest[0] if latest else self._opened_at)
        if latest is None or age_s > self._oldest_s:
            return self._failed(f"no answer from the 1-Wire bus for {age_s:.0f} s")
        celsius, why = latest[1]
        if celsius is None:
            return self._failed(str(why))
        return Reading(self.channel, self.quantity, on_grid(celsius))

    def answered(self, within_s: float) -> bool:
        """Wait for the answer to the latest question; False when it did not come in time."""
        return self._answered.wait(within_s)

    def close(self) -> None:
        """Let the thread end; one that waits in the kernel ends when the kernel lets it go."""
        self._closed = True
        self._asked.set()

    def _failed(self, why: str) -> Reading:
        return Reading(self.channel, self.quantity, None, Status.FAILURE, why)

    def _wait_on_it(self) -> None:
        while True:
            self._asked.wait()
            self._asked.clear()
            if self._closed:
                return
            answer = _ask(self._file)
            self._answer = (self._bench.steady(), answer)
            self._answered.set()


def _ask(file: Path) -> Answer:
    try:
        return parse(file.read_text("ascii"))
    except FileNotFoundError:
        return Answer(None, f"no probe {file.parent.name} on the 1-Wire bus")
    except UnicodeDecodeError:
        return Answer(None, "the probe gave no answer that can be read")
    except OSError as error:
        return Answer(None, f"the 1-Wire bus could not be read: {error.strerror}")


def open_sensor(channel: Channel, settings: Settings, bench: Bench) -> Probe:
    return Probe(channel, settings, bench)
