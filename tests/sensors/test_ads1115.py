"""The real converter driver on an imitated wire."""

import fcntl
import os
from collections.abc import Callable
from errno import EREMOTEIO, ETIMEDOUT
from pathlib import Path

import pytest
from adafruit_ads1x15 import AnalogIn
from imitation import LSB_UV, MUX, RATES, Ads1115, Hand, Wire
from sites import site

from edge.core.units import PSI
from edge.errors import SensorError
from edge.model import Reading, Status
from edge.ports import Sensor
from edge.sensors.ads1115 import GAINS, BoundedAds1115
from edge.sensors.bench import Bench, look, open_sensors
from edge.sensors.i2c import BUSY_S, HUNG_S, Bus

VOLTS = (1.250, 0.400, 2.475, 0.1234)  # what is on pins 0 to 3


@pytest.fixture
def hand() -> Hand:
    return Hand()


@pytest.fixture
def wire(hand: Hand) -> Wire:
    """Two converters with different volts on every pin."""
    return Wire(x48=Ads1115(hand, *VOLTS), x49=Ads1115(hand, *(v + 0.05 for v in VOLTS)))


@pytest.fixture
def bench(hand: Hand, wire: Wire) -> Bench:
    return Bench(steady=hand.steady, sleep=hand.sleep, open_bus=lambda: Bus(wire, None))


def volts_on(*inputs: str) -> list[dict[str, str]]:
    """Plain voltage channels, named v0, v1, ... on these inputs."""
    return [
        {"name": f"v{i}", "quantity": "voltage", "unit": "V", "input": f"ads1115:{where}"}
        for i, where in enumerate(inputs)
    ]


def opened(bench: Bench, *inputs: str) -> list[Sensor]:
    return open_sensors(site(*volts_on(*inputs)), bench)[: len(inputs)]


@pytest.mark.parametrize("full_scale_v", GAINS)
@pytest.mark.parametrize("slow", [0.9, 1.1])
def test_every_range_rate_pin_and_pair(
    hand: Hand, wire: Wire, full_scale_v: float, slow: float
) -> None:
    """Each range, rate, pin and pair reads back within one LSB, and no sooner than converted."""
    chip = wire.chips[0x48]
    chip.slow = slow
    chip.volts = [full_scale_v * share for share in (0.731, 0.114, 0.98, 0.403)]
    for rate in RATES:
        bus = Bus(wire, None)
        driver = BoundedAds1115(
            bus,
            0x48,
            gain=GAINS[full_scale_v],
            rate=rate,
            steady=hand.steady,
            sleep=hand.sleep,
        )
        lsb_v = LSB_UV[chip.registers[1] >> 9 & 7] * 1e-6
        assert lsb_v == pytest.approx(full_scale_v / 32768, rel=1e-6)
        for pins in MUX.values():
            before = hand.now
            with bus.held(hand.steady, hand.sleep):
                found = AnalogIn(driver, *pins).voltage
            wanted = chip.volts[pins[0]] - (chip.volts[pins[1]] if len(pins) == 2 else 0.0)
            assert abs(found - wanted) <= lsb_v
            assert slow / rate - 1e-9 <= hand.now - before <= 1.1 / rate + 0.0025


def test_scaling_from_pin_to_unit(bench: Bench, wire: Wire) -> None:
    """Divider, two points, loop, cell and measured supply each give the value worked by hand,
    with the volts at the pin beside it, in the settings' order whatever the supply's place."""
    wire.chips[0x48].volts = [1.25, 1.2, 1.2375, 2.475]
    wire.chips[0x49].volts = [0.0120, 0.0015, 0.0, 0.5]
    settings = site(
        {"name": "line", "quantity": "pressure", "unit": "psi", "input": "ads1115:0x48/0",
         "reads": {"volts": [0.5, 4.5], "as": [0, 100]}, "divider": 2.0},
        {"name": "loop", "quantity": "temperature", "unit": "°F", "input": "ads1115:0x48/1",
         "reads": {"milliamps": [4, 20], "as": [-40, 160]}, "shunt": "100 Ω"},
        {"name": "aisle", "quantity": "pressure", "unit": "bar", "input": "ads1115:0x48/2",
         "reads": {"ratio": [0.1, 0.9], "as": [0, 10]}, "divider": 2.0, "supplied_by": "feed"},
        {"name": "feed", "quantity": "voltage", "unit": "mV", "input": "ads1115:0x48/3",
         "divider": 2.0},
        {"name": "cell", "quantity": "oxygen", "unit": "%", "input": "ads1115:0x49/0-1",
         "reads": {"volts": [0.0, 0.012], "as": [0, 20.95]}},
    )  # fmt: skip
    readings = look(open_sensors(settings, bench))
    assert [r.channel for r in readings] == ["line", "loop", "aisle", "feed", "cell"]
    assert [r.status for r in readings] == [Status.GOOD] * 5
    line, loop, aisle, feed, cell = readings
    assert line.value == pytest.approx(50.0 * PSI, abs=0.03)  # 2.5 V of 0.5 to 4.5
    assert loop.value == pytest.approx((60.0 - 32.0) / 1.8, abs=0.01)  # 12 mA of 4 to 20
    assert aisle.value == pytest.approx(500.0, abs=0.1)  # half of its supply
    assert feed.value == pytest.approx(4.95, abs=0.0004)
    assert cell.value == pytest.approx(20.95 * 10.5 / 12.0, abs=0.01)
    assert (line.volts, cell.volts) == (pytest.approx(1.25), pytest.approx(0.0105, abs=1e-5))

    wire.chips[0x48].volts[3] = 0.02  # the transducers' supply is gone
    aisle, feed = look(open_sensors(settings, bench))[2:4]
    assert (aisle.value, aisle.status) == (None, Status.FAILURE)
    assert "supply" in str(aisle.why)
    assert feed.value == pytest.approx(0.04, abs=0.0004)


