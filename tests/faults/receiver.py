"""A receiver that takes what the outbox gives, slowly, and remembers it: a messenger as the real
ones are, whose other side outlives the daemon.

It stands in KINDS in place of a real one (`put_in_place`); what was received is in `got`, or, so that
it outlives a killed process, in the file that `put_in_place` is given.
"""

import json
import os
from collections.abc import Callable, Iterator, Mapping
from pathlib import Path
from typing import Any

from edge import wiring
from edge.ports import Messenger, Outbox
from edge.settings import Settings

NAME = "receiver"
TOLD = None
AT_ONCE = 3

got: list[dict[str, Any]] = []
_file: int | None = None


def put_in_place(path: Path | None = None) -> None:
    """Let a daemon that is wired from now on tell this receiver and no other."""
    global _file
    wiring.KINDS = {"site": "tests.faults.receiver"}
    got.clear()
    _file = None if path is None else os.open(path, os.O_WRONLY | os.O_CREAT | os.O_APPEND)


def names(_settings: Settings) -> list[str]:
    return [NAME]


def open_messengers(
    _settings: Settings, outbox: Outbox, _history: Callable[[], Any]
) -> Iterator[Messenger]:
    yield Slow(outbox)


class Slow:
    """Hands over a few events a tick; they are accepted at the next one."""

    name = NAME

    def __init__(self, outbox: Outbox) -> None:
        self._outbox = outbox
        self._after = 0
        self._away: list[int] = []

    def tell(self, t: float, latest: Mapping[str, Any]) -> None:
        if self._away:
            self._outbox.accepted(self.name, self._away, t)
            self._away = []
        for number, event in self._outbox.waiting(self.name, self._after, AT_ONCE):
            if _file is None:
                got.append(event)
            else:
                os.write(_file, json.dumps(event).encode() + b"\n")
            self._away.append(number)
            self._after = number

    def state(self) -> dict[str, Any]:
        waiting = self._outbox.backlog(self.name)
        return {"connected": True, "why": None, "waiting": waiting, "dropped": 0}

    def stop(self) -> None: ...


def received(path: Path) -> list[dict[str, Any]]:
    """What was received into a file, in order; a line cut short by the end was not."""
    return [json.loads(line) for line in path.read_bytes().splitlines(True) if line.endswith(b"\n")]
