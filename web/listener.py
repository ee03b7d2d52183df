"""The server that listens for the page: the library's, with our bounds.

The library shakes hands for TLS in the one loop that accepts connections, and gives each new
connection a thread before anything came over it. Here a new connection waits with those kept alive
until it has sent something, and then a thread of its own shakes hands: who connects and says
nothing holds nobody up.
"""

import socket
import ssl
from typing import Any

from cheroot.server import HeaderReader, HTTPConnection, HTTPRequest
from cheroot.ssl.builtin import BuiltinSSLAdapter
from cheroot.wsgi import Server
from flask import Flask

from web import LARGEST_FORM, LARGEST_HEAD, stream

THREADS = 4
"""For questions; each stream that is followed has one of its own beside these."""

PLAIN = (
    b"HTTP/1.1 400 Bad Request\r\nContent-Type: text/plain\r\nConnection: close\r\n\r\n"
    b"This page speaks TLS only: its address begins with https.\r\n"
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


class Adapter(BuiltinSSLAdapter):
    """Covers a connection without shaking hands yet."""

    def wrap(self, sock: socket.socket) -> tuple[ssl.SSLSocket, dict[str, str]]:
        covered = self.context.wrap_socket(sock, server_side=True, do_handshake_on_connect=False)
        return covered, {"wsgi.url_scheme": "https", "HTTPS": "on"}


class _Connection(HTTPConnection):
    RequestHandlerClass = _Request
    shaken = False

    def communicate(self) -> Any:
        """Shake hands first, where it is covered."""
        if not self.shaken and isinstance(self.socket, ssl.SSLSocket):
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
    """A connection has no thread before it has sent its first byte."""

    ConnectionClass = _Connection

    def process_conn(self, conn: _Connection) -> None:
        if conn.last_used is None:
            self.put_conn(conn)  # until there is something to read, or it has waited too long
        else:
            super().process_conn(conn)


def listener(app: Flask, host: str, port: int, name: str) -> PageServer:
    """Not prepared yet; `name` is what it calls itself to itself."""
    server = PageServer((host, port), app, numthreads=THREADS + stream.MOST, server_name=name)
    server.max_request_header_size, server.max_request_body_size = LARGEST_HEAD, LARGEST_FORM
    return server