def test_supply_that_cannot_be_read(bench: Bench, wire: Wire) -> None:
    """A transducer whose supply has no reading says so, and shows its own volts for hooking up."""
    del wire.chips[0x49]
    settings = site(
        {"name": "line", "quantity": "pressure", "unit": "bar", "input": "ads1115:0x48/2",
         "reads": {"ratio": [0.1, 0.9], "as": [0, 10]}, "divider": 2.0, "supplied_by": "feed"},
        {"name": "feed", "quantity": "voltage", "unit": "V", "input": "ads1115:0x49/3"},
    )  # fmt: skip
    line, feed = look(open_sensors(settings, bench))
    assert (line.value, feed.value) == (None, None)
    assert "feed" in str(line.why)
    assert "121" in str(line.why)
    assert line.volts == pytest.approx(2.475, abs=2e-4)


@pytest.mark.parametrize("volts", [7.0, -7.0])
def test_over_range(bench: Bench, wire: Wire, volts: float) -> None:
    """An input driven past either end of the range is a failure, never its last count."""
    wire.chips[0x48].volts = [max(volts, 0.0), max(-volts, 0.0), 0.0, 0.0]
    (reading,) = look(opened(bench, "0x48/0-1"))
    assert (reading.value, reading.status) == (None, Status.FAILURE)
    assert "end of its ±6.144 V range" in str(reading.why)


def _bus_error(number: int) -> Callable[[Wire], None]:
    def fault(_: Wire) -> None:
        # Python makes TimeoutError of 110 by itself.
        raise OSError(number, os.strerror(number))

    return fault


def _unplug(wire: Wire) -> None:
    wire.chips.pop(0x48, None)


def _brown_out(wire: Wire) -> None:
    wire.chips[0x48].reset()


def _meddle(wire: Wire) -> None:
    """Another program orders pin 3 at its own range and rate, without taking the lock."""
    wire.chips[0x48].write(bytes((1, 0xF3, 0xE3)))


FAULTS = {
    "error 121": _bus_error(EREMOTEIO),
    "error 110": _bus_error(ETIMEDOUT),
    "unplugged": _unplug,
    "brown-out": _brown_out,
    "meddling": _meddle,
}


@pytest.mark.parametrize("name", FAULTS)
def test_a_fault_never_shows_another_inputs_value(hand: Hand, name: str) -> None:
    """Whichever transaction a fault hits, each channel shows its own value or a reason, and all
    are right again after the fault."""
    inputs = ("0x48/0", "0x48/1", "0x48/2", "0x49/1", "0x48/0-1")
    wanted = [VOLTS[0], VOLTS[1], VOLTS[2], VOLTS[1] + 0.05, VOLTS[0] - VOLTS[1]]
    n, hit, reasons = 0, True, 0
    while hit:  # until the fault comes after the last transaction of the look
        wire = Wire(x48=Ads1115(hand, *VOLTS), x49=Ads1115(hand, *(v + 0.05 for v in VOLTS)))
        sensors = opened(
            Bench(steady=hand.steady, sleep=hand.sleep, open_bus=lambda w=wire: Bus(w, None)),
            *inputs,
        )
        chips, hit = dict(wire.chips), False
        if n % 2:  # every other time with drivers that have been set up before
            _right(look(sensors), wanted)
        at = wire.count + n // 2

        def before(count: int, at: int = at, wire: Wire = wire) -> None:
            nonlocal hit
            if count == at:
                hit = True
                FAULTS[name](wire)

        wire.before = before
        readings = look(sensors)
        for reading, volts in zip(readings, wanted, strict=True):
            if reading.value is None:
                assert reading.status is Status.FAILURE
                assert reading.why
                reasons += 1
            else:
                assert reading.value == pytest.approx(volts, abs=3e-4)
        wire.before = lambda _: None
        wire.chips.update(chips)
        hand.now += HUNG_S + 1.0
        _right(look(sensors), wanted)
        n += 1
        hit = hit or n % 2 == 1
    assert n > 40  # five channels, at least four transactions each, new and used drivers
    assert reasons > 15


