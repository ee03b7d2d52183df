"""Voltages through an ADS1115 converter: transducers, current loops, cells, supplies.

Source: TI SBAS444 (registers, ranges, rates). Range and rate follow from what the channel reads:
the finest range that still shows a wiring fault as one (edge.core.scale), the widest where only
volts are asked for; 128 samples/s, or 16 for signals under half a volt, where the slower filter
brings the noise down. Single shots only: the driver's continuous mode ignores the pin asked for.

Never more than the chip's supply on a pin, whatever the range: a ±4.096 V range on a chip fed
with 3.3 V still takes 3.3 V and no more. See hardware.md.
"""

import errno
from collections.abc import Callable, Mapping

from adafruit_ads1x15 import ADS1115, AnalogIn

from edge.core import scale, units
from edge.errors import SensorError
from edge.model import Reading, Status, on_grid
from edge.sensors.bench import Bench
from edge.sensors.i2c import Bus, open_pi_bus
from edge.settings import Channel, Settings

GAINS = {6.144: 2 / 3, 4.096: 1, 2.048: 2, 1.024: 4, 0.512: 8, 0.256: 16}
"""What the driver calls each full scale, in volts."""

SMALL_V, FAST, SLOW = 0.512, 128, 16  # volts; samples a second
LATE_S = 0.05  # beyond the time a conversion may take
POLL_S = 0.001
CONFIG, BUSY_BIT = 0x01, 0x8000  # the register, and its OS bit: 0 while a conversion runs
FULL_SCALE = 0x7FFF


class BoundedAds1115(ADS1115):  # type: ignore[misc]  # the library carries no types
    """The library's driver with an end to its wait, and a look back at what was converted."""

    def __init__(
        self,
        bus: Bus,
        address: int,
        *,
        gain: float,
        rate: int,
        steady: Callable[[], float],
        sleep: Callable[[float], None],
    ) -> None:
        self._steady, self._sleep = steady, sleep
        self._first_wait_s = 1.1 / rate  # the chip's clock is within 10 %
        self._polled = False
        self._give_up = 0.0
        self._ordered = 0
        super().__init__(bus, gain=gain, data_rate=rate, address=address)

    def read(self, pin: int) -> int:
        """Counts of one conversion, -32768 to 32767. SensorError when it does not end, or when
        the chip's settings are not ours any more, so that the result may be another input's."""
        self._polled = False
        self._give_up = self._steady() + self._first_wait_s + LATE_S
        counts = int(super().read(pin))
        found = self._read_register(CONFIG)
        if (found ^ self._ordered) & ~BUSY_BIT:
            raise SensorError(
                f"the converter's settings changed during a reading (0x{found:04x}):"
                " it lost its supply for a moment, or another program uses it"
            )
        return counts

    def _write_register(self, reg: int, value: int) -> None:
        if reg == CONFIG:
            self._ordered = value
        super()._write_register(reg, value)

    def _conversion_complete(self) -> bool:
        self._sleep(POLL_S if self._polled else self._first_wait_s)
        self._polled = True
        if self._read_register(CONFIG) & BUSY_BIT:
            return True
        if self._steady() >= self._give_up:
            raise SensorError("the converter never finished a conversion")
        return False


