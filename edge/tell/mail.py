"""Tells people by mail, over TLS or not at all.

Each recipient is a messenger with an outbox of their own, so that one who is refused, asleep or
second in line holds up nobody else. What a letter holds is settled, and written down where it
could come out otherwise after a restart, before it is sent; its Message-ID follows from what it
holds. So a letter that was taken but not marked comes again under the same Message-ID.
"""

import hashlib
import logging
import queue
import random
import socket
import time
from collections.abc import Callable, Mapping, Sequence
from contextlib import AbstractContextManager
from datetime import UTC, datetime
from email.message import EmailMessage
from typing import Any, NamedTuple

from edge.errors import StoreError
from edge.model import SUPPLY
from edge.ports import Outbox
from edge.settings import Mail, Recipient, Settings
from edge.tell import letter, trace, when
from edge.tell.letter import Envelope, Letter
from edge.tell.line import Line
from edge.tell.post import MailFault, Session
from edge.week import History, account

log = logging.getLogger(__name__)

TOLD = when.TOLD

LOOK_EVERY_S = 20.0
"""How often it is looked whether something has become due, while nothing new comes."""

PROVE_EVERY_S = 86400.0
"""How often it is tried whether the server still lets us in, while there is nothing to send: what
has changed there is better known before the alert that it would hold up."""

MOST_WAITING = 1000
FIRST_WAIT_S, LONGEST_WAIT_S, LONGEST_REFUSED_S = 5.0, 600.0, 3600.0
MOST_REFUSALS = 3
"""So often may a server refuse for good what a letter holds, the last time without its picture;
then the letter is given up, and the next one says so."""

TRACE_S = 86400.0
TRACE_POINTS = 480

OpenHistory = Callable[[], AbstractContextManager[History]]


def names(settings: Settings) -> list[str]:
    """One for each recipient. The address is shortened, as pages show these names."""
    return [
        f"mail {mail.host}:{mail.port} {_short(recipient.address)}"
        for mail in settings.mail
        for recipient in mail.to
    ]


def open_messengers(
    settings: Settings, outbox: Outbox, history: OpenHistory
) -> list["MailMessenger"]:
    """One for each recipient; those of one server share its line. None connects before it must."""
    given = iter(names(settings))
    return [
        MailMessenger(next(given), recipient, mail, line, settings, outbox, history)
        for mail in settings.mail
        for line in [Line(mail)]
        for recipient in mail.to
    ]


def prove(settings: Settings, say: Callable[[str], None]) -> bool:
    """Sends every recipient a letter that says it is a test; tells each step and what failed."""
    good = True
    for mail in settings.mail:
        say(f"mail {mail.host}:{mail.port}")
        try:
            session = Session(mail, lambda step, text: say(f"  ok      {step}: {text}"))
        except MailFault as fault:
            say(f"  FAILED  {fault}")
            good = False
            continue
        for recipient in mail.to:
            now = datetime.now(UTC)
            test = Letter(
                f"{settings.site.name}: test letter",
                "plain",
                "Test letter",
                "Nothing happened. Somebody on site tries out whether letters arrive.",
            )
            number = f"test.{now.timestamp():.6f}.{settings.site.id}"
            envelope = Envelope(mail.sender, recipient.address, _id(number, mail), None, (), now)
            try:
                session.send(letter.message(test, envelope, settings), recipient.address)
                say(f"  ok      recipient: the server took a letter to {recipient.address}")
            except MailFault as fault:
                say(f"  FAILED  {fault} (to {recipient.address})")
                good = False
        session.close()
    return good


class _Sending(NamedTuple):
    """A letter under way: what it holds, and what is true once it was taken; None where there is
    no letter and it is only tried whether the server lets us in."""

    numbers: tuple[int, ...]
    memory: dict[str, Any] | None


