"""Child processes that live and end together."""

import ctypes
import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Sequence
from pathlib import Path

from edge.errors import DryholdError

PR_SET_PDEATHSIG = 1  # prctl(2)
END_S = 10.0
LAST_LINES = 12


class ChildDiedError(DryholdError, ChildProcessError):
    """A part ended by itself; the text says which, how, and its last words."""


class Family:
    """Started one by one, ended in the opposite order; none outlives this process.

    Each child is in a session of its own, so that Ctrl-C reaches only the parent, which then
    ends them in order; should the parent be killed, the kernel ends them.
    """

    def __init__(self, logs: Path, end_s: float = END_S) -> None:
        self._logs, self._end_s = logs, end_s
        self._children: list[tuple[str, subprocess.Popen[bytes]]] = []
        self._libc = ctypes.CDLL(None, use_errno=True)

    def start(self, name: str, words: Sequence[str]) -> None:
        """Start `python words...`, what it says going to <logs>/<name>.log."""
        parent = os.getpid()

        def tie() -> None:
            self._libc.prctl(PR_SET_PDEATHSIG, signal.SIGTERM)
            if os.getppid() != parent:  # it went between fork and here
                os._exit(1)

        with (self._logs / f"{name}.log").open("ab") as log:
            child = subprocess.Popen(
                [sys.executable, *words],
                stdin=subprocess.DEVNULL,
                stdout=log,
                stderr=log,
                start_new_session=True,
                preexec_fn=tie,
            )
        self._children.append((name, child))

    def check(self) -> None:
        """ChildDiedError when one has ended."""
        for name, child in self._children:
            status = child.poll()
            if status is not None:
                how = f"by signal {-status}" if status < 0 else f"with status {status}"
                said = (self._logs / f"{name}.log").read_text(errors="replace").splitlines()
                words = (
                    "\n".join(f"  {line}" for line in said[-LAST_LINES:]) or "  (it said nothing)"
                )
                raise ChildDiedError(f"the {name} ended {how}; its last words:\n{words}")

    def end(self) -> None:
        """End them, the last started first; those that do not go within `end_s` are killed."""
        while self._children:
            _, child = self._children[-1]
            if child.poll() is None:
                child.terminate()
                try:
                    child.wait(self._end_s)
                except subprocess.TimeoutExpired:
                    child.kill()
                    child.wait()
            self._children.pop()

    def wait_for(self, what: str, ready: Callable[[], bool], within_s: float) -> None:
        """Wait until `ready()`, while all live; ChildDiedError or TimeoutError otherwise."""
        deadline = time.monotonic() + within_s
        while not ready():
            self.check()
            if time.monotonic() > deadline:
                raise TimeoutError(f"{what} was not ready within {within_s:.0f} s")
            time.sleep(0.1)
