"""The server that listens for the page: the library's, with our bounds."""

from typing import Any

from cheroot.server import HeaderReader, HTTPConnection, HTTPRequest
from cheroot.wsgi import Server
from flask import Flask

from web import LARGEST_FORM, LARGEST_HEAD, stream

THREADS = 4
"""For questions; each stream that is followed has one of its own beside these."""


class _Headers(HeaderReader):
    """The library takes a first header that begins with a blank for a fault of its own."""

    def __call__(self, rfile: Any, hdict: Any = None) -> Any:
        try:
            return super().__call__(rfile, hdict)
        except UnboundLocalError as error:
            raise ValueError("a continuation of no line") from error  # answered with 400


class _Request(HTTPRequest):
    header_reader = _Headers()


class _Connection(HTTPConnection):
    RequestHandlerClass = _Request


def listener(app: Flask, host: str, port: int, name: str) -> Server:
    """Not prepared yet; `name` is what it calls itself to itself."""
    server = Server((host, port), app, numthreads=THREADS + stream.MOST, server_name=name)
    server.ConnectionClass = _Connection
    server.max_request_header_size, server.max_request_body_size = LARGEST_HEAD, LARGEST_FORM
    return server