class MailMessenger:
    """One recipient. Used from one thread; the line's thread only puts news in a queue."""

    def __init__(
        self,
        name: str,
        recipient: Recipient,
        mail: Mail,
        line: Line,
        settings: Settings,
        outbox: Outbox,
        history: OpenHistory,
        monotonic: Callable[[], float] = time.monotonic,
        utc: Callable[[], float] = time.time,
        jitter: Callable[[], float] = random.random,
    ) -> None:
        """`monotonic` is real time even where the site's runs faster: mail servers do not."""
        self.name = name
        self._recipient, self._mail, self._line = recipient, mail, line
        self._settings, self._outbox, self._history = settings, outbox, history
        self._monotonic, self._utc, self._jitter = monotonic, utc, jitter
        self._zone = settings.site.zone
        self._link = (mail.page or f"http://{socket.gethostname()}.local:{settings.page.port}") + (
            "/site/alerts"
        )
        self._memory: dict[str, Any] | None = None  # read when first needed
        self._news: queue.SimpleQueue[object] = queue.SimpleQueue()
        self._sending: _Sending | None = None
        self._taken: _Sending | None = None  # taken by the server, and not marked yet
        self._why: str | None = None
        self._failures = 0
        self._refusals = 0  # of what the letter holds
        self._next_try = self._prove_next = 0.0
        self._unmarked = False  # and that was said
        self._looked: tuple[object, ...] | None = None
        self._look_again = 0.0

    def tell(self, t: float, latest: Mapping[str, Any]) -> None:
        self._hear()
        if self._sending is not None or self._taken is not None:
            return
        if self._monotonic() < self._next_try:
            return
        now = datetime.fromisoformat(latest["at"]).timestamp()
        alerts = latest["picture"].get("alerts", [])
        seen = self._outbox.backlog(self.name), [(when.key_of(a), a["state"]) for a in alerts]
        # A clock that was set back must not put off the next look.
        if seen == self._looked and self._look_again - LOOK_EVERY_S <= now < self._look_again:
            return
        self._look_again = now + LOOK_EVERY_S
        try:
            found = self._next(now, latest, alerts)
        except StoreError as error:
            self._failed(f"the outbox cannot be used: {error}", LONGEST_WAIT_S)
            return
        self._looked = None if found else seen
        if not found and self._monotonic() >= self._prove_next:
            self._sending = _Sending((), None)
            self._line.send(None, self._recipient.address, self._news.put)

    def state(self) -> dict[str, Any]:
        return {
            "connected": self._why is None,
            "why": self._why,
            "waiting": self._outbox.backlog(self.name),
            "dropped": self._outbox.dropped(self.name),
        }

    def stop(self) -> None:
        self._line.stop()
        self._hear()

    # --- what to tell

    def _next(
        self, now: float, latest: Mapping[str, Any], alerts: Sequence[Mapping[str, Any]]
    ) -> bool:
        """Begin to send whatever is due first; False where nothing is."""
        known = self._recall()
        threads = known["threads"]
        waiting = self._outbox.waiting(self.name, 0, MOST_WAITING)
        settled = known.get("letter")
        if settled is None:
            standing = {when.key_of(alert): str(alert["state"]) for alert in alerts}
            choice = when.choose(
                self._recipient, self._mail, self._zone, waiting, threads, standing, now
            )
            numbers, digest = choice.letter, choice.digest
            if len(numbers) > 1:
                known = {**known, "letter": {"numbers": numbers, "digest": digest}}
            if choice.passed or len(numbers) > 1:
                self._outbox.accepted(self.name, choice.passed, self._utc(), known)
                self._memory = known
        else:
            numbers, digest = tuple(settled["numbers"]), bool(settled["digest"])
        events = {n: event for n, event in waiting if n in set(numbers)}
        if events:
            self._send_events(events, digest, now, latest)
            return True
        if settled is not None:  # all of it was dropped for want of room
            self._remember({k: v for k, v in known.items() if k != "letter"})
            return True
        return (
            self._remind(alerts, now, latest)
            or self._tell_week(now, latest)
            or self._forget(alerts, waiting)
        )

    def _send_events(
        self, events: Mapping[int, Mapping[str, Any]], digest: bool, now: float, latest: Any
    ) -> None:
        known = self._recall()
        told = list(events.values())
        first = told[0]
        alone = len(told) == 1 and not digest
        last = max(events)
        number = str(first["id"]) if alone else f"{first['id']}.{last}.{len(told)}"
        message_id = _id(number, self._mail)
        memory = {k: v for k, v in known.items() if k != "letter"}
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
        envelope = self._envelope(
            message_id, thread, tuple(str(e["id"]) for e in told), now, urgent
        )

        def write(trace: Any) -> Letter:
            if alone:
                return letter.of_event(first, settings, latest, trace, link, unanswered)
            return letter.of_many(told, settings, latest, trace, link, digest)

        section = first.get("section") if alone else SUPPLY
        self._send(tuple(events), memory, envelope, section, now, write)

    def _remind(
        self, alerts: Sequence[Mapping[str, Any]], now: float, latest: Mapping[str, Any]
    ) -> bool:
        known = self._recall()
        threads = known["threads"]
        alert = when.reminder(self._mail, self._zone, threads, alerts, now)
        if alert is None:
            return False
        key = when.key_of(alert)
        thread = threads[key]
        count = thread["reminded"] + 1
        root = str(thread["root"])
        memory = {
            **known,
            "threads": {**threads, key: {**thread, "told": now, "reminded": count}},
        }
        message_id = root.replace("@", f".r{count}.{_digest(key)}@", 1)
        envelope = self._envelope(message_id, root, (), now, alert["priority"] == "urgent")
        stood_s = now - datetime.fromisoformat(alert["since"]).timestamp()
        settings, link = self._settings, self._link
        self._send(
            (),
            memory,
            envelope,
            alert.get("section"),
            now,
            lambda trace: letter.of_reminder(alert, settings, latest, trace, link, stood_s),
        )
        return True

    def _tell_week(self, now: float, latest: Mapping[str, Any]) -> bool:
        known = self._recall()
        due = when.week_due(self._mail, now, self._zone)
        if due is None or self._recipient.after_s is not None:
            return False
        told = known.get("week")
        if told is None:  # a new recipient, or a new site: the first whole week is still to come
            self._remember({**known, "week": due})
            return False
        if due <= told:
            return False
        message_id = _id(f"week.{due}.{self._settings.site.id}", self._mail)
        settings, link, history = (
            self._settings,
            self._link.removesuffix("/site/alerts"),
            self._history,
        )
        picture = latest["picture"]

        def write(_trace: Any) -> Letter:
            with history() as kept:
                return letter.of_week(account(kept, settings, picture, now), settings, link)

        envelope = self._envelope(message_id, None, (), now, False)
        self._send((), {**known, "week": due}, envelope, None, now, write)
        return True

    def _forget(self, alerts: Sequence[Mapping[str, Any]], waiting: Sequence[object]) -> bool:
        """Drop the threads of alerts that ended without a word (while somebody worked on them)."""
        known = self._recall()
        if waiting:
            return False
        standing = {when.key_of(alert) for alert in alerts}
        threads = known["threads"]
        left = {key: thread for key, thread in threads.items() if key in standing}
        if len(left) < len(threads):
            self._remember({**known, "threads": left})
        return False

    def _recall(self) -> dict[str, Any]:
        if self._memory is None:
            self._memory = {"threads": {}, **self._outbox.memory(self.name)}
        return self._memory

    def _remember(self, memory: dict[str, Any]) -> None:
        self._outbox.accepted(self.name, (), self._utc(), memory)
        self._memory = memory

    # --- sending

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

    def _send(
        self,
        numbers: tuple[int, ...],
        memory: dict[str, Any],
        envelope: Envelope,
        section: object,
        now: float,
        write: Callable[[Any], Letter],
    ) -> None:
        notes = []
        dropped = self._outbox.dropped(self.name)
        if dropped > memory.get("dropped", 0):
            n = dropped - memory.get("dropped", 0)
            notes.append(
                f"{n} older notice{'s were' if n > 1 else ' was'} dropped for want of room."
            )
            memory = {**memory, "dropped": dropped}
        if given_up := memory.get("given_up", 0):
            notes.append(
                f"{given_up} notice{'s were' if given_up > 1 else ' was'} refused by the mail"
                " server for good; the page has them."
            )
            memory = {**memory, "given_up": 0}
        self._sending = _Sending(numbers, memory)
        settings, history = self._settings, self._history
        picture = section is not None and self._refusals < MOST_REFUSALS - 1

        def compose() -> EmailMessage:
            drawn = None
            if picture:
                try:
                    drawn = _trace(history, settings, str(section), now)
                except Exception:
                    # The words must go out, whatever is wrong with the picture.
                    log.exception("no picture in this letter")
            said = write(drawn)
            for note in notes:
                said = letter.with_note(said, note)
            return letter.message(said, envelope, settings)

        self._line.send(compose, self._recipient.address, self._news.put)

    def _hear(self) -> None:
        try:
            news = self._news.get_nowait()
        except queue.Empty:
            pass
        else:
            self._heard(news)
        if self._taken is not None:
            self._mark(self._taken)

    def _heard(self, news: object) -> None:
        sending, self._sending = self._sending, None
        if sending is None:
            return
        if news is None:
            if self._why is not None:
                log.info("%s: letters are taken again", self.name)
            self._taken = None if sending.memory is None else sending
            self._why, self._failures, self._refusals = None, 0, 0
            self._prove_next = self._monotonic() + PROVE_EVERY_S
            return
        if isinstance(news, MailFault):
            refused = news.step == "message" and news.lasting
            longest = LONGEST_REFUSED_S if news.lasting else LONGEST_WAIT_S
        else:
            refused, longest = True, LONGEST_WAIT_S
            if isinstance(news, BaseException):
                log.error("%s: a letter could not be written", self.name, exc_info=news)
        self._failed(str(news), longest)
        if not refused:
            return
        self._refusals += 1
        if self._refusals >= MOST_REFUSALS:
            log.error("%s: gave up %d notices: %s", self.name, len(sending.numbers), news)
            lost = self._given_up() + max(1, len(sending.numbers))
            memory = self._recall() if sending.memory is None else sending.memory
            self._taken = sending._replace(memory={**memory, "given_up": lost})
            self._refusals = 0

    def _given_up(self) -> int:
        return int(self._recall().get("given_up", 0))

    def _mark(self, taken: _Sending) -> None:
        try:
            self._outbox.accepted(self.name, taken.numbers, self._utc(), taken.memory)
        except StoreError as error:
            if not self._unmarked:
                log.error("%s: taken, but not marked yet: %s", self.name, error)
            self._unmarked = True
            return
        self._unmarked = False
        if taken.memory is not None:
            self._memory = taken.memory
        self._taken = self._looked = None
        self._look_again = 0.0

    def _failed(self, why: str, longest_s: float) -> None:
        if self._why is None:
            log.warning("%s: %s; trying again", self.name, why)
        self._why = why
        wait_s = min(longest_s, FIRST_WAIT_S * 2.0 ** min(self._failures, 16))
        self._next_try = self._monotonic() + wait_s * (0.5 + 0.5 * self._jitter())
        self._failures += 1
        self._look_again = 0.0


