"""Whether the page answers, as it finds out itself: it asks a question over its own port, as anybody
would, and says so when an answer came. A page whose threads are all stuck says nothing."""

import logging
import socket
import ssl
import threading
import time
from collections.abc import Callable

log = logging.getLogger(__name__)

EVERY_S = 5.0

WITHIN_S = 60.0
"""A small computer that puts years of history together for several at once may take long, and is
not stuck. The unit's WatchdogSec= and edge.attendance.SILENT_S are longer."""

QUESTION = b"GET /healthz HTTP/1.0\r\nHost: localhost\r\n\r\n"
ANYWHERE = {"0.0.0.0": "127.0.0.1", "::": "::1"}
LARGEST = 64 * 1024


class Pulse:
    """A thread that asks, until stopped, and calls `beat` after each answer."""

    def __init__(
        self,
        address: tuple[str, int],
        tls: bool,
        beat: Callable[[], None],
        every_s: float = EVERY_S,
        within_s: float = WITHIN_S,
    ) -> None:
        """`address` is the one that the page listens on."""
        self._address = ANYWHERE.get(address[0], address[0]), address[1]
        self._tls = _trusting() if tls else None
        self._beat, self._every_s, self._within_s = beat, every_s, within_s
        self._ended = threading.Event()
        self._thread = threading.Thread(target=self._run, name="pulse", daemon=True)

    def start(self) -> None:
        self._thread.start()

    def stop(self) -> None:
        """To be called once the server has ended: nothing is waited for that may still come."""
        self._ended.set()
        self._thread.join(5.0)

    def _run(self) -> None:
        silent = False
        while not self._ended.is_set():
            why = self._ask()
            if why is None:
                self._beat()
            elif not silent:
                log.error("the page does not answer itself: %s", why)
            silent = why is not None
            self._ended.wait(self._every_s)

    def _ask(self) -> str | None:
        """Why no answer came; None where one did, whatever it says."""
        end = time.monotonic() + self._within_s
        try:
            with socket.create_connection(self._address, self._within_s) as line:
                if self._tls is None:
                    said = _said(line, end)
                else:
                    with self._tls.wrap_socket(line) as covered:
                        said = _said(covered, end)
        except OSError as error:
            return str(error)
        return None if said.startswith(b"HTTP/1.") else f"what came is {said[:40]!r}"


def _said(line: socket.socket, end: float) -> bytes:
    """The answer to its end, so that the server is never cut off in it. OSError past the end."""
    line.sendall(QUESTION)
    said = b""
    while len(said) < LARGEST:
        line.settimeout(max(0.001, end - time.monotonic()))
        more = line.recv(4096)
        if not more:
            break
        said += more
    return said


def _trusting() -> ssl.SSLContext:
    """It is itself that it asks, and nothing but whether an answer comes: no certificate of a name
    that this machine has on the network holds for the address inside."""
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_CLIENT)
    context.check_hostname = False
    context.verify_mode = ssl.CERT_NONE
    return context
