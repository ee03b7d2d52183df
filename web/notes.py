"""An open alert as a colleague would write it. Pure."""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass

from edge import advice
from edge.settings import Settings
from web.fresh import Picture
from web.named import row, section_name
from web.shown import Local, Moment, SiteUnits, lasting, parse_time

PRIORITIES: Mapping[str, str] = {
    "urgent": "respond now",
    "soon": "within days",
    "planned": "at the next visit",
}


@dataclass(frozen=True, slots=True)
class Note:
    """An open alert as a colleague would write it."""

    key: str
    title: str
    priority: str  # urgent, soon, planned
    priority_words: str
    section: str
    state: str
    since: Moment
    lasted: str
    text: str
    cause: str
    evidence: tuple[tuple[str, str], ...]
    todo: str
    check: str
    bring: str
    followers: tuple[str, ...]


def _evidence(numbers: Picture, u: SiteUnits, local: Local) -> Iterator[tuple[str, str]]:
    for name, value in numbers.items():
        if name == "since":  # the one time among them
            yield "Since", local.record(parse_time(value))
        else:
            yield row(name, value, u)


def note(alert: Picture, settings: Settings, local: Local) -> Note:
    since = parse_time(alert["since"])
    said = advice.of(alert["alert"], alert.get("cause"))
    u = SiteUnits.of(settings)
    return Note(
        key="-".join(str(alert.get(k) or "") for k in ("section", "alert", "subject")),
        title=": ".join(filter(None, (advice.name_of(alert["alert"]), alert.get("subject")))),
        priority=alert["priority"],
        priority_words=PRIORITIES[alert["priority"]],
        section=section_name(alert.get("section")),
        state=alert["state"],
        since=local.moment(since),
        lasted=lasting(local.now - since),
        text=alert["text"],
        cause=said.cause,
        evidence=tuple(_evidence(alert.get("evidence") or {}, u, local)),
        todo=alert.get("todo") or "",
        check=said.check,
        bring=said.bring,
        followers=tuple(advice.name_of(name) for name in alert.get("followers") or ()),
    )