def _trace(
    history: OpenHistory, settings: Settings, section: str, now: float
) -> trace.Trace | None:
    """The last day of a section's pressure; None where there is nothing to draw."""
    channel, marks = _channel(settings, section)
    if channel is None:
        return None
    with history() as kept:
        ribbon = kept.ribbon(channel, now - TRACE_S, now, TRACE_POINTS)
    unit = settings.site.units.pressure
    return trace.draw(
        ribbon.points, ribbon.step_s, now - TRACE_S, now, marks, unit, settings.site.zone
    )


def _channel(settings: Settings, section: str) -> tuple[str | None, list[trace.Mark]]:
    """The pressure channel of a section, and the levels that matter there."""
    if section == SUPPLY:
        supply = settings.supply
        return supply.pressure, [
            trace.Mark("cut-in", supply.cut_in_kpa),
            trace.Mark("cut-out", supply.cut_out_kpa),
            trace.Mark("low limit", settings.low_pressure_kpa, True),
        ]
    for system in settings.system:
        if system.name == section:
            low = system.low_pressure_kpa
            return system.pressure, [] if low is None else [trace.Mark("low limit", low, True)]
    return None, []


def _id(number: str, mail: Mail) -> str:
    """A Message-ID; the same for the same content for ever."""
    return f"<{number}@{mail.sender.partition('@')[2]}>"


def _short(address: str) -> str:
    box, _, domain = address.partition("@")
    return f"{box[0]}…@{domain} {_digest(address)}"


def _digest(text: str) -> str:
    return hashlib.sha256(text.encode()).hexdigest()[:6]
