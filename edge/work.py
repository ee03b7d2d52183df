"""Periodic work: what is due when, and the record of each piece done. Pure.

Intervals are the site's own; where it tells none, those in edge.usual. They are reminders: the
standard's edition in force, local code and the makers' instructions decide.
"""

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime, time
from itertools import pairwise
from math import isfinite
from typing import Any
from zoneinfo import ZoneInfo

from edge.core.kept import Kept
from edge.core.units import KINDS
from edge.methods import ACCEPTANCE_TEST, PERIODIC_TEST, SHUT_OFF_TEST
from edge.model import SUPPLY, Event, Request, iso
from edge.record import COMMISSIONING, PERIODIC, Chapter, Figure, Record, Signature, made
from edge.settings import Periodic, Settings
from edge.usual import DAY_S, LEAKAGE, PRACTICE, USUAL

SOON_S = 30 * DAY_S
LONGEST_STEP_S = 120.0
"""Between two ticks further apart than this the generator is not counted as having run."""

LEAKAGE_METHODS = (ACCEPTANCE_TEST, PERIODIC_TEST, SHUT_OFF_TEST)
"""Hold tests that count as the leakage test of their section."""


def settles_leakage(numbers: Mapping[str, Any]) -> bool:
    """Whether a hold test is the leakage test that a standard asks for: by its method, and with a
    result of its clause. One that had another pressure, or of which nobody has said whether the
    alarm operated, has none; the answer to that is given the test's method."""
    by_method = numbers.get("method") in LEAKAGE_METHODS and not numbers.get("void")
    return bool(by_method and numbers.get("code_result") is not None)


MOST_READINGS, MOST_TEXT = 40, 2000
OVERDUE, SOON, LATER = "overdue", "due soon", "planned"


@dataclass(frozen=True, slots=True)
class Item:
    """One kind of work in one section, due after so long, or so much running, whichever is first."""

    name: str
    section: str
    every_s: float | None
    running_s: float | None
    standard: str
    done: date | None = None
    channel: str | None = None  # whose calibration it is; its own alert tells that
    own: bool = False  # asked for in the settings, not only common

    @property
    def key(self) -> str:
        return f"{self.section}/{self.name}"


def items(settings: Settings) -> Iterator[Item]:
    """The work of this site: the defaults as its own settings change them, its own work, and the
    calibration of every channel that has a date of one and of every oxygen channel."""
    sections = [SUPPLY, *(s.name for s in settings.system)]
    own: dict[tuple[str, str | None], Periodic] = {
        (row.name, row.section): row for row in settings.periodic
    }
    used = set[tuple[str, str | None]]()
    for default in USUAL:
        alone = default.per_section and len(sections) > 1
        for section in sections[1:] if alone else [SUPPLY]:
            keys: list[tuple[str, str | None]] = [(default.name, section), (default.name, None)]
            key = next((k for k in keys if k in own), None)
            item = Item(default.name, section, default.every_s, default.running_s, default.standard)
            if key is None:
                yield item
                continue
            used.add(key)
            row = own[key]
            if row.never:
                continue
            if row.every_s is not None or row.running_s is not None:
                item = replace(item, every_s=row.every_s, running_s=row.running_s)
            standard = row.standard or item.standard
            yield replace(item, standard=standard, done=row.done, own=True)
    for key, row in own.items():
        if key not in used and not row.never:
            standard = row.standard or "set by the site"
            yield Item(
                row.name,
                row.section or SUPPLY,
                row.every_s,
                row.running_s,
                standard,
                row.done,
                own=True,
            )
    for channel in settings.channel:
        if channel.calibrated is not None or channel.quantity == "oxygen":
            yield Item(
                f"calibration of {channel.name}",
                settings.section(channel.name),
                channel.calibrate_every_s,
                None,
                PRACTICE,
                channel.calibrated,
                channel.name,
            )


def title_of(name: str) -> str:
    """The title of a record of work of that name."""
    return f"{name[0].upper()}{name[1:]}"


MARK_S, MOST_MARKS = 7 * DAY_S, 60
"""How often it is noted how long the generator has run, and for how long back: fourteen months, for
work that is recorded later than it was done."""


@dataclass(frozen=True, slots=True)
class Due:
    """How one item stands."""

    item: Item
    last_at: float | None  # when it was last done, as far as is known
    last_by: str | None
    counted_at: float  # what the interval is counted from
    due_at: float | None  # by time
    left_s: float | None  # of running
    state: str

    def picture(self) -> dict[str, Any]:
        """JSON-ready."""
        item = self.item
        return {
            "name": item.name,
            "section": item.section,
            "standard": item.standard,
            "every_s": item.every_s,
            "running_s": item.running_s,
            "last": None if self.last_at is None else iso(self.last_at),
            "last_by": self.last_by,
            "counted_from": iso(self.counted_at),
            "due": None if self.due_at is None else iso(self.due_at),
            "running_left_s": None if self.left_s is None else round(self.left_s, 1),
            "state": self.state,
        }


