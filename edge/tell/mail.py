"""Tells people by mail, over TLS or not at all.

Each recipient is a messenger with an outbox of their own, so that one who is refused, asleep or
second in line holds up nobody else.
"""

import logging
import queue
import random
import time
from collections.abc import Callable, Mapping
from datetime import UTC, datetime
from email.message import EmailMessage
from typing import Any, NamedTuple

from edge.errors import StoreError
from edge.ports import Outbox
from edge.settings import Mail, Recipient, Settings
from edge.tell import letter, trace, when
from edge.tell.correspondence import Correspondence, Draft, digest_of, message_id_of
from edge.tell.letter import Envelope, Letter
from edge.tell.line import Line
from edge.tell.post import MailFault, Session
from edge.tell.trace import OpenHistory

log = logging.getLogger(__name__)

TOLD = when.TOLD

LOOK_EVERY_S = 20.0
"""How often it is looked whether something has become due, while nothing new comes."""

PROVE_EVERY_S = 86400.0
"""How often it is tried whether the server still lets us in, while there is nothing to send: what
has changed there is better known before the alert that it would hold up."""

FIRST_WAIT_S, LONGEST_WAIT_S, LONGEST_REFUSED_S = 5.0, 600.0, 3600.0
MOST_REFUSALS = 3
"""So often may a server refuse for good what a letter holds, the last time without its picture;
then the letter is given up, and the next one says so."""


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
            envelope = Envelope(
                mail.sender, recipient.address, message_id_of(number, mail), None, (), now
            )
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
        self._recipient, self._line = recipient, line
        self._settings, self._outbox, self._history = settings, outbox, history
        self._monotonic, self._jitter = monotonic, jitter
        self._correspondence = Correspondence(name, recipient, mail, settings, outbox, history, utc)
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
            draft = self._correspondence.next(now, latest)
            if draft is not None:
                self._send(draft, now)
        except StoreError as error:
            self._failed(f"the outbox cannot be used: {error}", LONGEST_WAIT_S)
            return
        self._looked = seen if draft is None else None
        if draft is None and self._monotonic() >= self._prove_next:
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

    # --- sending

    def _send(self, draft: Draft, now: float) -> None:
        notes, memory = [], draft.memory
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
        self._sending = _Sending(draft.numbers, memory)
        settings, history = self._settings, self._history
        drawn_section = draft.section if self._refusals < MOST_REFUSALS - 1 else None

        def compose() -> EmailMessage:
            drawn = None
            if drawn_section is not None:
                try:
                    drawn = trace.of_section(history, settings, drawn_section, now)
                except Exception:
                    # The words must go out, whatever is wrong with the picture.
                    log.exception("no picture in this letter")
            said = draft.write(drawn)
            for note in notes:
                said = letter.with_note(said, note)
            return letter.message(said, draft.envelope, settings)

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
            known = self._correspondence.memory()
            lost = int(known.get("given_up", 0)) + max(1, len(sending.numbers))
            memory = known if sending.memory is None else sending.memory
            self._taken = sending._replace(memory={**memory, "given_up": lost})
            self._refusals = 0

    def _mark(self, taken: _Sending) -> None:
        try:
            self._correspondence.mark(taken.numbers, taken.memory)
        except StoreError as error:
            if not self._unmarked:
                log.error("%s: taken, but not marked yet: %s", self.name, error)
            self._unmarked = True
            return
        self._unmarked = False
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


def _short(address: str) -> str:
    box, _, domain = address.partition("@")
    return f"{box[0]}…@{domain} {digest_of(address)}"
