"""Opening and looking, and what holds for every kind of input."""

import io
import json
import re
import sys
import tomllib
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from gpiozero.pins.mock import MockFactory
from imitation import Ads1115, Hand, Wire
from sites import site

from edge.clock import ManualClock
from edge.commands import wiring
from edge.core.units import PSI
from edge.errors import SensorError, SettingsError
from edge.model import QUANTITIES, Reading, Status, on_grid
from edge.sensors import KINDS, Kind
from edge.sensors.bench import Bench, look, open_sensors
from edge.sensors.i2c import Bus
from edge.settings import Settings

UNITS = {"pressure": "psi", "barometer": "kPa", "oxygen": "%", "temperature": "°F", "voltage": "V"}
W1 = "91 01 4b 46 7f ff 0f 10 25 : crc=25 YES\n91 01 4b 46 7f ff 0f 10 25 t=25062\n"


def example(name: str, kind: Kind, quantity: str) -> dict[str, Any]:
    """A channel of this kind at the address that the registry gives as its example."""
    row = {
        "name": "tried",
        "quantity": quantity,
        "unit": UNITS.get(quantity, ""),
        "input": kind.example.partition(",")[0],
    }
    if name == "ads1115" and quantity != "voltage":
        row["reads"] = {"volts": [0.5, 4.5], "as": [0, 100]}
    return row


CASES = [
    (name, quantity)
    for name, kind in KINDS.items()
    for quantity in (QUANTITIES if kind.quantities is None else sorted(kind.quantities))
    if (name, quantity) != ("simulated", "voltage")  # no plant has a place for a bare voltage
]


@pytest.fixture
def live(tmp_path: Path) -> Iterator[Bench]:
    """A bench with something at every example address."""
    hand, pins = Hand(), MockFactory()
    probe = tmp_path / "28-0316a2795c01"
    probe.mkdir()
    (probe / "w1_slave").write_text(W1)
    wire = Wire(x48=Ads1115(hand, 1.5, 1.0, 0.5, 0.1))
    with Bench(
        steady=hand.steady,
        sleep=hand.sleep,
        open_bus=lambda: Bus(wire, None),
        open_pins=lambda: pins,
        w1_folder=tmp_path,
    ) as bench:
        yield bench


def _refuse() -> Any:
    raise SensorError("nothing there")


@pytest.mark.parametrize(("name", "quantity"), CASES)
def test_every_kind_reads(name: str, quantity: str, live: Bench) -> None:
    """Each kind opens at its example address and gives its channel's value, on the grid, from
    the first look; closing twice is once."""
    sensor = open_sensors(site(example(name, KINDS[name], quantity)), live)[0]
    for _ in range(2):
        (reading,) = look([sensor])
        assert (reading.channel, reading.quantity) == ("tried", quantity)
        assert reading.value is not None
        assert reading.value == on_grid(reading.value)
        assert reading.status in (Status.GOOD, Status.FUNCTION_CHECK)
        assert (reading.why is None) == (reading.status is Status.GOOD)
    sensor.close()
    sensor.close()


@pytest.mark.parametrize(("name", "quantity"), CASES)
def test_every_kind_survives_dead_wires(name: str, quantity: str, tmp_path: Path) -> None:
    """With no bus, pins or probes each kind still opens, and answers with a reason, not an error,
    or, standing on no wire, with a value."""
    with Bench(open_bus=_refuse, open_pins=_refuse, w1_folder=tmp_path) as bench:
        sensor = open_sensors(site(example(name, KINDS[name], quantity)), bench)[0]
        for _ in range(2):
            reading = sensor.read({})
            assert (reading.channel, reading.quantity) == ("tried", quantity)
            if name == "simulated":
                assert reading.value is not None
            else:
                assert (reading.value, reading.status) == (None, Status.FAILURE)
                assert reading.why
        sensor.close()
        sensor.close()


class Broken:
    """A sensor whose program has a fault."""

    channel, quantity = "broken", "pressure"

    def read(self, _so_far: object) -> Reading:
        raise ZeroDivisionError("by nought")

    def close(self) -> None: ...


def test_a_fault_in_the_program_takes_out_its_own_channel(live: Bench) -> None:
    """A sensor that raises is a failure that says what and where; its neighbours still read."""
    good = open_sensors(site(example("w1", KINDS["w1"], "temperature")), live)[0]
    broken, room = look([Broken(), good])
    assert (broken.value, broken.status) == (None, Status.FAILURE)
    assert "ZeroDivisionError: by nought (test_bench.py, line" in str(broken.why)
    assert room.value == 25.062
    good.close()


