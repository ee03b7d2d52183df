"""Who is signed in. Sessions live in the page's memory: a restart, a new code, half a quiet
hour or half a day end them; readers' last longer. The cookie carries a random number signed with the kept secret."""

import secrets
import threading
from collections import OrderedDict
from dataclasses import dataclass, field

from itsdangerous import BadSignature, Signer

IDLE_S = 30 * 60.0
ABSOLUTE_S = 12 * 3600.0
READER_IDLE_S = 12 * 3600.0
READER_ABSOLUTE_S = 30 * 86400.0
MOST = 50
FORMS = 64


@dataclass(slots=True)
class Session:
    """One technician at one device. Times are steady seconds."""

    number: str
    who: str
    address: str
    began: float
    seen: float
    forms: OrderedDict[str, None] = field(default_factory=OrderedDict)

    @property
    def by(self) -> str:
        """Who asks for something, and from where, for the record."""
        return f"{self.who} ({self.address})"


class Sessions:
    """Every session of one page; used from all its threads."""

    def __init__(self, idle_s: float = IDLE_S, absolute_s: float = ABSOLUTE_S) -> None:
        self._idle_s, self._absolute_s = idle_s, absolute_s
        self._open: OrderedDict[str, Session] = OrderedDict()
        self._guard = threading.Lock()

    def begin(self, who: str, address: str, t: float) -> Session:
        session = Session(secrets.token_urlsafe(32), who, address, t, t)
        with self._guard:
            self._open[session.number] = session
            if len(self._open) > MOST:
                self._open.popitem(last=False)
        return session

    def find(self, number: str | None, t: float, *, touch: bool) -> Session | None:
        """The session while it lasts; `touch` where a person did something just now."""
        with self._guard:
            session = self._open.get(number or "")
            if session is None:
                return None
            if t - session.seen > self._idle_s or t - session.began > self._absolute_s:
                del self._open[session.number]
                return None
            if touch:
                session.seen = t
            return session

    def end(self, session: Session) -> None:
        with self._guard:
            self._open.pop(session.number, None)

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
