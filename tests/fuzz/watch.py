"""What an input must not do besides failing: write elsewhere, and hang."""

import os
import signal
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from types import FrameType
from typing import Any

LONGEST_S = 10
"""For one input; the slowest honest one takes a tenth of it on a slow machine."""

_WRITES = os.O_WRONLY | os.O_RDWR | os.O_CREAT | os.O_TRUNC | os.O_APPEND
_ALLOWED: list[Path] = []
_WATCHING = [False]


class Elsewhere(AssertionError):
    """Something outside the scratch folder was about to be written, made, moved or removed."""


class Hung(AssertionError):
    """One input took longer than any may."""


def _look(event: str, given: tuple[Any, ...]) -> None:
    if not _WATCHING[0]:
        return
    touched: list[Any] = []
    if (event == "open" and isinstance(given[2], int) and given[2] & _WRITES) or event in (
        "os.remove",
        "os.rmdir",
        "os.mkdir",
        "os.truncate",
        "os.chmod",
        "os.chown",
    ):
        touched = [given[0]]
    elif event in ("os.rename", "os.link", "os.symlink", "shutil.move"):
        touched = list(given[:2])
    elif event in ("subprocess.Popen", "os.system", "os.exec"):
        raise Elsewhere(f"{event} {given[0]!r}")
    for path in touched:
        if isinstance(path, str | bytes | os.PathLike):
            full = Path(os.fsdecode(path)).absolute()
            if not any(full.is_relative_to(home) for home in _ALLOWED):
                raise Elsewhere(f"{event} {full}")


sys.addaudithook(_look)


def _hung(_signal: int, _frame: FrameType | None) -> None:
    raise Hung(f"longer than {LONGEST_S} s")


@contextmanager
def watched(scratch: Path) -> Iterator[None]:
    """Within it only `scratch` may be written, no process started, and time is short."""
    _ALLOWED[:] = [scratch, Path("/dev/null")]
    before = signal.signal(signal.SIGALRM, _hung)
    signal.setitimer(signal.ITIMER_REAL, LONGEST_S)
    _WATCHING[0] = True
    try:
        yield
    finally:
        _WATCHING[0] = False
        signal.setitimer(signal.ITIMER_REAL, 0)
        signal.signal(signal.SIGALRM, before)