class Work(Kept):
    """What was done when, and how long the generator ran since."""

    KEPT = ("done", "ran_s", "first_t", "last_t", "marks")

    def __init__(self, settings: Settings) -> None:
        self.items = {item.key: item for item in items(settings)}
        self._zone = settings.site.zone
        self._sections = {SUPPLY, *(s.name for s in settings.system)}
        self.done: dict[str, dict[str, Any]] = {}  # by key: at, by, ran_s
        self.ran_s = 0.0  # running since the first watching
        self.first_t: float | None = None  # steady, since the clock may have been wrong then
        self.last_t: float | None = None
        self.marks: list[list[float]] = []  # now and then: the steady second, and ran_s by then

    def look(self, t: float, running: bool) -> None:
        """One tick of watching."""
        if self.first_t is None:
            self.first_t = t
        if running and self.last_t is not None and t - self.last_t <= LONGEST_STEP_S:
            self.ran_s += t - self.last_t
        self.last_t = t
        if not self.marks or t - self.marks[-1][0] >= MARK_S:
            self.marks = [*self.marks[1 - MOST_MARKS :], [t, round(self.ran_s, 1)]]

    def _ran_by(self, t: float) -> float:
        """How long the generator had run by steady second `t`, evenly between the marks."""
        if self.first_t is None or self.last_t is None:
            return self.ran_s
        if t <= self.first_t:
            return 0.0
        known = [[self.first_t, 0.0], *self.marks, [self.last_t, self.ran_s]]
        for (from_t, from_s), (to_t, to_s) in pairwise(known):
            if t < to_t:
                share = (t - from_t) / (to_t - from_t)
                return from_s + share * (to_s - from_s)
        return self.ran_s

    def hear(self, event: Event) -> None:
        """A leakage test that ended, or a calibration, is work done."""
        numbers = event.numbers
        if event.kind in ("hold_test_finished", "hold_test_answered"):
            if settles_leakage(numbers):
                self._note(f"{event.section}/{LEAKAGE}", event.at, str(numbers.get("by") or ""))
        elif event.kind == "calibrated":
            for item in self.items.values():
                if item.channel is not None and item.channel == numbers.get("channel"):
                    self._note(item.key, event.at, str(numbers.get("by") or ""))
        elif event.kind == "record_made" and numbers.get("record_kind") == COMMISSIONING:
            for item in self.items.values():
                if item.channel is None:
                    self._note(item.key, event.at, f"commissioning, {numbers.get('by')}")

    def _note(
        self,
        key: str,
        at: float,
        by: str,
        corrected: bool = False,
        ran_s: float | None = None,
    ) -> None:
        """`ran_s`: how long the generator had run by then, where that is not now."""
        before = self.done.get(key)
        if before is None or corrected or at >= before["at"]:
            self.done[key] = {"at": at, "by": by, "ran_s": self.ran_s if ran_s is None else ran_s}

    def remember(
        self,
        done: Iterable[tuple[str, float, str]],
        runs: Iterable[tuple[float, float]],
        first_t: float | None,
    ) -> None:
        """Take up what is kept elsewhere when all of this was lost: what was done (key, seconds
        since 1970 UTC, by whom), every whole run seen (its end in UTC, its seconds; in order), and
        the first steady second watched."""
        for key, at, by in done:
            self._note(key, at, by)
        since = sorted(((one["at"], one) for one in self.done.values()), key=lambda row: row[0])
        for end, run_s in runs:
            while since and since[0][0] < end:
                since.pop(0)[1]["ran_s"] = self.ran_s
            self.ran_s += run_s
        for _, one in since:
            one["ran_s"] = self.ran_s
        self.first_t = first_t

    def due(self, t: float, at: float) -> list[Due]:
        """How every item stands at steady `t`, which is `at` in UTC."""
        return [self.standing(item, t, at) for item in self.items.values()]

    def standing(self, item: Item, t: float, at: float) -> Due:
        known = self.done.get(item.key)
        last_at = None if item.done is None else _noon(item.done, self._zone)
        by, ran_s = None, 0.0
        if known is not None and (last_at is None or known["at"] >= last_at):
            last_at, by, ran_s = known["at"], known["by"], known["ran_s"]
        since_first_s = t - (t if self.first_t is None else self.first_t)
        counted_at = at - since_first_s if last_at is None else last_at
        due_at = None if item.every_s is None else counted_at + item.every_s
        left_s = None if item.running_s is None else item.running_s - (self.ran_s - ran_s)
        over = (due_at is not None and at > due_at) or (left_s is not None and left_s < 0.0)
        soon = due_at is not None and at > due_at - SOON_S
        soon = soon or (left_s is not None and left_s < 0.1 * (item.running_s or 0.0))
        state = OVERDUE if over else SOON if soon else LATER
        return Due(item, last_at, by, counted_at, due_at, left_s, state)

    def picture(self, t: float, at: float) -> list[dict[str, Any]]:
        """Every item, what is most overdue first."""
        order = {OVERDUE: 0, SOON: 1, LATER: 2}
        shown = self.due(t, at)
        shown.sort(key=lambda d: (order[d.state], d.due_at or float("inf")))
        return [due.picture() for due in shown]

    # --- done by a person

    def ask(self, request: Request, t: float, at: float, seen: Sequence[Figure]) -> list[Event]:
        """The record of work that a person says is done; `seen` is what the channels show.

        ValueError, KeyError or TypeError for what makes no sense.
        """
        if request.kind != "work_done":
            return []
        what = request.what
        name, section = _text(what["work"], 80), _text(what.get("section") or SUPPLY, 80)
        if not name or section not in self._sections:
            raise ValueError(f"expected work and a section, found {name} in {section}")
        done_at = min(_moment(what.get("done_at"), at), at)
        done_by = _text(what.get("done_by") or request.by, 60)
        item = self.items.get(f"{section}/{name}")
        readings = [_reading(r, done_at) for r in _rows(what.get("readings"))]
        notes = _text(what.get("notes") or "", MOST_TEXT)
        findings = tuple(_text(one, 400) for one in _rows(what.get("findings")))
        supersedes = what.get("supersedes")
        by_hand = [Figure("done on", text=iso(done_at), at=iso(done_at), source=done_by)]
        if notes:
            by_hand.append(Figure("notes", text=notes, at=iso(done_at), source=done_by))
        chapters = (
            Chapter("The work", tuple(by_hand)),
            Chapter("Readings", tuple(readings), skipped=None if readings else "none were entered"),
            Chapter("What the channels showed when it was recorded", tuple(seen)),
            Chapter("Interval", tuple(self._interval(item, t, at))),
        )
        record = Record(
            kind=PERIODIC,
            made_at=iso(at),
            by=request.by,
            chapters=chapters,
            section=section,
            findings=findings,
            signatures=(
                Signature(
                    done_by, _text(what.get("role") or "did the work", 60), iso(at), request.by
                ),
            ),
            supersedes=None if supersedes is None else _text(supersedes, 120),
            title=title_of(name),
        )
        place = "the supply" if section == SUPPLY else section
        event = made(record, at, f"{done_by} has done {name} of {place}; the record is made.")
        if item is not None:
            ran_s = self._ran_by(t - (at - done_at))
            self._note(item.key, done_at, done_by, supersedes is not None, ran_s)
        return [replace(event, numbers={**event.numbers, "work": name, "done_at": iso(done_at)})]

    def _interval(self, item: Item | None, t: float, at: float) -> Iterator[Figure]:
        if item is None:
            yield Figure("interval", text="none: it is not among this site's periodic work")
            return
        source = item.standard
        if item.every_s is not None:
            yield Figure("by time", item.every_s, "time", source=source)
        if item.running_s is not None:
            yield Figure("by running", item.running_s, "time", source=source)
        was = self.standing(item, t, at)
        if was.last_at is None:
            yield Figure("done before", text="not known", at=iso(at), source="dryhold")
        else:
            by = was.last_by or "the settings"
            yield Figure("done before", text=iso(was.last_at), at=iso(was.last_at), source=by)
        if was.left_s is not None and item.running_s is not None:
            ran = item.running_s - was.left_s
            note = "only what dryhold saw"
            yield Figure("ran since then", ran, "time", at=iso(at), source="dryhold", note=note)


