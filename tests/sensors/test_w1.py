"""Thermometers, on files as the kernel writes them."""

import os
from collections.abc import Callable
from pathlib import Path

import pytest
from imitation import Hand
from sites import site

from edge.model import Reading, Status
from edge.sensors.bench import Bench, look, open_sensors
from edge.sensors.w1 import OLDEST_S, Probe, parse

ID = "28-0316a2795c01"
# The example of Linux Documentation/w1/slaves/w1_therm.rst's form; values of the data sheet's table.
GOOD = "91 01 4b 46 7f ff 0f 10 25 : crc=25 YES\n91 01 4b 46 7f ff 0f 10 25 t=25062\n"
COLD = "5e ff 4b 46 7f ff 02 10 57 : crc=57 YES\n5e ff 4b 46 7f ff 02 10 57 t=-10125\n"
BAD_CRC = GOOD.replace("YES", "NO")
POWER_ON = "50 05 4b 46 7f ff 0c 10 1c : crc=1c YES\n50 05 4b 46 7f ff 0c 10 1c t=85000\n"
HELD_LOW = "00 00 00 00 00 00 00 00 00 : crc=00 YES\n00 00 00 00 00 00 00 00 00 t=0\n"
ZERO = "00 00 4b 46 7f ff 0c 10 70 : crc=70 YES\n00 00 4b 46 7f ff 0c 10 70 t=0\n"


@pytest.mark.parametrize(
    ("text", "celsius", "word"),
    [
        (GOOD, 25.062, None),
        (COLD, -10.125, None),
        (ZERO, 0.0, None),
        (BAD_CRC, None, "checksum"),
        (POWER_ON, None, "power-on"),
        (HELD_LOW, None, "held low"),
        ("", None, "no answer"),
        (GOOD[:40], None, "no answer"),
        (GOOD.replace("t=25062", "t="), None, "no answer"),
    ],
)
def test_what_the_file_says(text: str, celsius: float | None, word: str | None) -> None:
    """A right answer is a temperature; each way in which the wire spoils one has its own reason."""
    answer = parse(text)
    assert answer.celsius == celsius
    assert (word is None and answer.why is None) or str(word) in str(answer.why)


@pytest.fixture
def hand() -> Hand:
    return Hand()


@pytest.fixture
def probe(tmp_path: Path, hand: Hand) -> Callable[[], Probe]:
    """Opens the probe on a folder that stands in for /sys/bus/w1/devices."""
    (tmp_path / ID).mkdir()

    def opened() -> Probe:
        settings = site(
            {"name": "room", "quantity": "temperature", "unit": "°F", "input": f"w1:{ID}"}
        )
        bench = Bench(steady=hand.steady, sleep=hand.sleep, w1_folder=tmp_path)
        sensor = open_sensors(settings, bench)[0]
        assert isinstance(sensor, Probe)
        return sensor

    return opened


def test_answers_follow_the_file(tmp_path: Path, probe: Callable[[], Probe]) -> None:
    """A look gives the answer to the question before it; a probe taken away and put back follows,
    and is no fault of the first look."""
    file = tmp_path / ID / "w1_slave"
    file.write_text(GOOD)
    sensor = probe()

    def settled() -> Reading:
        """The second of two looks, each with its question answered."""
        look([sensor])
        assert sensor.answered(10.0)
        (reading,) = look([sensor])
        assert sensor.answered(10.0)
        return reading

    assert look([sensor]) == [Reading("room", "temperature", 25.062)]
    assert sensor.answered(10.0)
    file.write_text(COLD)
    assert settled() == Reading("room", "temperature", -10.125)
    file.unlink()
    gone = settled()
    assert (gone.value, gone.status) == (None, Status.FAILURE)
    assert gone.why == f"no probe {ID} on the 1-Wire bus"
    file.write_bytes(b"\xff\xfe")
    assert "can be read" in str(settled().why)
    file.write_text(GOOD)
    assert settled().value == 25.062
    sensor.close()


def test_a_slow_kernel_stalls_nothing(
    tmp_path: Path, hand: Hand, probe: Callable[[], Probe], monkeypatch: pytest.MonkeyPatch
) -> None:
    """While the kernel takes its time the last answer stands, up to OLDEST_S, and looks return;
    the file here is a pipe, which really blocks until the test feeds it."""
    monkeypatch.setattr("edge.sensors.w1.FIRST_S", 0.0)
    pipe = tmp_path / ID / "w1_slave"
    os.mkfifo(pipe)
    sensor = probe()
    hand.now += 1.0
    assert "no answer from the 1-Wire bus for 1 s" in str(look([sensor])[0].why)
    pipe.write_text(GOOD)  # returns once the thread reads it
    assert sensor.answered(10.0)
    for _ in range(int(OLDEST_S)):
        assert look([sensor])[0].value == 25.062
        hand.now += 1.0
    hand.now += 0.001
    (stale,) = look([sensor])
    assert (stale.value, stale.status) == (None, Status.FAILURE)
    assert "for 30 s" in str(stale.why)
    sensor.close()
    pipe.write_text(COLD)  # lets the thread go
