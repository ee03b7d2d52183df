"""Who is signed in. The cookie carries a random number signed with the kept secret; here is only its
digest. A new code, a sign-out, half a quiet hour or half a day end a session; readers' last longer.
A restart does not (web.roll), but it ends what forms may still be sent."""

import hashlib
import secrets
import threading
from collections import OrderedDict
from dataclasses import dataclass, field

from itsdangerous import BadSignature, Signer

from web.roll import Entry, Roll

IDLE_S = 30 * 60.0
ABSOLUTE_S = 12 * 3600.0
READER_IDLE_S = 12 * 3600.0
READER_ABSOLUTE_S = 30 * 86400.0
MOST = 50
FORMS = 64
STALE = 1.0 / 6.0
"""Share of the idle limit by which the file may lag behind: a touch is no reason to write."""


@dataclass(slots=True)
class Session:
    """One person at one device. Times are steady seconds."""

    key: str  # digest of the number in its cookie
    who: str
    address: str
    began: float
    seen: float
    forms: OrderedDict[str, None] = field(default_factory=OrderedDict)

    @property
    def by(self) -> str:
        """Who asks for something, and from where, for the record."""
        return f"{self.who} ({self.address})"


def _digest(number: str) -> str:
    return hashlib.sha256(number.encode()).hexdigest()


class Sessions:
    """Every session of one kind; used from all the page's threads."""

    def __init__(self, roll: Roll, t: float, idle_s: float, absolute_s: float) -> None:
        """`t`: steady seconds now, from which those on file go on."""
        self._roll, self._idle_s, self._absolute_s = roll, idle_s, absolute_s
        self._open: OrderedDict[str, Session] = OrderedDict()
        self._guard, self._writing = threading.Lock(), threading.Lock()
        self._written = t
        for e in roll.read()[-MOST:]:
            self._open[e.key] = Session(e.key, e.who, e.address, t - e.age_s, t - e.idle_s)
        if self._open:
            self._keep(t)  # counted from the clock as it stands now, wherever it stood before

    def begin(self, who: str, address: str, t: float) -> tuple[Session, str]:
        """A new session, and the number that its cookie is to carry."""
        number = secrets.token_urlsafe(32)
        session = Session(_digest(number), who, address, t, t)
        with self._guard:
            self._open[session.key] = session
            if len(self._open) > MOST:
                self._open.popitem(last=False)
        self._keep(t)
        return session, number

    def find(self, number: str | None, t: float, *, touch: bool) -> Session | None:
        """The session while it lasts; `touch` where a person did something just now."""
        with self._guard:
            session = self._open.get(_digest(number or ""))
            if session is None:
                return None
            if self._over(session, t):
                del self._open[session.key]
                return None
            if touch:
                session.seen = t
            stale = touch and t - self._written > self._idle_s * STALE
        if stale:
            self._keep(t)
        return session

    def end(self, session: Session, t: float) -> None:
        with self._guard:
            self._open.pop(session.key, None)
        self._keep(t)

    def _over(self, session: Session, t: float) -> bool:
        return t - session.seen > self._idle_s or t - session.began > self._absolute_s

    def _keep(self, t: float) -> None:
        """Bring the file up to date; those that are over leave it."""
        with self._writing:  # so that an older state never replaces a newer one
            with self._guard:
                self._written = t
                entries = [
                    Entry(s.key, s.who, s.address, t - s.began, t - s.seen)
                    for s in self._open.values()
                    if not self._over(s, t)
                ]
            self._roll.write(entries)

    def form(self, session: Session) -> str:
        """A token for the forms of one view: good once, for the first of them that is sent."""
        token = secrets.token_urlsafe(24)
        with self._guard:
            session.forms[token] = None
            if len(session.forms) > FORMS:
                session.forms.popitem(last=False)
        return token

    def take(self, session: Session, token: str) -> bool:
        """Whether the token was given to this session and not used yet; it is used up."""
        with self._guard:
            return session.forms.pop(token, "absent") is None


def sign(secret: bytes, purpose: str, value: str) -> str:
    return Signer(secret, salt=f"dryhold {purpose}").sign(value.encode()).decode()


def signed(secret: bytes, purpose: str, text: str | None) -> str | None:
    """The value whose signature is ours, else None."""
    try:
        return Signer(secret, salt=f"dryhold {purpose}").unsign((text or "").encode()).decode()
    except (BadSignature, UnicodeError):
        return None
