"""Who is at the door: cookies, sessions, and how codes are tried. Shared by readers and technicians."""

import hmac
import logging
import threading
from collections.abc import Callable
from pathlib import Path
from secrets import token_urlsafe
from typing import NamedTuple

from flask import g, request
from werkzeug.wrappers import Response

from edge.settings import Settings
from web import access
from web.pace import Pace
from web.place import local_address, place_of
from web.roll import Roll
from web.session import (
    ABSOLUTE_S,
    IDLE_S,
    READER_ABSOLUTE_S,
    READER_IDLE_S,
    Session,
    Sessions,
    sign,
    signed,
)

log = logging.getLogger(__name__)

TECHNICIAN, READER = "technician", "reader"
"""Who has a code of their own."""

FORM_S = 3600
DEVICE_S = 180 * 86400


class Tried(NamedTuple):
    """What became of a code: it waits `wait_s` seconds and was not looked at, or it was."""

    wait_s: int
    right: bool


class Door:
    """One page's door; every method is about the request at hand."""

    def __init__(
        self,
        settings: Settings,
        state_dir: Path,
        clock: Callable[[], float],
        steady: Callable[[], float],
    ) -> None:
        self._settings, self._state_dir, self.steady = settings, state_dir, steady

        def sessions(kind: str, idle_s: float, absolute_s: float) -> Sessions:
            return Sessions(Roll(state_dir, kind, clock), steady(), idle_s, absolute_s)

        self.technicians = sessions(TECHNICIAN, IDLE_S, ABSOLUTE_S)
        self.readers = sessions(READER, READER_IDLE_S, READER_ABSOLUTE_S)
        self._pace = {TECHNICIAN: Pace(), READER: Pace()}
        self._guard = threading.Lock()

    def lock(self) -> access.Lock | None:
        """What is kept of the codes, read once for each request; AccessError as access.read."""
        if "lock" not in g:
            g.lock = access.read(self._state_dir)
        lock: access.Lock | None = g.lock
        return lock

    def address(self) -> str:
        return request.remote_addr or "unknown"

    def covered(self) -> bool:
        """Whether a code may travel: over TLS, within the box, or since the site says so."""
        return bool(
            self._settings.page.plain_sign_in or request.is_secure or local_address(self.address())
        )

    def own_form(self) -> bool:
        """Whether the form at hand was sent from a page of ours."""
        return request.headers.get("Origin") == f"{request.scheme}://{request.host}"

    def cookie(self, name: str) -> str:
        # The prefix makes browsers insist on TLS, and on this host alone.
        return f"__Host-dryhold-{name}" if request.is_secure else f"dryhold-{name}"

    def set_cookie(self, answer: Response, name: str, value: str, max_age: int | None) -> None:
        answer.set_cookie(
            self.cookie(name),
            value,
            max_age=max_age,
            secure=request.is_secure,
            httponly=True,
            samesite="Strict",
            path="/",
        )

    def drop_cookie(self, answer: Response, name: str) -> None:
        answer.delete_cookie(self.cookie(name), path="/", secure=request.is_secure)

    # --- the form that asks for a code

    def form(self, lock: access.Lock) -> tuple[str, str]:
        """A token for the form, and the mark to set as its cookie."""
        mark = token_urlsafe(24)
        return sign(lock.secret, "form", mark), mark

    def form_came_back(self, lock: access.Lock) -> bool:
        mark = signed(lock.secret, "form", request.form.get("token"))
        there = request.cookies.get(self.cookie("form"), "")
        return mark is not None and hmac.compare_digest(mark.encode(), there.encode())

    def remember_device(self, answer: Response, lock: access.Lock, role: str) -> None:
        """From now on this device has a count of its own for the tries of that role's code. Only
        of that one: whoever knows the reader's code must not be known as a technician by it."""
        value = sign(lock.secret, f"device {role}", token_urlsafe(16))
        self.set_cookie(answer, f"device-{role}", value, DEVICE_S)

    # --- who is in

    def technician(self, *, touch: bool) -> Session | None:
        lock = self.lock()
        if lock is None or lock.code is None:
            return None
        number = signed(lock.secret, "session", request.cookies.get(self.cookie("session")))
        return self.technicians.find(number, self.steady(), touch=touch)

    def reader(self) -> Session | None:
        """A reader's session; looking at a page that renews itself keeps it."""
        lock = self.lock()
        if lock is None:
            return None
        purpose = f"reader {lock.reader}"  # a new code signs everybody out
        number = signed(lock.secret, purpose, request.cookies.get(self.cookie("reader")))
        return self.readers.find(number, self.steady(), touch=True)

    def let_in(self, answer: Response, lock: access.Lock, who: str) -> Session:
        """Begin a technician's session; one that this browser had is over."""
        old = self.technician(touch=False)
        if old is not None:
            self.technicians.end(old, self.steady())
        session, number = self.technicians.begin(who, self.address(), self.steady())
        self.set_cookie(answer, "session", sign(lock.secret, "session", number), int(ABSOLUTE_S))
        return session

    def let_out(self, answer: Response, session: Session) -> None:
        """End a technician's session."""
        self.technicians.end(session, self.steady())
        self.drop_cookie(answer, "session")

    def let_read(self, answer: Response, lock: access.Lock) -> None:
        """Begin a reader's session."""
        _, number = self.readers.begin("reader", self.address(), self.steady())
        signed_ = sign(lock.secret, f"reader {lock.reader}", number)
        self.set_cookie(answer, "reader", signed_, int(READER_ABSOLUTE_S))

    def _who(self, lock: access.Lock, role: str, session: Session | None) -> tuple[str, bool]:
        """Who tries, as tries are counted, and whether they have signed in before or sit at the
        box."""
        if session is not None:
            return f"session {session.key}", True
        there = request.cookies.get(self.cookie(f"device-{role}"))
        device = signed(lock.secret, f"device {role}", there)
        if device is not None:
            return f"device {device}", True
        return place_of(self.address()), local_address(self.address())

    def tried(
        self,
        lock: access.Lock,
        role: str,
        right: Callable[[], bool],
        session: Session | None = None,
    ) -> Tried:
        """Have a code for that role (technician, reader) looked at by `right`, unless too many were
        tried. Tries are counted by place before they are looked at."""
        who, known = self._who(lock, role, session)
        pace = self._pace[role]
        with self._guard:
            wait = pace.wait_s(who, self.steady(), known)
        if wait:
            return Tried(wait, False)
        if not right():
            log.warning("a wrong %s's code from %s", role, self.address())
            return Tried(0, False)
        with self._guard:
            pace.succeeded(who)
        return Tried(0, True)

    def tried_to_read(self, lock: access.Lock, code: str) -> Tried:
        """Have a code that may be either looked at: as the reader's, then as the technician's, each
        under its own count, so that the reader's code opens no way of guessing the other."""
        read = self.tried(lock, READER, lambda: access.may_read(lock, code))
        if read.wait_s or read.right or lock.code is None:
            return read
        tried = self.tried(lock, TECHNICIAN, lambda: access.right(lock, code))
        if tried.right:
            with self._guard:
                self._pace[READER].succeeded(self._who(lock, READER, None)[0])
        return tried