class Ads1115Input:
    """One pin, or the difference of two, of one converter."""

    def __init__(self, channel: Channel, bench: Bench) -> None:
        self.channel = channel.name
        self.quantity = channel.quantity
        chip, _, pins = channel.address.partition("/")
        self._address = int(chip, 16)
        self._pins = [int(pin) for pin in pins.split("-")]
        # Without `reads` the channel is a voltage, and the scale's answer is in volts.
        self._unit = channel.unit if channel.reads else "V"
        self._divider = channel.divider
        self._supplied_by = channel.supplied_by
        self._scale = _scale(channel)
        self._range_v = scale.range_for(scale.most_volts(self._scale, channel.divider))
        self._rate = SLOW if self._range_v <= SMALL_V else FAST
        self._bench = bench
        # A driver of its own for each channel: no setting is left over from another channel.
        self._analog: AnalogIn | None = None

    def read(self, so_far: Mapping[str, Reading]) -> Reading:
        try:
            counts, volts = self._convert()
        except OSError as error:  # SensorError is one
            self._analog = None  # a chip that comes back has forgotten everything
            return self._reading(scale.Scaled(None, Status.FAILURE, self._because(error)), None)
        if counts in (FULL_SCALE, -FULL_SCALE - 1):
            why = f"the input is at the end of its ±{self._range_v} V range"
            return self._reading(scale.Scaled(None, Status.FAILURE, why), volts)
        return self._reading(self._scaled(volts * self._divider, so_far), volts)

    def close(self) -> None:
        self._analog = None  # the bus is the bench's

    def _convert(self) -> tuple[int, float]:
        bench = self._bench
        bus = bench.shared("i2c", bench.open_bus or open_pi_bus)
        with bus.held(bench.steady, bench.sleep):
            if self._analog is None:
                self._analog = AnalogIn(self._driver(bus), *self._pins)
            counts = self._analog.value
            return counts, self._analog.convert_to_voltage(counts)

    def _driver(self, bus: Bus) -> BoundedAds1115:
        try:
            return BoundedAds1115(
                bus,
                self._address,
                gain=GAINS[self._range_v],
                rate=self._rate,
                steady=self._bench.steady,
                sleep=self._bench.sleep,
            )
        except ValueError as error:
            # The library hides a bus error behind "no device"; which one it was matters here.
            if isinstance(error.__context__, OSError):
                raise error.__context__ from None
            raise

    def _scaled(self, volts: float, so_far: Mapping[str, Reading]) -> scale.Scaled:
        if not isinstance(self._scale, scale.Ratiometric):
            return self._scale.scaled(volts)
        supply = so_far.get(self._supplied_by or "")
        if supply is None or supply.value is None:
            why = supply.why if supply else "not read"
            return scale.Scaled(
                None, Status.FAILURE, f"its supply, {self._supplied_by}, is not known: {why}"
            )
        return self._scale.scaled(volts, supply.value)

    def _reading(self, found: scale.Scaled, volts: float | None) -> Reading:
        value = found.value
        if value is not None:
            kind = units.QUANTITY_KIND[self.quantity]
            value = on_grid(units.inside(kind, value, self._unit))
        return Reading(self.channel, self.quantity, value, found.status, found.why, volts)

    def _because(self, error: OSError) -> str:
        if isinstance(error, SensorError):
            return str(error)
        if error.errno in (errno.EREMOTEIO, errno.ENXIO):
            return (
                f"the converter at 0x{self._address:02x} does not answer (I2C error {error.errno})"
            )
        if error.errno == errno.ETIMEDOUT:
            return "the I2C bus timed out (error 110: a line held low?)"
        return f"I2C error {error.errno} at 0x{self._address:02x}: {error.strerror}"


def _scale(channel: Channel) -> scale.Scale:
    reads = channel.reads
    if reads is None:
        return scale.Plain()
    shows = _pair(reads.as_)
    if reads.milliamps is not None and channel.shunt_ohm is not None:
        return scale.Loop(_pair(reads.milliamps), shows, channel.shunt_ohm)
    if reads.ratio is not None:
        return scale.Ratiometric(_pair(reads.ratio), shows)
    if reads.volts is not None:
        return scale.TwoPoint(_pair(reads.volts), shows)
    raise ValueError(f"{channel.name}: reads says nothing of volts, milliamps or ratio")


def _pair(points: list[float]) -> scale.Points:
    return points[0], points[1]


def open_sensor(channel: Channel, settings: Settings, bench: Bench) -> Ads1115Input:  # noqa: ARG001
    return Ads1115Input(channel, bench)
