"""The button and the beacon on the monitor's own box: one asks for a hold test, the other shows it.

A button between its pin and ground, held for three seconds, posts a request; a lamp on its pin
(through a transistor, never straight from the pin) shows the course. They are ours alone: nothing
here is wired to a valve, a compressor or the fire-protection system.
"""

import logging
from collections.abc import Callable, Mapping
from typing import Any, NamedTuple

from gpiozero import DigitalInputDevice, DigitalOutputDevice

from edge.model import SUPPLY
from edge.sensors.gpio import pin_faults
from edge.settings import Box

log = logging.getLogger(__name__)

HELD_S = 3.0
RETRY_S = 60.0


class Pattern(NamedTuple):
    """Seconds on and off; off 0 is steady light, on 0 is dark."""

    on_s: float
    off_s: float


DARK = Pattern(0.0, 1.0)
PATTERNS: Mapping[str, Pattern] = {
    "requested": Pattern(1.0, 1.0),
    "waiting for cut-out": Pattern(1.0, 1.0),
    "settling": Pattern(1.0, 1.0),
    "holding": Pattern(0.1, 1.9),
    "holds": Pattern(1.0, 0.0),
    "leaks": Pattern(0.2, 0.2),
    "cannot tell": Pattern(1.9, 0.1),
}
"""What the beacon shows of a course, then of its verdict."""


def pattern(test: Mapping[str, Any] | None) -> Pattern:
    """The beacon's pattern for the hold test of the picture."""
    if test is None:
        return DARK
    if test.get("code_result") == "fail":
        return PATTERNS["leaks"]
    return PATTERNS[test.get("verdict", test["state"])]


class Panel:
    """Button and beacon of one box; told every tick, as a messenger is."""

    name = "box"

    def __init__(
        self,
        box: Box,
        post: Callable[[str, str, Mapping[str, Any]], object],
        open_pins: Callable[[], Any],
    ) -> None:
        """`post` puts a request into the letterbox; `open_pins` gives the pin factory."""
        self._button_pin = None if box.button is None else int(box.button.partition(":")[2])
        self._beacon_pin = None if box.beacon is None else int(box.beacon.partition(":")[2])
        self._post, self._open_pins = post, open_pins
        self._button: DigitalInputDevice | None = None
        self._beacon: DigitalOutputDevice | None = None
        self._shown: Pattern | None = None
        self._pressed_t: float | None = None
        self._asked = False
        self._let_go = False  # set by the pin library's thread
        self._retry_t = float("-inf")
        self._why: str | None = "not opened yet"

    def tell(self, t: float, latest: Mapping[str, Any]) -> None:
        """Once a tick, at steady second `t`: read the button, show the course."""
        try:
            if self._why is not None and t >= self._retry_t:
                self._retry_t = t + RETRY_S
                self._open()
            if self._why is None:
                self._read(t)
                self._show(pattern(latest["picture"]["hold_test"]))
        except pin_faults() as error:
            if self._why != str(error):
                log.error("button and beacon: %s", error)
            self._close()
            self._why = str(error)

    def state(self) -> dict[str, Any]:
        """JSON-ready, for the page."""
        return {"connected": self._why is None, "why": self._why, "waiting": 0, "dropped": 0}

    def stop(self) -> None:
        self._close()

    def _open(self) -> None:
        pins = self._open_pins()
        if self._button_pin is not None:
            self._button = DigitalInputDevice(self._button_pin, pull_up=True, pin_factory=pins)
            self._button.when_deactivated = self._released
        if self._beacon_pin is not None:
            self._beacon = DigitalOutputDevice(self._beacon_pin, pin_factory=pins)
        self._why = self._shown = None

    def _close(self) -> None:
        for device in (self._button, self._beacon):
            if device is not None:
                device.close()
        self._button = self._beacon = None
        self._why = "closed"

    def _released(self) -> None:
        self._let_go = True

    def _read(self, t: float) -> None:
        if self._button is None:
            return
        let_go, self._let_go = self._let_go, False
        if let_go or not self._button.is_active:
            self._pressed_t, self._asked = None, False
        if not self._button.is_active:
            return
        if self._pressed_t is None:
            self._pressed_t = t
        elif t - self._pressed_t >= HELD_S and not self._asked:
            self._asked = True
            self._post("hold_start", "the button on the box", {"section": SUPPLY})

    def _show(self, pattern: Pattern) -> None:
        if self._beacon is None or pattern == self._shown:
            return
        self._shown = pattern
        if pattern.on_s == 0.0:
            self._beacon.off()
        elif pattern.off_s == 0.0:
            self._beacon.on()
        else:
            self._beacon.blink(pattern.on_s, pattern.off_s)
