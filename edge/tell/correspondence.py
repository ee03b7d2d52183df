"""What the next letter to one recipient is, and what must be remembered once it was taken.

What a letter holds is settled, and written down where it could come out otherwise after a
restart, before it is sent; its Message-ID follows from what it holds. So a letter that was taken
but not marked comes again under the same Message-ID.
"""

import hashlib
import socket
from collections.abc import Callable, Mapping, Sequence
from datetime import datetime
from typing import Any, NamedTuple

from edge.model import SUPPLY
from edge.ports import Outbox
from edge.settings import Mail, Recipient, Settings
from edge.tell import letter, when
from edge.tell.letter import Envelope, Letter
from edge.tell.trace import OpenHistory, Trace
from edge.week import account

MOST_WAITING = 1000


class Draft(NamedTuple):
    """A letter to be written: the numbers of the events it tells, what is to be remembered once
    it was taken, and the section whose pressure is drawn in it (None: no picture)."""

    numbers: tuple[int, ...]
    memory: dict[str, Any]
    envelope: Envelope
    section: str | None
    write: Callable[[Trace | None], Letter]


class Correspondence:
    """One recipient's letters. Every question may be a StoreError."""

    def __init__(
        self,
        name: str,
        recipient: Recipient,
        mail: Mail,
        settings: Settings,
        outbox: Outbox,
        history: OpenHistory,
        utc: Callable[[], float],
    ) -> None:
        """`name` is the recipient's in the outbox."""
        self._name, self._recipient, self._mail = name, recipient, mail
        self._settings, self._outbox, self._history = settings, outbox, history
        self._utc, self._zone = utc, settings.site.zone
        self._page = mail.page or f"http://{socket.gethostname()}.local:{settings.page.port}"
        self._link = f"{self._page}/site/alerts"
        self._memory: dict[str, Any] | None = None  # read when first needed

    def next(self, now: float, latest: Mapping[str, Any]) -> Draft | None:
        """Whatever is due first at that second of UTC; None where nothing is."""
        alerts = latest["picture"].get("alerts", [])
        known = self.memory()
        waiting = self._outbox.waiting(self._name, 0, MOST_WAITING)
        settled = known.get("letter")
        if settled is None:
            standing = {when.key_of(alert): str(alert["state"]) for alert in alerts}
            choice = when.choose(
                self._recipient, self._mail, self._zone, waiting, known["threads"], standing, now
            )
            numbers, digest = choice.letter, choice.digest
            if len(numbers) > 1:
                known = {**known, "letter": {"numbers": numbers, "digest": digest}}
            if choice.passed or len(numbers) > 1:
                self.mark(choice.passed, known)
        else:
            numbers, digest = tuple(settled["numbers"]), bool(settled["digest"])
        events = {n: event for n, event in waiting if n in set(numbers)}
        if events:
            return self._of_events(events, digest, now, latest)
        if settled is not None:  # all of it was dropped for want of room
            self.mark((), {k: v for k, v in known.items() if k != "letter"})
            return self.next(now, latest)
        due = self._reminder(alerts, now, latest) or self._week(now, latest)
        if due is None and not waiting:
            self._forget(alerts)
        return due

    def memory(self) -> dict[str, Any]:
        """What is remembered of the letters so far."""
        if self._memory is None:
            self._memory = {"threads": {}, **self._outbox.memory(self._name)}
        return self._memory

    def mark(self, numbers: Sequence[int], memory: dict[str, Any] | None) -> None:
        """These events are told, or not to be told; and this is to be remembered, if given."""
        self._outbox.accepted(self._name, numbers, self._utc(), memory)
        if memory is not None:
            self._memory = memory

    def _of_events(
        self, events: Mapping[int, Mapping[str, Any]], digest: bool, now: float, latest: Any
    ) -> Draft:
        told = list(events.values())
        first = told[0]
        alone = len(told) == 1 and not digest
        number = str(first["id"]) if alone else f"{first['id']}.{max(events)}.{len(told)}"
        message_id = message_id_of(number, self._mail)
        memory = {k: v for k, v in self.memory().items() if k != "letter"}
        threads = dict(memory["threads"])
        thread = None
        for event in told:
            if event["kind"] == "hold_test_finished":
                continue
            key = when.key_of(event)
            if event["kind"] == "alert_raised":
                threads[key] = {"root": message_id, "told": now, "reminded": 0}
            elif alone and key in threads:
                thread = threads[key]["root"]
            if event["kind"] == "alert_cleared":
                threads.pop(key, None)
        memory["threads"] = threads
        urgent = any(e["kind"] == "alert_raised" and e["priority"] == "urgent" for e in told)
        unanswered = None
        if self._recipient.after_s is not None:
            unanswered = now - datetime.fromisoformat(first["at"]).timestamp()
        settings, link = self._settings, self._link
        ids = tuple(str(event["id"]) for event in told)
        envelope = self._envelope(message_id, thread, ids, now, urgent)

        def write(trace: Trace | None) -> Letter:
            if alone:
                return letter.of_event(first, settings, latest, trace, link, unanswered)
            return letter.of_many(told, settings, latest, trace, link, digest)

        section = first.get("section") if alone else SUPPLY
        return Draft(tuple(events), memory, envelope, section, write)

    def _reminder(
        self, alerts: Sequence[Mapping[str, Any]], now: float, latest: Mapping[str, Any]
    ) -> Draft | None:
        known = self.memory()
        threads = known["threads"]
        alert = when.reminder(self._mail, self._zone, threads, alerts, now)
        if alert is None:
            return None
        key = when.key_of(alert)
        thread = threads[key]
        count = thread["reminded"] + 1
        root = str(thread["root"])
        memory = {
            **known,
            "threads": {**threads, key: {**thread, "told": now, "reminded": count}},
        }
        message_id = root.replace("@", f".r{count}.{digest_of(key)}@", 1)
        envelope = self._envelope(message_id, root, (), now, alert["priority"] == "urgent")
        stood_s = max(0.0, now - datetime.fromisoformat(alert["since"]).timestamp())
        settings, link = self._settings, self._link

        def write(trace: Trace | None) -> Letter:
            return letter.of_reminder(alert, settings, latest, trace, link, stood_s)

        return Draft((), memory, envelope, alert.get("section"), write)

    def _week(self, now: float, latest: Mapping[str, Any]) -> Draft | None:
        known = self.memory()
        due = when.week_due(self._mail, now, self._zone)
        if due is None or self._recipient.after_s is not None:
            return None
        told = known.get("week")
        if told is None:  # a new recipient, or a new site: the first whole week is still to come
            self.mark((), {**known, "week": due})
            return None
        if when.week_told(told, due):
            return None
        message_id = message_id_of(f"week.{due}.{self._settings.site.id}", self._mail)
        settings, link, history = self._settings, self._page, self._history
        picture = latest["picture"]

        def write(_trace: Trace | None) -> Letter:
            with history() as kept:
                return letter.of_week(account(kept, settings, picture, now), settings, link)

        envelope = self._envelope(message_id, None, (), now, False)
        return Draft((), {**known, "week": due}, envelope, None, write)

    def _forget(self, alerts: Sequence[Mapping[str, Any]]) -> None:
        """Drop the threads of alerts that ended without a word (while somebody worked on them)."""
        known = self.memory()
        standing = {when.key_of(alert) for alert in alerts}
        threads = known["threads"]
        left = {key: thread for key, thread in threads.items() if key in standing}
        if len(left) < len(threads):
            self.mark((), {**known, "threads": left})

    def _envelope(
        self,
        message_id: str,
        thread: str | None,
        events: tuple[str, ...],
        now: float,
        urgent: bool,
    ) -> Envelope:
        at = datetime.fromtimestamp(now, self._zone)
        return Envelope(
            self._mail.sender, self._recipient.address, message_id, thread, events, at, urgent
        )


def message_id_of(number: str, mail: Mail) -> str:
    """A Message-ID; the same for the same content for ever."""
    return f"<{number}@{mail.sender.partition('@')[2]}>"


def digest_of(text: str) -> str:
    """Six letters that stand for a text."""
    return hashlib.sha256(text.encode()).hexdigest()[:6]
