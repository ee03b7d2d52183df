"""The wire, imitated: ADS1115 converters as their registers, on an I2C bus, in time moved by hand.

Source: TI SBAS444, sections on the config register (OS, MUX, PGA, MODE, DR; reset value 0x8583)
and the conversion register. Offset, gain error and noise are left out, so a reading must come
back within one LSB.
"""

from collections.abc import Callable
from errno import EREMOTEIO
from typing import Any

LSB_UV = {0: 187.5, 1: 125.0, 2: 62.5, 3: 31.25, 4: 15.625, 5: 7.8125, 6: 7.8125, 7: 7.8125}
RATES = (8, 16, 32, 64, 128, 250, 475, 860)
MUX = {0: (0, 1), 1: (0, 3), 2: (1, 3), 3: (2, 3), 4: (0,), 5: (1,), 6: (2,), 7: (3,)}
RESET = 0x8583


class Hand:
    """Steady time that only moves when something sleeps, or when told."""

    def __init__(self) -> None:
        self.now = 1000.0

    def steady(self) -> float:
        return self.now

    def sleep(self, seconds: float) -> None:
        assert seconds > 0.0
        self.now += seconds


class Ads1115:
    """One converter: four pins with volts on them, and what its registers hold."""

    def __init__(self, hand: Hand, *volts: float) -> None:
        self.hand = hand
        self.volts = list(volts)
        self.slow = 1.0  # the chip's own clock, up to 10 % off
        self.never_ready = False
        self.reset()

    def reset(self) -> None:
        """What a dip of its supply leaves."""
        self.registers = [0x0000, RESET, 0x8000, 0x7FFF]
        self.pointer = 0
        self.ready_at: float | None = None

    def write(self, data: bytes) -> None:
        if not data:
            return
        self.pointer = data[0] & 0x03
        if len(data) == 3:
            value = data[1] << 8 | data[2]
            if self.pointer == 1:
                self._configure(value)
            elif self.pointer > 1:
                self.registers[self.pointer] = value

    def read(self, n: int) -> bytes:
        self._finish()
        value = self.registers[self.pointer]
        if self.pointer == 1:
            value = value & 0x7FFF | (0 if self.ready_at is not None else 0x8000)
        return value.to_bytes(2, "big")[:n]

    def _configure(self, value: int) -> None:
        self._finish()
        self.registers[1] = value & 0x7FFF
        if value & 0x8000 and value & 0x0100 and self.ready_at is None:
            self.ready_at = self.hand.now + self.slow / RATES[value >> 5 & 7]

    def _finish(self) -> None:
        if self.ready_at is None or self.never_ready or self.hand.now < self.ready_at:
            return
        self.ready_at = None
        config = self.registers[1]
        pins = [self.volts[pin] for pin in MUX[config >> 12 & 7]]
        volts = pins[0] - (pins[1] if len(pins) > 1 else 0.0)
        counts = round(volts * 1e6 / LSB_UV[config >> 9 & 7])
        self.registers[0] = max(-32768, min(32767, counts)) & 0xFFFF


class Wire:
    """Converters by their address. `before` is called ahead of each transaction, with its number
    since the start, and may raise, unplug or meddle."""

    def __init__(self, **chips: Ads1115) -> None:
        self.chips = {int(name[1:], 16): chip for name, chip in chips.items()}
        self.count = 0
        self.before: Callable[[int], None] = lambda _: None

    def writeto(self, address: int, buffer: Any, *, start: int = 0, end: int | None = None) -> None:
        self._chip(address).write(bytes(buffer[start:end]))

    def readfrom_into(
        self, address: int, buffer: Any, *, start: int = 0, end: int | None = None
    ) -> None:
        end = len(buffer) if end is None else end
        buffer[start:end] = self._chip(address).read(end - start)

    def writeto_then_readfrom(
        self,
        address: int,
        buffer_out: Any,
        buffer_in: Any,
        *,
        out_start: int = 0,
        out_end: int | None = None,
        in_start: int = 0,
        in_end: int | None = None,
    ) -> None:
        chip = self._chip(address)
        chip.write(bytes(buffer_out[out_start:out_end]))
        in_end = len(buffer_in) if in_end is None else in_end
        buffer_in[in_start:in_end] = chip.read(in_end - in_start)

    def _chip(self, address: int) -> Ads1115:
        self.count += 1
        self.before(self.count - 1)
        if address not in self.chips:
            raise OSError(EREMOTEIO, "Remote I/O error")
        return self.chips[address]
