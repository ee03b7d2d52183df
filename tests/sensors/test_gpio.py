"""The run contact, on gpiozero's mock pins."""

import subprocess
import sys
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from gpiozero.pins.mock import MockFactory
from imitation import Hand
from sites import site

from edge.errors import SensorError
from edge.model import Reading, Status
from edge.ports import Sensor
from edge.sensors.bench import Bench, look, open_sensors
from edge.sensors.gpio import UNSETTLED_S


@pytest.fixture
def hand() -> Hand:
    return Hand()


@pytest.fixture
def pins() -> Iterator[MockFactory]:
    factory = MockFactory()
    yield factory
    factory.reset()


@pytest.fixture
def bench(hand: Hand, pins: MockFactory) -> Iterator[Bench]:
    with Bench(steady=hand.steady, sleep=hand.sleep, open_pins=lambda: pins) as bench:
        yield bench


def contact(bench: Bench, **more: str) -> Sensor:
    row = {"name": "running", "quantity": "running", "input": "gpio:17", "debounce": "200 ms"}
    return open_sensors(site({**row, **more}), bench)[0]


def at(hand: Hand, sensor: Sensor, after_s: float) -> Reading:
    hand.now += after_s
    return look([sensor])[0]


@pytest.mark.parametrize("active", ["low", "high"])
def test_polarity_and_pull(hand: Hand, bench: Bench, pins: MockFactory, active: str) -> None:
    """A contact rests at its pull, and 1 is the level that the settings call active."""
    sensor = contact(bench, active=active)
    at(hand, sensor, 0.0)
    pin = pins.pin(17)
    assert pin.pull == ("up" if active == "low" else "down")
    assert at(hand, sensor, 1.0) == Reading("running", "running", 0.0)
    hand.now += 0.5
    (pin.drive_low if active == "low" else pin.drive_high)()
    assert at(hand, sensor, 0.5) == Reading("running", "running", 1.0)
    sensor.close()


@pytest.mark.parametrize("told", [True, False])
def test_flickers_do_not_flip(hand: Hand, bench: Bench, pins: MockFactory, told: bool) -> None:
    """A flicker shorter than the debounce changes nothing, at a look or between two; a contact
    that stays is believed once still for the debounce; with edges told by the library or not."""
    sensor = contact(bench)
    at(hand, sensor, 0.0)
    at(hand, sensor, 1.0)
    pin = pins.pin(17)
    if not told:
        pin.when_changed = None
    for _ in range(3):
        hand.now += 0.9
        pin.drive_low()
        assert at(hand, sensor, 0.1).value == 0.0  # 0.1 s is a flicker yet
        hand.now += 0.05
        pin.drive_high()
        assert at(hand, sensor, 0.85).value == 0.0
        pin.drive_low()
        hand.now += 0.15
        pin.drive_high()  # between two looks
        assert at(hand, sensor, 0.85).value == 0.0
    pin.drive_low()
    assert at(hand, sensor, 0.0).value == 0.0
    assert at(hand, sensor, 0.199).value == 0.0
    assert at(hand, sensor, 0.002).value == 1.0
    sensor.close()


def test_chatter_between_looks_is_not_stillness(
    hand: Hand, bench: Bench, pins: MockFactory
) -> None:
    """A contact that happens to stand the same at each look, but moves between them, is not
    believed; after UNSETTLED_S it is a failure, and good again once still."""
    sensor = contact(bench)
    at(hand, sensor, 0.0)
    at(hand, sensor, 1.0)
    pin = pins.pin(17)
    seconds = []
    for second in range(int(UNSETTLED_S) + 3):
        for _ in range(10):
            hand.now += 0.1
            pin.drive_high()
            pin.drive_low()
        reading = at(hand, sensor, 0.0)
        assert reading.value != 1.0
        if reading.value is None:
            assert reading.status is Status.FAILURE
            assert "not been still" in str(reading.why)
            seconds.append(second)
    assert seconds == [int(UNSETTLED_S), int(UNSETTLED_S) + 1, int(UNSETTLED_S) + 2]
    assert at(hand, sensor, 0.3) == Reading("running", "running", 1.0)
    sensor.close()


def test_first_position_is_marked(hand: Hand, bench: Bench) -> None:
    """The position found at the start has a value at once, marked until it has been still."""
    sensor = contact(bench)
    first = at(hand, sensor, 0.0)
    assert (first.value, first.status) == (0.0, Status.FUNCTION_CHECK)
    assert "not yet still" in str(first.why)
    assert at(hand, sensor, 0.25) == Reading("running", "running", 0.0)
    sensor.close()


def test_pins_that_cannot_be_had(hand: Hand, bench: Bench, pins: MockFactory) -> None:
    """Pins that fail to open are a reason, tried again at each look until they open."""
    tries = []

    def refuse() -> MockFactory:
        tries.append(1)
        if len(tries) < 3:
            raise SensorError("the Python package lgpio is not installed")
        return pins

    bench.open_pins = refuse
    sensor = contact(bench)
    for _ in range(2):
        reading = at(hand, sensor, 1.0)
        assert (reading.value, reading.status) == (None, Status.FAILURE)
        assert reading.why == "GPIO17 cannot be read: the Python package lgpio is not installed"
    assert at(hand, sensor, 1.0).value == 0.0
    sensor.close()


def test_the_pin_library_leaves_no_trace(
    tmp_path: Path, needs_package: Callable[[str], None]
) -> None:
    """Loading lgpio, which makes a pipe in the working folder or moves it elsewhere, leaves the
    working folder and the temporary folder as they were."""
    needs_package("lgpio")
    program = """
import os, sys
try:
    import edge.sensors.gpio as gpio
    gpio.open_pi_pins().close()
except gpio.pin_faults() as error:
    print(type(error).__name__)
print("lgpio" in sys.modules, os.getcwd())
"""
    here, temporary = tmp_path / "here", tmp_path / "tmp"
    here.mkdir()
    temporary.mkdir()
    found = subprocess.run(
        [sys.executable, "-c", program],
        cwd=here,
        env={"TMPDIR": str(temporary), "PATH": ""},
        capture_output=True,
        text=True,
        timeout=60,
        check=True,
    )
    loaded, folder = found.stdout.splitlines()[-1].split()
    assert loaded == "True"
    assert folder == str(here)
    assert list(tmp_path.rglob("*")) == [here, temporary]
