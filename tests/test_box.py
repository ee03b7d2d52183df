"""The button and the beacon, on gpiozero's mock pins."""

import time
from collections.abc import Iterator, Mapping, Sequence
from typing import Any

import pytest
from gpiozero.pins.mock import MockFactory

from edge.box import DARK, PATTERNS, SOUNDS, STATES, Panel, pattern, prove
from edge.errors import StoreError
from edge.settings import Box


@pytest.fixture
def pins() -> Iterator[MockFactory]:
    factory = MockFactory()
    yield factory
    factory.close()


def showing(
    test: Mapping[str, Any] | None, state: str = "holding", alerts: Sequence[Any] = ()
) -> dict[str, Any]:
    return {"picture": {"hold_test": test, "state": state, "alerts": alerts}}


def alert(priority: str, since: str, state: str = "active") -> dict[str, Any]:
    return {
        "alert": "low_pressure",
        "section": "supply",
        "priority": priority,
        "since": since,
        "state": state,
    }


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
    assert lamp.state, "the self-test"
    panel.tell(1.5, showing(None))
    assert not lamp.state
    panel.tell(1.6, showing({"state": "verdict", "verdict": "holds"}))
    assert lamp.state
    lamp.clear_states()
    panel.tell(2.0, showing({"state": "verdict", "verdict": "leaks"}))
    deadline = time.monotonic() + 5.0
    while len(lamp.states) < 4 and time.monotonic() < deadline:
        time.sleep(0.02)  # the pin library's own thread blinks
    assert len(lamp.states) >= 4
    panel.stop()
    assert (
        pattern(showing({"state": "verdict", "verdict": "holds", "code_result": "fail"})["picture"])
        == PATTERNS["leaks"]
    )
    ends = [PATTERNS[word] for word in ("holds", "leaks", "cannot tell", "holding", "settling")]
    shown = [pattern(showing(None, state)["picture"]) for state in ("holding", *STATES)]
    assert shown == [DARK, *STATES.values()]
    assert len({*ends, *shown}) == 9


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


def test_the_button_silences_the_buzzer_and_acknowledges_nothing(pins: MockFactory) -> None:
    """A new alert sounds by its priority; a short press silences what stands and asks for nothing;
    the next alert, or the same come again, sounds anew; an acknowledged or planned one never."""
    asked: list[Any] = []
    box = Box(button="gpio:22", buzzer="gpio:25")
    panel = Panel(box, lambda *what: asked.append(what), lambda: pins)
    button, buzzer = pins.pin(22), pins.pin(25)

    def sound(t: float, *alerts: Any) -> Any:
        panel.tell(t, showing(None, "act", alerts))
        return panel._shown["buzzer"]

    sound(0.0)
    assert buzzer.state, "the self-test"
    assert sound(2.0) == DARK
    assert not buzzer.state
    one, two = alert("urgent", "12:00"), alert("soon", "12:01")
    assert sound(3.0, two, alert("planned", "11:00")) == SOUNDS["soon"]
    assert sound(4.0, one, two) == SOUNDS["urgent"]
    button.drive_low()
    button.drive_high()
    assert sound(5.0, one, two) == DARK
    assert sound(6.0, one, two) == DARK
    assert sound(7.0, one, two, alert("urgent", "12:05")) == SOUNDS["urgent"]
    assert sound(8.0, one) == DARK
    assert sound(9.0, alert("urgent", "12:05", "acknowledged")) == DARK
    assert sound(10.0, one) == SOUNDS["urgent"]
    assert asked == []
    panel.stop()


def test_a_letterbox_that_takes_nothing_silences_no_buzzer(pins: MockFactory) -> None:
    """While an urgent alert sounds, a held button whose request cannot be put down leaves lamp and
    buzzer on and the pins connected."""

    def full(*_: Any) -> None:
        raise StoreError("the letterbox is full")

    panel = Panel(Box(button="gpio:22", beacon="gpio:27", buzzer="gpio:25"), full, lambda: pins)
    said = showing(None, "act", [alert("urgent", "12:00")])
    for t in (0.0, 2.0):
        panel.tell(t, said)
    pins.pin(22).drive_low()
    for t in (3.0, 6.0, 7.0):
        panel.tell(t, said)
    assert panel._shown == {"beacon": STATES["act"], "buzzer": SOUNDS["urgent"]}
    assert panel.state()["connected"]
    panel.stop()


def test_the_self_test_on_demand_says_what_it_did(pins: MockFactory) -> None:
    """Each lamp or buzzer that is fitted goes on and off; a pin that cannot be had is named."""
    said: list[str] = []
    assert prove(Box(beacon="gpio:27"), lambda: pins, said.append)
    assert [state.state for state in pins.pin(27).states] == [False, True, False]
    assert said[0] == "beacon gpio:27"

    def no_pins() -> MockFactory:
        raise OSError("no such chip")

    assert not prove(Box(buzzer="gpio:25"), no_pins, said.append)
    assert said[2:] == ["buzzer gpio:25", "  FAILED  pin: no such chip"]
