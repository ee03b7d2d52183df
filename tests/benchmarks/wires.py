"""The wires of the depot: its simulated plant as volts on converters' pins, levels and 1-Wire files.

The converters are imitated by their registers (tests/sensors/imitation.py), the pins by gpiozero's
own imitation, the thermometers by files as the kernel writes them; the real drivers read all three.
The converters take their real time and the drivers wait for it.
"""

import time
from collections.abc import Callable
from pathlib import Path

from gpiozero.pins.mock import MockFactory

from edge.clock import ManualClock
from edge.core import units
from edge.sensors import simulated
from edge.sensors.bench import Bench
from edge.sensors.i2c import Bus
from edge.settings import Channel, Settings
from tests.sensors.imitation import Ads1115, Wire

SUPPLY_V = 5.0
PINS = 4
THERMOMETER_C = 0.0625  # a step of the DS18B20 at 12 bits (Maxim's data sheet)


class Life:
    """Real time for drivers and converters, with a second added for each tick."""

    def __init__(self) -> None:
        self.added_s = 0.0

    @property
    def now(self) -> float:
        return time.monotonic() + self.added_s

    def steady(self) -> float:
        return self.now

    def sleep(self, seconds: float) -> None:
        time.sleep(seconds)


class Wires:
    """All inputs of one site; `show` puts on them what its plant is at."""

    def __init__(self, settings: Settings, folder: Path, clock: ManualClock) -> None:
        self._life, self._folder = Life(), folder
        self._pins = MockFactory()
        self._chips: dict[int, Ads1115] = {}
        stand = Bench(steady=clock.steady, utc=clock.utc)
        self._put: list[tuple[simulated.Simulated | None, Callable[[float], None]]] = []
        for channel in settings.channel:
            at_plant = channel.model_copy(update={"input": "simulated:depot"})
            gauge = simulated.open_sensor(at_plant, settings, stand)
            made = {"ads1115": self._converter, "gpio": self._level, "w1": self._thermometer}
            self._put.append((
                None if channel.quantity == "voltage" else gauge, made[channel.kind](channel)
            ))  # fmt: skip
        self.show()

    def show(self) -> None:
        """A second later."""
        self._life.added_s += 1.0
        for gauge, put in self._put:
            value = SUPPLY_V if gauge is None else gauge.read({}).value
            assert value is not None
            put(value)

    def bench(self) -> Bench:
        wire = Wire(**{f"x{address:02x}": chip for address, chip in self._chips.items()})
        return Bench(
            steady=self._life.steady,
            sleep=self._life.sleep,
            open_bus=lambda: Bus(wire, None),
            open_pins=lambda: self._pins,
            w1_folder=self._folder,
        )

    def _converter(self, channel: Channel) -> Callable[[float], None]:
        address, _, pins = channel.address.partition("/")
        life, pin = self._life, int(pins[0])
        chip = self._chips.setdefault(int(address, 16), Ads1115(life, *[0.0] * PINS))

        def put(value: float) -> None:
            chip.volts[pin] = volts(channel, value)

        return put

    def _level(self, channel: Channel) -> Callable[[float], None]:
        pin = self._pins.pin(int(channel.address))

        def put(value: float) -> None:
            high = bool(value) == (channel.active == "high")
            if bool(pin.state) != high:
                (pin.drive_high if high else pin.drive_low)()

        pin.drive_high()
        return put

    def _thermometer(self, channel: Channel) -> Callable[[float], None]:
        file = self._folder / channel.address / "w1_slave"
        file.parent.mkdir(parents=True, exist_ok=True)
        shown: list[int] = []

        def put(value: float) -> None:
            steps = round(value / THERMOMETER_C)
            if shown != [steps]:
                shown[:] = [steps]
                pad = steps.to_bytes(2, "little", signed=True).hex(" ") + " 4b 46 7f ff 0c 10 1c"
                fresh = file.with_name("fresh")
                text = f"{pad} : crc=1c YES\n{pad} t={round(steps * THERMOMETER_C * 1000)}\n"
                fresh.write_text(text, "ascii")
                fresh.replace(file)

        return put


def volts(channel: Channel, value: float) -> float:
    """What such a sensor puts on the converter's pin for a value in the quantity's inside unit."""
    reads = channel.reads
    if reads is None:
        return value / channel.divider
    shows = units.outside(units.QUANTITY_KIND[channel.quantity], value, channel.unit)
    ends = reads.volts or reads.milliamps or reads.ratio
    assert ends is not None
    (low, high), (least, most) = ends, reads.as_
    said = low + (shows - least) * (high - low) / (most - least)
    if reads.milliamps is not None and channel.shunt_ohm is not None:
        said *= channel.shunt_ohm / 1000.0
    elif reads.ratio is not None:
        said *= SUPPLY_V
    return said / channel.divider
