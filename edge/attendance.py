"""How the daemon knows that the page beside it is there, and answers: two sockets on this machine.

The page holds one for as long as it runs, which the kernel takes back whatever ends it. To the
daemon's it sends a word each time that it has answered a question (web.pulse): a page that is
stopped or stuck keeps the first and sends nothing.
"""

import contextlib
import hashlib
import logging
import os
import socket
import time
from collections.abc import Callable
from pathlib import Path

log = logging.getLogger(__name__)

LOOK_EVERY_S = 10.0

SILENT_S = 90.0
"""A page asks itself every few seconds and may take a minute over it (web.pulse)."""

WORD = b"answered"
MOST_WORDS = 100  # taken up at one look, whoever sends them


def _address(who: str, state: Path) -> str:
    # The leading zero stands for Linux's abstract namespace: nothing is written to any disk. That
    # one goes with the network, which two containers with the same paths may share, so what tells
    # their processes apart is in the name; and a name has 107 bytes, which a path may pass.
    processes = os.stat("/proc/self/ns/pid").st_ino
    place = f"{processes}:{os.path.realpath(state)}".encode(errors="surrogateescape")
    return f"\0dryhold-{who}:{hashlib.blake2s(place, digest_size=16).hexdigest()}"


def _line() -> socket.socket:
    return socket.socket(
        socket.AF_UNIX, socket.SOCK_DGRAM | socket.SOCK_CLOEXEC | socket.SOCK_NONBLOCK
    )


class Attendance:
    """The page's side, until closed or the process ends. OSError where another page is there."""

    def __init__(self, state: Path) -> None:
        self._daemon = _address("daemon", state)
        self._here = _line()
        try:
            self._here.bind(_address("page", state))
        except OSError:
            self._here.close()
            raise

    def answered(self) -> None:
        """Tell the daemon, if it is there, that a question was answered just now."""
        # Where no more words fit in, it has enough of them.
        with contextlib.suppress(ConnectionRefusedError, BlockingIOError):
            self._here.sendto(WORD, self._daemon)

    def close(self) -> None:
        self._here.close()


class PageThere:
    """The daemon's side: says when a page that was there is gone or silent; a site may have none."""

    def __init__(
        self,
        state: Path,
        steady: Callable[[], float],
        elapsed: Callable[[], float] = time.monotonic,
    ) -> None:
        """`elapsed` gives the seconds that a page's silence is counted in: those it lives in, also
        where the daemon's `steady` ones run faster."""
        self._page, self._steady, self._elapsed = _address("page", state), steady, elapsed
        self._looked = float("-inf")
        self._there = False
        self._answered: float | None = None  # or when it was first seen; None before that
        self._ear: socket.socket | None = _line()
        try:
            self._ear.bind(_address("daemon", state))
        except OSError as error:
            log.error("a page that hangs will not be noticed: %s", error)
            self.close()

    def troubles(self) -> dict[str, str]:
        now = self._steady()
        if now - self._looked >= LOOK_EVERY_S:
            self._looked = now
            self._look()
        if self._answered is None:
            return {}
        if not self._there:
            return {"page": "The status page's program has ended and has not come back."}
        if self._ear is not None and self._elapsed() - self._answered > SILENT_S:
            return {"page": "The status page's program runs, but it answers nobody."}
        return {}

    def close(self) -> None:
        if self._ear is not None:
            self._ear.close()
        self._ear = None

    def _look(self) -> None:
        with _line() as line:
            self._there = line.connect_ex(self._page) == 0
        # One that comes back must answer, too, before it is believed.
        if self._heard() or (self._there and self._answered is None):
            self._answered = self._elapsed()

    def _heard(self) -> bool:
        heard = False
        with contextlib.suppress(BlockingIOError):
            for _ in range(MOST_WORDS if self._ear is not None else 0):
                assert self._ear is not None
                heard = self._ear.recv(len(WORD)) == WORD or heard
        return heard
