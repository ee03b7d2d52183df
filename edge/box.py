"""Button, beacon and buzzer on the monitor's own box.

A button between its pin and ground: pressed for a moment it silences the buzzer, which acknowledges
nothing; held for three seconds it asks for a hold test. A lamp and a buzzer on pins of their own
(each through a transistor, never straight from the pin) show the site's state, a new alert and a
hold test's course; both go on for a moment when they are opened, to be seen and heard to work. They
are ours alone: nothing here is wired to a valve, a compressor or the fire-protection system.
"""

import logging
from collections.abc import Callable, Mapping
from typing import Any, NamedTuple

from gpiozero import DigitalInputDevice, DigitalOutputDevice

from edge.errors import StoreError
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
LIT = Pattern(1.0, 0.0)
SELF_TEST_S = 1.5
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


STATES: Mapping[str, Pattern] = {
    "act": Pattern(0.5, 0.5),
    "watch": Pattern(0.1, 4.9),
    "blind": Pattern(0.1, 0.9),
}
"""What it shows of the site's state while no hold test is under way; dark for holding."""

SOUNDS: Mapping[str, Pattern] = {"urgent": Pattern(0.5, 1.5), "soon": Pattern(0.1, 29.9)}
"""What the buzzer sounds for an alert that nobody has seen yet; nothing for what is planned."""


def pattern(picture: Mapping[str, Any]) -> Pattern:
    """What the beacon shows: a hold test's course or verdict, else the site's state."""
    test = picture["hold_test"]
    if test is None:
        return STATES.get(str(picture.get("state")), DARK)
    if test.get("code_result") == "fail":
        return PATTERNS["leaks"]
    return PATTERNS[test.get("verdict", test["state"])]


Heard = tuple[Any, ...]


def sounding(picture: Mapping[str, Any]) -> dict[Heard, str]:
    """The alerts that sound until somebody has seen them, with their priority."""
    return {
        tuple(alert.get(key) for key in ("alert", "section", "subject", "since")): alert["priority"]
        for alert in picture.get("alerts", [])
        if alert["state"] == "active" and alert["priority"] in SOUNDS
    }


def prove(box: Box, open_pins: Callable[[], Any], say: Callable[[str], None]) -> bool:
    """Lights the beacon and sounds the buzzer for a moment; says what failed."""
    good = True
    for name, pin in (("beacon", box.beacon), ("buzzer", box.buzzer)):
        if pin is None:
            continue
        say(f"{name} {pin}")
        try:
            device = DigitalOutputDevice(int(pin.partition(":")[2]), pin_factory=open_pins())
            device.blink(SELF_TEST_S, 0.1, n=1, background=False)
            device.close()
            say(f"  ok      it was on for {SELF_TEST_S:g} s")
        except pin_faults() as error:
            say(f"  FAILED  pin: {error}")
            good = False
    return good


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
        self._buzzer_pin = None if box.buzzer is None else int(box.buzzer.partition(":")[2])
        self._post, self._open_pins = post, open_pins
        self._button: DigitalInputDevice | None = None
        self._beacon: DigitalOutputDevice | None = None
        self._buzzer: DigitalOutputDevice | None = None
        self._shown: dict[str, Pattern] = {}
        self._silenced: set[Heard] = set()
        self._test_until = float("-inf")
        self._pressed_t: float | None = None
        self._asked = False
        self._let_go = False  # set by the pin library's thread
        self._retry_t = float("-inf")
        self._why: str | None = "not opened yet"

    def tell(self, t: float, latest: Mapping[str, Any]) -> None:
        """Once a tick, at steady second `t`: read the button, show state and course, sound."""
        try:
            if self._why is not None and t >= self._retry_t:
                self._retry_t = t + RETRY_S
                self._open()
                self._test_until = t + SELF_TEST_S
            if self._why is None:
                sounds = sounding(latest["picture"])
                self._silenced &= set(sounds)  # one that comes again sounds again
                self._read(t, sounds)
                unheard = {sounds[one] for one in set(sounds) - self._silenced}
                sound = next((SOUNDS[p] for p in SOUNDS if p in unheard), DARK)
                testing = t < self._test_until
                self._show("beacon", self._beacon, LIT if testing else pattern(latest["picture"]))
                self._show("buzzer", self._buzzer, LIT if testing else sound)
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
            self._button = DigitalInputDevice(
                self._button_pin, pull_up=True, bounce_time=0.02, pin_factory=pins
            )
            self._button.when_deactivated = self._released
        if self._beacon_pin is not None:
            self._beacon = DigitalOutputDevice(self._beacon_pin, pin_factory=pins)
        if self._buzzer_pin is not None:
            self._buzzer = DigitalOutputDevice(self._buzzer_pin, pin_factory=pins)
        self._why, self._shown = None, {}

    def _close(self) -> None:
        for device in (self._button, self._beacon, self._buzzer):
            if device is not None:
                device.close()
        self._button = self._beacon = self._buzzer = None
        self._why = "closed"

    def _released(self) -> None:
        self._let_go = True

    def _read(self, t: float, sounds: Mapping[Heard, str]) -> None:
        if self._button is None:
            return
        let_go, self._let_go = self._let_go, False
        if let_go and not self._asked:  # pressed for a moment
            self._silenced = set(sounds)
        if let_go or not self._button.is_active:
            self._pressed_t, self._asked = None, False
        if not self._button.is_active:
            return
        if self._pressed_t is None:
            self._pressed_t = t
        elif t - self._pressed_t >= HELD_S and not self._asked:
            self._asked = True
            try:
                self._post("hold_start", "the button on the box", {"section": SUPPLY})
            except StoreError as error:
                # No fault of the pins: lamp and buzzer go on. Whoever holds the button sees no test
                # begin, and the alert monitor_fault says why.
                log.error("the button's request: %s", error)

    def _show(self, name: str, device: DigitalOutputDevice | None, pattern: Pattern) -> None:
        if device is None or pattern == self._shown.get(name):
            return
        self._shown[name] = pattern
        if pattern.on_s == 0.0:
            device.off()
        elif pattern.off_s == 0.0:
            device.on()
        else:
            device.blink(pattern.on_s, pattern.off_s)
