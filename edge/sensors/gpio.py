"""A run contact on a pin of the Pi, with a debounce of our own.

The contact must have been still for the debounce time before its new position is believed; a
shorter flicker changes nothing. Edges restart that time, so chatter between two ticks is seen
too. The pull is towards the resting level: up for a contact that closes to ground (`active`
low), down for one that closes to 3.3 V. Only an isolated, dry contact belongs here: hardware.md.
"""

import os
import sys
import tempfile
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from gpiozero import DigitalInputDevice
from gpiozero.exc import GPIOZeroError

from edge.errors import SensorError
from edge.model import Reading, Status
from edge.sensors.bench import Bench
from edge.settings import Channel, Settings

UNSETTLED_S = 10.0
"""A contact that has not been still for this long says nothing: alternating current on the
input, or a relay that chatters itself to death."""


class RunContact:
    """1 while the contact says that the generator runs, 0 while it rests."""

    def __init__(self, channel: Channel, bench: Bench) -> None:
        self.channel = channel.name
        self.quantity = channel.quantity
        self._pin = int(channel.address)
        self._active_low = channel.active == "low"
        self._debounce_s = channel.debounce_s
        self._bench = bench
        self._device: DigitalInputDevice | None = None
        self._believed = self._raw = False
        self._looked_at = 0.0
        self._moved_at = 0.0  # the last edge; written by the pin library's thread too
        self._still_at = 0.0  # when it was last seen settled
        self._settled = False

    def read(self, so_far: Mapping[str, Reading]) -> Reading:
        try:
            raw = bool((self._device or self._open()).is_active)
        except pin_faults() as error:
            self.close()
            why = f"GPIO{self._pin} cannot be read: {error}"
            return Reading(self.channel, self.quantity, None, Status.FAILURE, why)
        return self._settle(raw, self._bench.steady())

    def close(self) -> None:
        device, self._device = self._device, None
        if device is not None:
            device.close()

    def _open(self) -> DigitalInputDevice:
        factory = self._bench.shared("pins", self._bench.open_pins or open_pi_pins)
        device = DigitalInputDevice(
            self._pin, pull_up=self._active_low, bounce_time=None, pin_factory=factory
        )
        self._device = device
        self._believed = self._raw = bool(device.is_active)
        self._looked_at = self._moved_at = self._still_at = self._bench.steady()
        self._settled = False
        device.when_activated = device.when_deactivated = self._edge
        return device

    def _edge(self) -> None:
        self._moved_at = self._bench.steady()

    def _settle(self, raw: bool, now: float) -> Reading:
        if raw != self._raw and self._moved_at <= self._looked_at:
            self._moved_at = now  # moved, and no edge told of it
        self._raw, self._looked_at = raw, now
        if now - self._moved_at >= self._debounce_s:
            self._believed, self._still_at, self._settled = raw, now, True
            return Reading(self.channel, self.quantity, float(raw))
        if now - self._still_at > UNSETTLED_S + self._debounce_s:
            why = (
                f"the contact has not been still for {self._debounce_s:g} s in the last"
                f" {now - self._still_at:.0f} s: chatter, or alternating current on the input"
            )
            return Reading(self.channel, self.quantity, None, Status.FAILURE, why)
        if not self._settled:
            why = f"first position, not yet still for {self._debounce_s:g} s"
            return Reading(
                self.channel, self.quantity, float(self._believed), Status.FUNCTION_CHECK, why
            )
        return Reading(self.channel, self.quantity, float(self._believed))


def pin_faults() -> tuple[type[Exception], ...]:
    """What the pin libraries raise for a fault of the hardware or its permissions."""
    lgpio = sys.modules.get("lgpio")
    theirs = (lgpio.error,) if lgpio is not None else ()
    return (SensorError, GPIOZeroError, OSError, *theirs)


def open_pi_pins() -> Any:
    """The Pi's own pins through lgpio, and through nothing else in its place.

    Raises SensorError when the library is not installed; what the hardware says is passed on.
    """
    # At import lgpio makes a named pipe in LG_WD, or in the working folder, and makes that the
    # working folder of the whole program. Once it is open on both ends its name is not needed.
    back = Path.cwd()
    with tempfile.TemporaryDirectory(prefix="dryhold-pins-") as folder:
        os.environ.setdefault("LG_WD", folder)
        try:
            from gpiozero.pins.lgpio import LGPIOFactory
        except ImportError as error:
            raise SensorError("the Python package lgpio is not installed") from error
        finally:
            os.chdir(back)
    return LGPIOFactory()


def open_sensor(channel: Channel, settings: Settings, bench: Bench) -> RunContact:  # noqa: ARG001
    return RunContact(channel, bench)
