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
"""Of the processor, for one input; the slowest honest one takes a tenth of it on a slow machine."""
PATIENCE_S = 120
"""Of the clock: so long nothing waits that will ever go on, whatever else the machine does."""

_WRITES = os.O_WRONLY | os.O_RDWR | os.O_CREAT | os.O_TRUNC | os.O_APPEND
_ALLOWED: list[Path] = []
_SEEN: list[str] = []
_LATE: list[str] = []
_WATCHING = [False]


class Elsewhere(AssertionError):
    """Something outside the scratch folder was about to be written, made, moved or removed."""


class Hung(AssertionError):
    """One input took longer than any may."""


def _refuse(what: str) -> None:
    _SEEN.append(what)  # what is refused here may be caught there
    raise Elsewhere(what)


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
        "os.utime",
        "os.setxattr",
    ):
        touched = [_within(given[0], given[-1])]
    elif event == "sqlite3.connect" and "mode=ro" not in str(given[0]):
        touched = [] if given[0] == ":memory:" else [given[0]]
    elif event in ("os.rename", "os.link", "os.symlink", "shutil.move"):
        touched = list(given[:2])
    elif event in ("subprocess.Popen", "os.system", "os.exec", "os.fork", "os.posix_spawn"):
        _refuse(f"{event} {given[:1]!r}")
    elif event == "socket.connect" and isinstance(given[1], tuple):
        _refuse(f"{event} {given[1]!r}")
    for path in touched:
        if isinstance(path, str | bytes | os.PathLike):
            full = Path(os.path.realpath(os.fsdecode(path)))
            if not any(full.is_relative_to(home) for home in _ALLOWED):
                _refuse(f"{event} {full}")


def _within(path: Any, folder: Any) -> Any:
    """The path where the folder that it is in was given as an open file."""
    if isinstance(path, str) and isinstance(folder, int) and folder > 2 and path[:1] != "/":
        return os.path.join(os.readlink(f"/proc/self/fd/{folder}"), path)
    return path


sys.addaudithook(_look)


def _hung(_signal: int, _frame: FrameType | None) -> None:
    _LATE.append(f"longer than {LONGEST_S} s of the processor, or {PATIENCE_S} s")
    raise Hung(_LATE[0])


@contextmanager
def watched(scratch: Path) -> Iterator[None]:
    """Within it only `scratch` may be written, nobody called, no process started, and time is
    short. What was refused is raised at the end even where somebody caught it."""
    _ALLOWED[:] = [scratch.resolve(), Path("/dev/null")]
    _SEEN.clear()
    _LATE.clear()
    cached, sys.dont_write_bytecode = sys.dont_write_bytecode, True
    before = {number: signal.signal(number, _hung) for number in (signal.SIGALRM, signal.SIGPROF)}
    signal.setitimer(signal.ITIMER_REAL, PATIENCE_S)
    signal.setitimer(signal.ITIMER_PROF, LONGEST_S)
    _WATCHING[0] = True
    try:
        yield
    finally:
        _WATCHING[0] = False
        signal.setitimer(signal.ITIMER_PROF, 0)
        signal.setitimer(signal.ITIMER_REAL, 0)
        for number, was in before.items():
            signal.signal(number, was)
        sys.dont_write_bytecode = cached
    if _SEEN:
        raise Elsewhere(", ".join(_SEEN))
    if _LATE:
        raise Hung(_LATE[0])
