"""A faulty I2C bus: the imitated converter's wire (tests/sensors/imitation.py), with what goes wrong
on real ones.

    bus = FaultyBus(hand, volts)      one converter at 0x48, four pins
    bus.gone = True                   nobody answers (error 121)
    bus.hung = True                   a line is held low (error 110); `opened` counts openings
    bus.chip.volts[0] = 5.0           whatever a pin shows
    bus.chip.never_ready = True       a conversion that never ends
"""

from errno import EREMOTEIO, ETIMEDOUT
from typing import Any

from edge.sensors.bench import Bench
from edge.sensors.i2c import Bus
from tests.sensors.imitation import Ads1115, Wire


class FaultyBus:
    """The wire to one converter, and a bench that stands on it."""

    def __init__(self, hand: Any, *volts: float) -> None:
        self.hand = hand
        self.chip = Ads1115(hand, *volts)
        self.gone = self.hung = False
        self.heals_on_opening = False  # as after the kernel's driver was reset
        self.opened = 0

    def bench(self, **more: Any) -> Bench:
        return Bench(
            steady=self.hand.steady,
            sleep=self.hand.sleep,
            open_bus=lambda: Bus(self._open(), None, self._open),
            **more,
        )

    def _open(self) -> Wire:
        self.opened += 1
        if self.heals_on_opening:
            self.hung = False
        wire = Wire(x48=self.chip)
        wire.before = self._trouble
        return wire

    def _trouble(self, _count: int) -> None:
        if self.hung:
            raise OSError(ETIMEDOUT, "Connection timed out")
        if self.gone:
            raise OSError(EREMOTEIO, "Remote I/O error")
