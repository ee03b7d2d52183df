"""What the kept records say was done when, for judges that lost what they knew. Pure."""

from collections.abc import Iterable, Iterator, Mapping, Sequence
from datetime import datetime
from typing import Any, NamedTuple

from edge.record import ANSWERED, COMMISSIONING, HOLD_TEST, PERIODIC, Record
from edge.usual import LEAKAGE
from edge.work import Item, settles_leakage, title_of


class Deed(NamedTuple):
    """One piece of work done: the key of its item, when (seconds since 1970 UTC), by whom."""

    key: str
    at: float
    by: str


def deeds(
    items: Sequence[Item],
    records: Iterable[Mapping[str, Any]],
    calibrations: Iterable[Mapping[str, Any]],
) -> Iterator[Deed]:
    """What counts as done of `items`, by the bodies of records that no other supersedes and by
    `calibrated` events as they are told. What cannot be read says nothing."""
    for body in records:
        try:
            yield from _of_record(items, body)
        except (AttributeError, KeyError, LookupError, TypeError, ValueError):
            continue
    for event in calibrations:
        for item in items:
            if item.channel is not None and item.channel == event.get("channel"):
                yield Deed(item.key, _moment(event["at"]), str(event.get("by") or ""))


def _of_record(items: Sequence[Item], body: Mapping[str, Any]) -> Iterator[Deed]:
    if body["kind"] in (HOLD_TEST, ANSWERED):
        event = body["event"]
        if settles_leakage(event):
            key = f"{event.get('section')}/{LEAKAGE}"
            yield Deed(key, _moment(event["at"]), str(event.get("by") or ""))
        return
    record = Record.of(body)
    if record.kind == COMMISSIONING:
        at = _moment(record.made_at)
        for item in items:
            if item.channel is None:
                yield Deed(item.key, at, f"commissioning, {record.by}")
    elif record.kind == PERIODIC:
        done = next(f for f in record.chapters[0].figures if f.what == "done on")
        for item in items:
            if item.section == record.section and title_of(item.name) == record.title:
                yield Deed(item.key, _moment(done.text), done.source)


def _moment(text: str) -> float:
    return datetime.fromisoformat(text).timestamp()