def test_missing_package_is_told(live: Bench, monkeypatch: pytest.MonkeyPatch) -> None:
    """A box without the hardware libraries is told which package is missing, and for what."""
    monkeypatch.delitem(sys.modules, "edge.sensors.ads1115", raising=False)
    monkeypatch.setitem(sys.modules, "adafruit_ads1x15", None)
    settings = site(example("ads1115", KINDS["ads1115"], "pressure"))
    with pytest.raises(SensorError, match=r"tried: .* adafruit_ads1x15, which is not installed"):
        open_sensors(settings, live)


@pytest.mark.parametrize(
    ("row", "fault"),
    [
        ({"reads": {"volts": [0, 10], "as": [0, 16]}}, "found 10 V on the converter's pin"),
        ({"reads": {"volts": [0, 10], "as": [0, 16]}, "divider": 1.5}, "found 6.67 V"),
        ({"reads": {"milliamps": [4, 20], "as": [0, 16]}, "shunt": "250 Ω"}, "found 5.5 V"),
    ],
)
def test_settings_refuse_what_would_harm_a_pin(row: dict[str, Any], fault: str) -> None:
    """A divider or a shunt that leaves more on a pin than any converter takes is refused."""
    channel = {"name": "line", "quantity": "pressure", "unit": "bar", "input": "ads1115:0x48/0"}
    with pytest.raises(SettingsError, match=fault):
        site({**channel, **row})


def test_a_supply_is_never_a_ratio() -> None:
    """A voltage read as a share of another voltage is refused, so that no supply waits on itself."""
    with pytest.raises(SettingsError, match="found ratio"):
        site(
            {"name": "feed", "quantity": "voltage", "unit": "V", "input": "ads1115:0x48/0",
             "reads": {"ratio": [0, 1], "as": [0, 5]}, "supplied_by": "feed"},
        )  # fmt: skip


@pytest.fixture
def hooked_up() -> Settings:
    return site(
        {"name": "line_pressure", "quantity": "pressure", "unit": "psi", "input": "ads1115:0x48/0",
         "reads": {"volts": [0.5, 4.5], "as": [0, 100]}, "divider": 2.0},
        {"name": "running", "quantity": "running", "input": "gpio:17"},
        {"name": "room", "quantity": "temperature", "unit": "°F", "input": "w1:28-0316a2795c01"},
    )  # fmt: skip


def test_wiring_shows_volts_value_and_reason(hooked_up: Settings, live: Bench) -> None:
    """One look shows each channel's volts at the pin, value in its unit, status and reason, and
    says by its status whether every channel had a value."""
    out = io.StringIO()
    clock = ManualClock(1000.0)
    assert wiring.watch(hooked_up, live, clock, out, once=True, as_json=False) == 0
    head, line, running, why, room, foot = out.getvalue().splitlines()
    assert head.split() == ["channel", "input", "at", "the", "pin", "value", "status"]
    assert line.split() == ["line_pressure", "ads1115:0x48/0", "1.50000", "V", "62.500", "psi", "good"]  # fmt: skip
    assert running.split() == ["running", "gpio:17", "-", "at", "rest", "function", "check"]
    assert "not yet still" in why
    assert room.split()[3:] == ["77.112", "°F", "good"]
    assert "2 of 3 good" in foot
    assert "mains" in foot

    live.w1_folder = live.w1_folder / "gone"
    out = io.StringIO()
    assert wiring.watch(hooked_up, live, clock, out, once=True, as_json=True) == 1
    (shown,) = [json.loads(text) for text in out.getvalue().splitlines()]
    assert shown["at"] == "1970-01-01T00:16:40.000Z"
    assert shown["channels"][0]["value"] == pytest.approx(62.5, abs=1e-3 / PSI)
    assert shown["channels"][2] == {
        "channel": "room",
        "input": "w1:28-0316a2795c01",
        "volts": None,
        "value": None,
        "unit": "°F",
        "status": "failure",
        "why": "no probe 28-0316a2795c01 on the 1-Wire bus",
    }


def test_wiring_looks_until_stopped(hooked_up: Settings, live: Bench) -> None:
    """Without --once it looks again at the settings' pace until asked to stop."""
    out = io.StringIO()
    clock = ManualClock(1000.0, stop_at=1003.0)
    assert wiring.watch(hooked_up, live, clock, out, once=False, as_json=True) == 0
    assert [json.loads(line)["at"][17:19] for line in out.getvalue().splitlines()] == [
        "40",
        "41",
        "42",
    ]


def test_hardware_guide_settings_are_right() -> None:
    """Every channel that the wiring guide shows passes the check, all of them on one box."""
    guide = (Path(__file__).parents[2] / "hardware.md").read_text()
    blocks = re.findall(r"```toml\n(.*?)```", guide, re.DOTALL)
    channels = [row for block in blocks for row in tomllib.loads(block).get("channel", [])]
    assert {row["name"] for row in channels} == {c.name for c in site(*channels).channel}
    kinds = {row["input"].partition(":")[0] for row in channels}
    assert kinds == set(KINDS) - {"simulated"}