def _noon(day: date, zone: ZoneInfo) -> float:
    """The middle of a day, so that whole days on from it are in the day that a person counts to."""
    return datetime.combine(day, time(12), zone).timestamp()


def _rows(given: object) -> list[Any]:
    rows = [] if given is None else given
    if not isinstance(rows, list) or len(rows) > MOST_READINGS:
        raise ValueError(f"expected a list of up to {MOST_READINGS}")
    return rows


def _text(given: object, most: int) -> str:
    if not isinstance(given, str):
        raise TypeError(f"expected text, found {given!r}")
    return " ".join(given.split())[:most]


def _moment(given: object, at: float) -> float:
    if given is None:
        return at
    moment = datetime.fromisoformat(_text(given, 40))
    if moment.tzinfo is None:
        raise ValueError("expected a time with its offset")
    return moment.timestamp()


def _reading(row: Mapping[str, Any], at: float) -> Figure:
    """A reading that a person took: a number in inside units, or words."""
    value, quantity = row.get("value"), row.get("quantity")
    doubt = row.get("uncertainty")
    numbers = [float(n) for n in (value, doubt) if n is not None]
    if not all(map(isfinite, numbers)) or (quantity or None) not in (None, *KINDS):
        raise ValueError("expected a finite number of a known quantity")
    return Figure(
        what=_text(row["what"], 120),
        value=None if value is None else float(value),
        quantity=quantity or None,
        text=_text(row.get("text") or "", 400),
        at=iso(at),
        source=_text(row.get("source") or "not said", 120),
        uncertainty=None if doubt is None else float(doubt),
        note=_text(row.get("note") or "", 400),
    )
