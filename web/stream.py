"""What is new, told as it happens (server-sent events, WHATWG HTML 9.2): to a few who look, each
holding a thread for a while; who comes when all places are taken asks every few seconds instead."""

import json
import re
import secrets
import threading
from collections.abc import Mapping
from typing import Any

MOST = 8
"""Streams at a time, of the whole page."""
LASTS_S = 600.0
"""Then a stream ends, and its browser comes back for another: so places go round."""
LOOK_S = 1.0
BEAT_S = 5.0
"""With nothing new, this often the age alone: it shows that the line still stands."""
RETRY_MS = 3000

Part = tuple[str, str]  # class and HTML

_PART = re.compile(
    r'<section class="([^"]*)" id="([a-z]+)" data-live[^>]*>(.*?)</section>', re.DOTALL
)


def parts(html: str) -> dict[str, Part]:
    """The sections of the first view that change, by their ids. Sections do not nest there."""
    return {name: (kind, inner) for kind, name, inner in _PART.findall(html)}


class Board:
    """The parts as last seen, each with the number of the change that brought it: one copy for
    all who follow. A follower says which change it has seen, and gets what came after."""

    def __init__(self) -> None:
        self._boot = secrets.token_hex(4)
        self._number = 0
        self._parts: dict[str, tuple[int, Part]] = {}
        self._guard = threading.Lock()

    def renew(self, found: Mapping[str, Part]) -> str:
        """Put up what is seen now; returns the id of this state of the board."""
        with self._guard:
            changed = {k: p for k, p in found.items() if self._parts.get(k, (0, None))[1] != p}
            if changed:
                self._number += 1
                self._parts.update({k: (self._number, p) for k, p in changed.items()})
            return f"{self._boot}-{self._number}"

    def since(self, seen: str | None) -> dict[str, Part]:
        """What changed after the state with that id; everything for one that is not known."""
        boot, _, number = (seen or "").partition("-")
        known = int(number) if boot == self._boot and number.isdecimal() else 0
        with self._guard:
            return {k: p for k, (n, p) in self._parts.items() if n > known}


class Places:
    """How many may follow at once, and when all of them must leave."""

    def __init__(self) -> None:
        self._free = threading.BoundedSemaphore(MOST)
        self.look_s, self.beat_s = LOOK_S, BEAT_S
        self.closing = threading.Event()

    def take(self) -> bool:
        return not self.closing.is_set() and self._free.acquire(blocking=False)

    def give_back(self) -> None:
        self._free.release()

    def close(self) -> None:
        """End every stream within a second, for good."""
        self.closing.set()


def message(number: str, said: Mapping[str, Any]) -> bytes:
    """One event; JSON keeps it on one line."""
    return f"id: {number}\ndata: {json.dumps(said, separators=(',', ':'))}\n\n".encode()


def opening() -> bytes:
    return f"retry: {RETRY_MS}\n\n".encode()
