"""The newest, as the retained topics hold it; asyncapi.yaml beside this file describes it."""

from collections.abc import Mapping, Sequence
from typing import Any

_STATES = ("active", "acknowledged", "shelved")


def gist(alert: Mapping[str, Any]) -> tuple[Any, ...]:
    """What makes it worth telling again."""
    return tuple(alert.get(key) for key in ("section", "subject", "state", "priority", "cause"))


def opened(alert: Mapping[str, Any]) -> dict[str, Any]:
    """An alert for a topic that is not renewed while it stands: as it was said when raised, since a
    sentence about the present would soon be none. That one is in the readings."""
    return {**alert, "text": alert.get("raised") or alert["text"]}


def state(opened: Sequence[Mapping[str, Any]]) -> str:
    """The state that most needs a person, of one alert in all sections."""
    found = {o["state"] for o in opened}
    return next((state for state in _STATES if state in found), "inactive")


def health(latest: Mapping[str, Any]) -> dict[str, Any]:
    said = latest["monitor"]
    return {
        "at": latest["at"],
        "kept": said.get("not_kept") is None,
        "why": said.get("not_kept"),
        "readings_lost": said.get("readings_lost", 0),
        "events_lost": said.get("events_lost", 0),
        "messengers": [
            {"messenger": name, **{key: state[key] for key in ("connected", "waiting", "dropped")}}
            for name, state in (said.get("messengers") or {}).items()
            if "waiting" in state  # button, lamp and buzzer have no outbox
        ],
    }


def readings(latest: Mapping[str, Any]) -> dict[str, Any]:
    picture = latest["picture"]
    return {
        "at": latest["at"],
        "simulated": picture.get("simulated", []),
        "channels": {
            name: {
                "quantity": c["quantity"],
                "value": c["value"],
                "unit": c["unit"],
                "quality": c["status"],
                "why": c["why"],
                "age_s": c["age_s"],
            }
            for name, c in latest["channels"].items()
        },
        "state": picture.get("state"),
        "reason": picture.get("reason"),
        "todo": picture.get("todo"),
        "alerts": [
            {key: one.get(key) for key in ("alert", "section", "subject", "state", "text")}
            for one in picture.get("alerts", [])
        ],
        "not_judged": picture.get("not_judged", []),
        "sections": {
            # How each figure came about is for the page.
            name: {key: value for key, value in figures.items() if key != "explain"}
            for name, figures in picture.get("sections", {}).items()
        },
        "monitor": latest["monitor"],
    }
