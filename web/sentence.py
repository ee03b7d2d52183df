"""The first sentence of the page: one of four words, why, and what to do. Pure.

Each word has a key that names its shape and its colour in the style sheet.
"""

import re
from collections.abc import Mapping
from dataclasses import dataclass

from edge.settings import Settings
from web.fresh import Freshness, Picture
from web.shown import Local, lasting

WORDS: Mapping[str, str] = {
    "holding": "Holding",
    "watch": "Watch",
    "act": "Act",
    "blind": "Blind",
}

MEANINGS: Mapping[str, str] = {
    "holding": "all is well",
    "watch": "something to plan for",
    "act": "someone must respond now",
    "blind": "the monitor cannot see, so nothing is claimed",
}
BRIEF = 140
"""Characters that a screen of 320 by 568 has room for below the longest reason."""


@dataclass(frozen=True, slots=True)
class State:
    key: str  # holding, watch, act, blind: names the shape and the colour too
    word: str
    meaning: str
    reason: str
    todo: str

    @property
    def brief(self) -> str:
        """What to do, in as many whole sentences as a small phone has room for; the first at
        least. All of it stands with the alert."""
        out, *more = re.split(r"(?<=[.!?]) (?=[A-Z])", self.todo)
        for sentence in more:
            if len(out) + len(sentence) >= BRIEF:
                break
            out = f"{out} {sentence}"
        return out


def _ask(settings: Settings) -> str:
    contact = settings.site.contact
    return f"call {contact}" if contact else "call your fire-protection contractor"


def state(
    latest: Picture | None, seen: Freshness, settings: Settings, local: Local, now: float
) -> State:
    """The first sentence. `now` is the clock's, by which the age of the data is told."""
    if latest is not None and seen.fresh:
        picture = latest["picture"]
        key = picture["state"]
        simulated = ", simulated" if picture.get("simulated") else ""
        meaning = f"{MEANINGS[key]}{simulated}"
        return State(key, WORDS[key], meaning, picture["reason"], picture["todo"])
    if seen.written_at is None:
        reason = "There is no data: the monitor is not running, or has not written anything yet."
    elif seen.written_at > now + seen.limit_s:
        reason = (
            "The newest data is stamped later than this clock: the clock has been set back, "
            "so the age of the data is not known."
        )
    else:
        since = Local(local.zone, now).moment(seen.written_at)
        reason = f"No new data for {lasting(now - seen.written_at)}, since {since.text}: the monitor has stopped."
    todo = f"Read the gauge on the supply line; to have the monitor looked at, {_ask(settings)}."
    return State("blind", WORDS["blind"], MEANINGS["blind"], reason, todo)


def lost(settings: Settings) -> State:
    """What an open page says when it gets no more answers."""
    reason = "This page no longer gets new data; what stands below is old."
    todo = (
        "See whether this device still has a connection and load the page again; "
        f"if that does not help, read the gauge on the supply line and {_ask(settings)}."
    )
    return State("blind", WORDS["blind"], MEANINGS["blind"], reason, todo)
