"""The button and the beacon, on gpiozero's mock pins."""

import time
from collections.abc import Iterator, Mapping
from typing import Any

import pytest
from gpiozero.pins.mock import MockFactory

from edge.box import PATTERNS, Panel, pattern
from edge.settings import Box


@pytest.fixture
def pins() -> Iterator[MockFactory]:
    factory = MockFactory()
    yield factory
    factory.close()


def showing(test: Mapping[str, Any] | None) -> dict[str, Any]:
    return {"picture": {"hold_test": test}}


def test_three_seconds_on_the_button_ask_once_for_a_hold_test(pins: MockFactory) -> None:
    """Held for three seconds the button posts one request; shorter, or let go between, none."""
    asked: list[tuple[str, str, Mapping[str, Any]]] = []
    panel = Panel(Box(button="gpio:22"), lambda *what: asked.append(what), lambda: pins)
    button = pins.pin(22)
    panel.tell(0.0, showing(None))
    button.drive_low()
    panel.tell(1.0, showing(None))
    panel.tell(3.9, showing(None))
    button.drive_high()
    button.drive_low()  # between two looks
    panel.tell(4.1, showing(None))
    panel.tell(7.0, showing(None))
    assert asked == []
    panel.tell(7.1, showing(None))
    panel.tell(60.0, showing(None))
    assert asked == [("hold_start", "the button on the box", {"section": "supply"})]
    button.drive_high()
    panel.tell(61.0, showing(None))
    button.drive_low()
    panel.tell(62.0, showing(None))
    panel.tell(65.0, showing(None))
    assert len(asked) == 2
    panel.stop()


def test_the_beacon_shows_course_and_verdict(pins: MockFactory) -> None:
    """Dark without a test, steady for holds, blinking fast for leaks, and each word has its own pattern."""
    panel = Panel(Box(beacon="gpio:27"), lambda *_: None, lambda: pins)
    lamp = pins.pin(27)
    panel.tell(0.0, showing(None))
    assert not lamp.state
    panel.tell(1.0, showing({"state": "verdict", "verdict": "holds"}))
    assert lamp.state
    lamp.clear_states()
    panel.tell(2.0, showing({"state": "verdict", "verdict": "leaks"}))
    deadline = time.monotonic() + 5.0
    while len(lamp.states) < 4 and time.monotonic() < deadline:
        time.sleep(0.02)  # the pin library's own thread blinks
    assert len(lamp.states) >= 4
    panel.stop()
    assert (
        pattern({"state": "verdict", "verdict": "holds", "code_result": "fail"})
        == PATTERNS["leaks"]
    )
    ends = [PATTERNS[word] for word in ("holds", "leaks", "cannot tell", "holding", "settling")]
    assert len(set(ends)) == 5


def test_a_box_without_its_pins_is_told_and_tried_again(pins: MockFactory) -> None:
    """A fault of the pins is a reason in the state, and after a minute the pins are opened again."""
    broken = [OSError("no such chip")]

    def open_pins() -> MockFactory:
        if broken:
            raise broken.pop()
        return pins

    panel = Panel(Box(button="gpio:22"), lambda *_: None, open_pins)
    panel.tell(0.0, showing(None))
    assert panel.state()["why"] == "no such chip"
    panel.tell(59.0, showing(None))
    assert not panel.state()["connected"]
    panel.tell(60.0, showing(None))
    assert panel.state()["connected"]
    panel.stop()
