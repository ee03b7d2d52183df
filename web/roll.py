"""The sessions of one kind on file, so that they outlast a restart of the page.

Only digests of the random numbers that the cookies carry: who reads the file gets no session out of
it, and a number put into it opens nothing without the signature of the kept secret (web.access).
While the page is down time is counted by the wall clock; where that stands earlier than when the
file was written (a box without a clock chip), none is counted.
"""

import json
import logging
import os
from collections.abc import Callable, Iterable
from pathlib import Path
from typing import NamedTuple

from edge.errors import AccessError
from web.access import keep_private

log = logging.getLogger(__name__)


class Entry(NamedTuple):
    """One session as of a moment: how long ago it began and was last seen, in seconds."""

    key: str  # SHA-256 of its number, hexadecimal
    who: str
    address: str
    age_s: float
    idle_s: float


class Roll:
    """A file in the state folder that only its owner reads; `clock` gives UTC in seconds."""

    def __init__(self, folder: Path, kind: str, clock: Callable[[], float]) -> None:
        self._path, self._clock = folder / f"sessions-{kind}.json", clock

    def read(self) -> list[Entry]:
        """What was kept, as of now; nothing where there is none or it cannot be trusted."""
        try:
            with self._path.open("rb") as file:
                if os.fstat(file.fileno()).st_mode & 0o077:
                    raise ValueError("a file that others may read")
                kept = json.load(file)
            down_s = max(0.0, self._clock() - float(kept["at"]))
            found = []
            for key, who, address, age_s, idle_s in kept["sessions"]:
                if not (isinstance(key, str) and isinstance(who, str) and isinstance(address, str)):
                    raise ValueError("something else than names")
                (who + address).encode()  # what no page can show is no name
                if not 0.0 <= float(idle_s) <= float(age_s):
                    raise ValueError("a session that was seen before it began")
                found.append(Entry(key, who, address, age_s + down_s, idle_s + down_s))
            return found
        except FileNotFoundError:
            return []
        except (
            ArithmeticError,
            LookupError,
            OSError,
            RecursionError,
            TypeError,
            ValueError,
        ) as error:
            log.warning("%s: everybody has to sign in again: %s", self._path.name, error)
            return []

    def write(self, entries: Iterable[Entry]) -> None:
        """Keep them. Where that fails what was kept goes, so that nobody who signed out is in again
        after a restart."""
        kept = {"at": self._clock(), "sessions": [list(entry) for entry in entries]}
        try:
            keep_private(self._path, json.dumps(kept).encode())
        except AccessError as error:
            log.warning("sessions will end with the page: %s", error)
            try:
                self._path.unlink(missing_ok=True)
            except OSError as worse:
                log.error("%s cannot be taken away: %s", self._path, worse)