def _right(readings: list[Reading], wanted: list[float]) -> None:
    assert [r.why for r in readings] == [None] * len(wanted)
    assert [r.value for r in readings] == pytest.approx(wanted, abs=3e-4)


def test_reasons_name_the_bus_error(hand: Hand, bench: Bench, wire: Wire) -> None:
    """Errors 121 and 110 are told apart, in reading and in setting up the driver."""
    for number in (EREMOTEIO, ETIMEDOUT):
        for used in (False, True):
            sensors = opened(bench, "0x48/0")
            if used:
                assert look(sensors)[0].value is not None
            wire.before = lambda _, number=number: FAULTS[f"error {number}"](wire)
            (reading,) = look(sensors)
            assert str(number) in str(reading.why)
            assert reading.status is Status.FAILURE
            wire.before = lambda _: None
            hand.now += HUNG_S + 1.0


def test_a_hung_bus_is_left_alone(hand: Hand, bench: Bench, wire: Wire) -> None:
    """After error 110 no channel touches the bus for HUNG_S, so that the others keep their tick."""
    sensors = opened(bench, "0x48/0", "0x48/1", "0x49/0")
    look(sensors)
    wire.before = lambda _: FAULTS["error 110"](wire)
    start = wire.count
    tries = []

    def before(count: int) -> None:
        tries.append(count)
        FAULTS["error 110"](wire)

    wire.before = before
    for _ in range(int(HUNG_S)):
        assert all("110" in str(r.why) for r in look(sensors))
        hand.now += 1.0
    assert tries == [start]
    wire.before = lambda _: None
    hand.now += 0.001
    _right(look(sensors), [VOLTS[0], VOLTS[1], VOLTS[0] + 0.05])


def test_a_conversion_that_never_ends(hand: Hand, bench: Bench, wire: Wire) -> None:
    """A stuck busy bit costs each channel under a tenth of a second, and ends by itself."""
    sensors = opened(bench, "0x48/0", "0x48/1", "0x49/2")
    wire.chips[0x48].never_ready = True
    before = hand.now
    first, second, other = look(sensors)
    assert hand.now - before < 0.2
    assert "never finished" in str(first.why)
    assert "never finished" in str(second.why)
    assert other.value == pytest.approx(VOLTS[2] + 0.05, abs=2e-4)
    wire.chips[0x48].never_ready = False
    hand.now += 1.0
    _right(look(sensors), [VOLTS[0], VOLTS[1], VOLTS[2] + 0.05])


def test_unplugged_and_plugged_back(hand: Hand, bench: Bench, wire: Wire) -> None:
    """A converter that goes and comes back, reset, is a reason while away and right at once after;
    one absent at the start is the same."""
    away = wire.chips.pop(0x49)
    sensors = opened(bench, "0x48/0", "0x49/0")
    for _ in range(2):
        here, gone = look(sensors)
        assert here.value == pytest.approx(VOLTS[0], abs=2e-4)
        assert (gone.value, gone.status) == (None, Status.FAILURE)
        assert "0x49 does not answer" in str(gone.why)
        away.reset()
        wire.chips[0x49] = away
        hand.now += 1.0
        _right(look(sensors), [VOLTS[0], VOLTS[0] + 0.05])
        del wire.chips[0x49]


def test_other_programs_are_waited_for(hand: Hand, wire: Wire, tmp_path: Path) -> None:
    """A bus that another program holds is waited for within a bound, then said to be in use."""
    file = tmp_path / "i2c"
    file.touch()
    bench = Bench(steady=hand.steady, sleep=hand.sleep, open_bus=lambda: Bus(wire, file))
    (sensor,) = opened(bench, "0x48/0")
    with file.open("r+") as other:
        fcntl.flock(other, fcntl.LOCK_EX)
        before = hand.now
        assert "in use by another program" in str(look([sensor])[0].why)
        assert BUSY_S <= hand.now - before < BUSY_S + 0.02
        assert wire.count == 0
        fcntl.flock(other, fcntl.LOCK_UN)
        _right(look([sensor]), [VOLTS[0]])
        fcntl.flock(other, fcntl.LOCK_EX | fcntl.LOCK_NB)  # it was given back
    bench.close()


def test_no_bus_is_a_reason(bench: Bench) -> None:
    """A bus that cannot be opened is a reason in every reading, tried again at each look."""
    tries = []

    def shut() -> Bus:
        tries.append(1)
        raise SensorError("/dev/i2c-1 cannot be opened: is I2C switched on?")

    bench.open_bus = shut
    sensors = opened(bench, "0x48/0", "0x48/1")
    assert {r.why for r in look(sensors)} == {"/dev/i2c-1 cannot be opened: is I2C switched on?"}
    assert len(tries) == 2
