"""The server that listens for the page: the library's, with our bounds.

The library shakes hands for TLS in the one loop that accepts connections, and gives each new
connection a thread before anything came over it. Here a new connection waits with those kept alive
until it has sent something, and then a thread of its own shakes hands: who connects and says
nothing holds nobody up. Who asks without end is refused before anything is read (web/flood.py).
"""

import contextlib
import logging
import socket
import ssl
import threading
import time
from collections.abc import Callable
from typing import Any

from cheroot.server import HeaderReader, HTTPConnection, HTTPRequest
from cheroot.ssl.builtin import BuiltinSSLAdapter
from cheroot.wsgi import Server
from flask import Flask

from web import LARGEST_FORM, LARGEST_HEAD, stream
from web.flood import A_SECOND, Answer, Flood
from web.place import local_address, place_of

log = logging.getLogger(__name__)

THREADS = 4
"""For questions; each stream that is followed has one of its own beside these."""

PLAIN = (
    b"HTTP/1.1 400 Bad Request\r\nContent-Type: text/plain\r\nConnection: close\r\n\r\n"
    b"This page speaks TLS only: its address begins with https.\r\n"
)

SLOWER = (
    b"HTTP/1.1 429 Too Many Requests\r\nContent-Type: text/plain\r\nRetry-After: 1\r\n"
    b"Connection: close\r\n\r\nToo many questions from this address: ask again in a second.\r\n"
)


class _Headers(HeaderReader):
    """The library takes a first header that begins with a blank for a fault of its own."""

    def __call__(self, rfile: Any, hdict: Any = None) -> Any:
        try:
            return super().__call__(rfile, hdict)
        except UnboundLocalError as error:
            raise ValueError("a continuation of no line") from error  # answered with 400


class _Request(HTTPRequest):
    header_reader = _Headers()

    def parse_request(self) -> None:
        """Read no more than that there is a question before its place may ask one; who only closes
        a line asks nothing."""
        if not self.conn.rfile.peek(1):
            return
        if not self.server.admits(self.conn.remote_addr):
            with contextlib.suppress(OSError):  # who asked may have gone by now
                self.conn.socket.sendall(SLOWER)
            return
        super().parse_request()

    def read_request_line(self) -> bool:
        """The library takes an address with brackets about nothing for a fault of its own."""
        try:
            return bool(super().read_request_line())  # type: ignore[no-untyped-call]
        except ValueError:
            self.simple_response("400 Bad Request", "Malformed Request-URI")
            return False


class Adapter(BuiltinSSLAdapter):
    """Covers a connection without shaking hands yet."""

    def wrap(self, sock: socket.socket) -> tuple[ssl.SSLSocket, dict[str, str]]:
        covered = self.context.wrap_socket(sock, server_side=True, do_handshake_on_connect=False)
        return covered, {"wsgi.url_scheme": "https", "HTTPS": "on"}


class _Connection(HTTPConnection):
    RequestHandlerClass = _Request
    shaken = False

    def communicate(self) -> Any:
        """Shake hands first, where it is covered; that is work, and counts as a question."""
        if not self.shaken and isinstance(self.socket, ssl.SSLSocket):
            if not self.server.admits(self.remote_addr):
                return False
            try:
                self.socket.do_handshake()  # within the server's time for one wait
            except ssl.SSLError as error:
                if error.reason == "HTTP_REQUEST":
                    socket.socket.sendall(self.socket, PLAIN)  # under the cover, as it came
                return False
            except OSError:
                return False
            self.shaken = True
        return super().communicate()  # type: ignore[no-untyped-call]


class PageServer(Server):
    """A connection has no thread before it has sent its first byte, and no answer where its place
    asked too much. The box itself may ask as much as it likes."""

    ConnectionClass = _Connection

    def __init__(self, steady: Callable[[], float], *args: Any, **named: Any) -> None:
        super().__init__(*args, **named)
        self._steady, self._flood, self._guard = steady, Flood(), threading.Lock()

    def admits(self, address: str) -> bool:
        """Whether a question from there is answered; asking counts as one."""
        if local_address(address):
            return True
        with self._guard:
            answer = self._flood.asked(place_of(address), self._steady())
        if answer is Answer.FLOODED:
            log.warning(
                "%s asks more than %.0f questions a second: from now on some are refused",
                address,
                A_SECOND,
            )
        return answer is Answer.ADMITTED

    def process_conn(self, conn: _Connection) -> None:
        if conn.last_used is None:
            self.put_conn(conn)  # until there is something to read, or it has waited too long
        else:
            super().process_conn(conn)


def listener(
    app: Flask,
    host: str,
    port: int,
    name: str,
    steady: Callable[[], float] = time.monotonic,
) -> PageServer:
    """Not prepared yet; `name` is what it calls itself to itself, `steady` gives seconds that never
    jump, in which questions are counted."""
    server = PageServer(
        steady, (host, port), app, numthreads=THREADS + stream.MOST, server_name=name
    )
    server.max_request_header_size, server.max_request_body_size = LARGEST_HEAD, LARGEST_FORM
    return server
