"""The faulty line itself, with a server that sends back what it gets."""

import socket
import socketserver
import threading
from collections.abc import Iterator

import pytest

from tests.faults.network import Line


class Echo(socketserver.BaseRequestHandler):
    def handle(self) -> None:
        while data := self.request.recv(4096):
            self.request.sendall(data)


@pytest.fixture
def line() -> Iterator[Line]:
    with socketserver.ThreadingTCPServer(("127.0.0.1", 0), Echo) as server:
        thread = threading.Thread(target=server.serve_forever)
        thread.start()
        made = Line(server.server_address[1])
        yield made
        made.close()
        server.shutdown()
        thread.join(10.0)


def ask(end: socket.socket, data: bytes) -> bytes:
    """What comes back until so much has come, or the connection is over."""
    found = b""
    try:
        end.sendall(data)
        while len(found) < len(data) and (more := end.recv(4096)):
            found += more
    except ConnectionError:
        pass
    return found


def test_a_line_carries_stalls_tears_and_is_cut(line: Line) -> None:
    """Well, it carries all; torn after five bytes, five and the end; stalled, nothing and no end; cut,
    the end at once, for new connections too; mended, all again."""
    with socket.create_connection(("127.0.0.1", line.port), 10.0) as end:
        assert ask(end, b"well") == b"well"
        line.stall()
        end.settimeout(0.2)
        with pytest.raises(TimeoutError):
            ask(end, b"into the void")
        line.mend()
        end.settimeout(10.0)
        assert ask(end, b"") + end.recv(4096) == b"into the void"
        line.cut()
        assert ask(end, b"gone") == b""
    with socket.create_connection(("127.0.0.1", line.port), 10.0) as end:
        assert ask(end, b"gone") == b""
    line.mend()
    line.tear_after(5)
    with socket.create_connection(("127.0.0.1", line.port), 10.0) as end:
        assert len(ask(end, b"torn in the middle")) <= 5
    with socket.create_connection(("127.0.0.1", line.port), 10.0) as end:
        assert ask(end, b"well") == b"well"
