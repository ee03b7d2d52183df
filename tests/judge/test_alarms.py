"""The states of an alert, with a detector that finds what it is told to find."""

import types
from typing import Any

import pytest
from script import EPOCH, site

from edge.alarms import CHATTER_S, FLOOD_ALERTS, Desk
from edge.detect.base import Detector, Telling
from edge.model import Event, Request
from edge.words import Words


class Told(Detector):
    """Says what the test has set."""

    alert, priority = "low_purity", "soon"

    def __init__(self, number: int = 0) -> None:
        super().__init__("supply", str(number))
        self.there = False

    def look(self, now: Any, active: bool) -> bool:
        return self.there

    def tell(self, now: Any) -> Telling:
        return Telling("The nitrogen is under its limit.", "Open the needle valve.")


class Room:
    """A desk of such detectors, with time moved by hand."""

    def __init__(self, count: int = 1) -> None:
        self.detectors = [Told(n) for n in range(count)]
        self.desk = Desk(iter(self.detectors))
        self.now: Any = types.SimpleNamespace(t=0.0, facts=[], words=Words(site()))

    def at(self, t: float, *there: bool) -> list[Event]:
        """What is said when, at second `t`, the detectors' troubles are there or not."""
        for detector, so in zip(self.detectors, there, strict=True):
            detector.there = so
        self.now.t = t
        return self.desk.look(self.now, lambda steady: EPOCH + steady)

    def ask(self, t: float, kind: str, **what: Any) -> list[Event]:
        return self.desk.ask(Request(1, kind, "Ana", what), t, EPOCH + t)


def kinds(events: list[Event]) -> list[str]:
    return [event.kind.removeprefix("alert_") for event in events]


def test_a_shelved_alert_that_comes_again_is_kept_back_until_its_shelf_ends() -> None:
    """Raised anew on the shelf it is marked so, for which nobody is called; once the time is up it
    is told, and only once."""
    room = Room()
    assert kinds(room.at(0.0, True)) == ["raised"]
    room.ask(60.0, "shelve", for_s=3600.0, why="part ordered")
    assert kinds(room.at(200.0, False)) == ["cleared"]
    (event,) = room.at(400.0, True)
    assert (event.kind, event.numbers["shelved"]) == ("alert_raised", True)
    assert room.at(3659.0, True) == []
    (event,) = room.at(3661.0, True)
    assert event.text.startswith("Raised while it was shelved, and still so: The nitrogen")
    assert "shelved" not in event.numbers
    assert room.at(3700.0, True) == []


def test_a_fault_that_comes_and_goes_each_minute_is_told_three_times_an_hour() -> None:
    """Toggled every minute for an hour an alert is raised three times, then stands; it clears only
    after a quarter of an hour of quiet, and may then come and go anew."""
    room = Room()
    said = [e for minute in range(60) for e in room.at(60.0 * minute, minute % 2 == 0)]
    assert kinds(said) == ["raised", "cleared", "raised", "cleared", "raised"]
    last = 60.0 * 59
    assert room.at(last + CHATTER_S - 1.0, False) == []
    assert kinds(room.at(last + CHATTER_S, False)) == ["cleared"]
    said = room.at(last + 2000.0, True) + room.at(last + 2060.0, False)
    assert kinds(said) == ["raised", "cleared"]


@pytest.mark.parametrize("more", [0, 1])
def test_a_flood_is_more_than_ten_alerts_in_ten_minutes(more: int) -> None:
    """Ten within ten minutes are none; the eleventh makes one, whose first alert is named
    (EEMUA 191's figure, from memory)."""
    room = Room(FLOOD_ALERTS + more)
    room.at(0.0, *[True] * (FLOOD_ALERTS + more))
    flood = room.desk.flood(1.0)
    assert FLOOD_ALERTS == 10
    assert flood == ({"alerts": 11, "first": "low_purity"} if more else None)
    assert room.desk.flood(601.0) is None


def test_what_rises_while_somebody_works_is_marked_and_told_when_they_end() -> None:
    """The event carries that nobody is called for it; when the time is up what still stands is told
    anew and unmarked, and what has ended is not."""
    room = Room(2)
    room.ask(0.0, "working", for_s=600.0)
    events = room.at(10.0, True, True)
    assert [e.numbers["silenced"] for e in events] == [True, True]
    room.at(300.0, True, False)
    (event,) = room.at(600.0, True, False)
    assert event.text.startswith("Raised while work was going on, and still so:")
    assert (event.numbers["subject"], "silenced" in event.numbers) == ("0", False)
