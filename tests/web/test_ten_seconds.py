"""What a newcomer must find within ten seconds stands on a phone's screen without scrolling,
whatever the judgement has to say: the real words of every alert and of every state."""

import re
import sys
from html import unescape
from pathlib import Path
from typing import Any, NamedTuple

import pytest

sys.path.insert(0, str(Path(__file__).parents[1] / "judge"))  # where each alert's story is told

from script import Phase, play
from script import site as scripted
from test_detectors import STORIES, of

from edge.cause import ADVICE, CANNOT_TELL
from edge.judge import Judge
from web import sentence

PHONES = ((390, 844), (320, 568))
WHAT = ["#state h1", "#state .shape", "#state .reason", "#state .todo", "#age-text"]


class Said(NamedTuple):
    state: str
    reason: str
    todo: str


def said(picture: dict[str, Any]) -> Said:
    return Said(picture["state"], picture["reason"], picture["todo"])


def raised(name: str) -> Said:
    """The first sentence when the alert of that story is the first that stands."""
    story, alert = of(name)
    judge = Judge(story.settings("psi"))
    for tick in play(story.phases()):
        for event in judge.look(tick):
            if (event.kind, event.numbers.get("alert")) == ("alert_raised", alert):
                state = "act" if event.numbers["priority"] == "urgent" else "watch"
                return Said(state, event.text, event.numbers["todo"])
    raise AssertionError(f"{name} was never raised")


def ordinary() -> list[Said]:
    """Holding, at rest and in a run; blind, without the sensor and before the first reading."""
    found = [said(Judge(scripted()).picture())]
    judge = Judge(scripted())
    for tick in play([Phase(3.0), Phase(0.1, {"silent": ("line",)})]):
        judge.look(tick)
        found.append(said(judge.picture()))
    return [max(group, key=len_of) for group in _by_state(found)]


def len_of(one: Said) -> int:
    return len(one.reason) + len(one.todo)


def _by_state(found: list[Said]) -> list[list[Said]]:
    return [[s for s in found if s.state == state] for state in {s.state for s in found}]


@pytest.fixture(scope="module")
def sayings() -> list[Said]:
    """Everything that the first view may have to say; the longest advice on a cause
    beside the longest reason too."""
    found = [*map(raised, STORIES), *ordinary()]
    longest = max((s.reason for s in found if s.state == "watch"), key=len)
    found.append(Said("watch", longest, max((*ADVICE.values(), CANNOT_TELL), key=len)))
    assert {s.state for s in found} == {"holding", "watch", "act", "blind"}
    return sorted(set(found))


BOXES = """(names) => names.map((name) => {
  const box = document.querySelector(name).getBoundingClientRect();
  return [name, box.left, box.top, box.right, box.bottom];
})"""


def test_all_that_matters_is_in_sight(
    site: Any, served: str, chromium: Any, sayings: list[Said]
) -> None:
    """Word, shape, reason, what to do and the data's age are within the first screen of a small and of a usual phone, for every alert there is and in every state."""
    context = chromium.new_context(java_script_enabled=False)
    page = context.new_page()
    wrong = []
    for one in sayings:
        site.say(one.state)
        site.said["picture"].update(reason=one.reason, todo=one.todo)
        site.write()
        page.goto(served)
        assert page.locator("#state h1").inner_text().startswith(one.state.capitalize())
        for width, height in PHONES:
            page.set_viewport_size({"width": width, "height": height})
            for what, left, top, right, bottom in page.evaluate(BOXES, WHAT):
                if left < 0 or right > width or top < 0 or bottom > height or right - left < 1:
                    wrong.append(f"{what} ends at {bottom} of {height}: {one}")
    context.close()
    assert wrong == []


def test_what_is_too_long_for_a_phone_stands_whole_with_its_alert(
    site: Any, sayings: list[Said]
) -> None:
    """The first view may leave later sentences out, but never a part of one, and the alert's own note has all of it."""
    long = max(sayings, key=lambda one: len(one.todo))
    assert len(long.todo) > sentence.BRIEF
    site.say("watch")
    picture = site.said["picture"]
    picture.update(reason=long.reason, todo=long.todo)
    picture["alerts"][0] = {**picture["alerts"][0], "text": long.reason, "todo": long.todo}
    site.write()
    html = unescape(site.client().get("/").get_data(as_text=True))
    first, _, rest = html.partition('id="alerts"')
    assert long.todo not in first
    assert long.todo in rest
    shown = re.search(r"What to do:</strong> ([^<]*)</p>", first)
    assert shown is not None
    assert long.todo.startswith(f"{shown[1]} ")
    assert shown[1].endswith(".")
    assert site.client().get("/api/status").json["todo"] == long.todo
