"""The page as it runs on the box, in a process of its own, and who reads it with the reader's code."""

import contextlib
import http.client
import socket
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path
from typing import NamedTuple

from tests.benchmarks.process import Process
from tests.benchmarks.servers import CODE

WITHIN_S = 60.0
USUAL = ("-m", "edge")
HURRIED = (
    "-c",
    "import sys; from web import stream; stream.LOOK_S = stream.BEAT_S = 0.1;"
    " from edge.__main__ import main; sys.exit(main(sys.argv[1:]))",
)
"""The same command, speaking to followers ten times a second: who went is noticed that much sooner."""


class Answer(NamedTuple):
    status: int
    body: bytes
    seconds: float


def ask(port: int, path: str = "/") -> Answer:
    """On a connection of its own, as a browser's first is; the body as it came."""
    began = time.perf_counter()
    wire = http.client.HTTPConnection("127.0.0.1", port, timeout=WITHIN_S)
    said = {"Accept-Encoding": "gzip", "Authorization": f"Bearer {CODE}"}
    wire.request("GET", path, headers=said)
    answer = wire.getresponse()
    body = answer.read()
    wire.close()
    return Answer(answer.status, body, time.perf_counter() - began)


@contextlib.contextmanager
def server(*words: str) -> Iterator[tuple[int, int]]:
    """A server's port and process id; its first line tells its address."""
    process = subprocess.Popen([sys.executable, *words], stdout=subprocess.PIPE, text=True)
    try:
        assert process.stdout is not None
        line = process.stdout.readline()
        yield int(line.rstrip("/\n").rpartition(":")[2]), process.pid
    finally:
        process.terminate()
        process.communicate(timeout=WITHIN_S)


class Page(Process):
    """A page that answers."""

    def __init__(self, port: int, number: int) -> None:
        super().__init__(number)
        self.port = port

    def ask(self, path: str = "/") -> Answer:
        """RuntimeError for any status but 200."""
        answer = ask(self.port, path)
        if answer.status != 200:
            raise RuntimeError(f"{path}: expected 200, found {answer.status}")
        return answer

    def follow(self) -> socket.socket | None:
        """A stream whose first event has come; None when every place was taken."""
        line = socket.create_connection(("127.0.0.1", self.port), timeout=WITHIN_S)
        question = f"GET /stream HTTP/1.1\r\nHost: here\r\nAuthorization: Bearer {CODE}\r\n\r\n"
        line.sendall(question.encode())
        said = b""
        while b"data:" not in said:
            some = line.recv(65536)
            said += some
            if not some or b" 503 " in said.partition(b"\r\n")[0]:
                line.close()
                return None
        return line


@contextlib.contextmanager
def page(
    site: Path, state: Path, runtime: Path | None = None, how: tuple[str, ...] = USUAL
) -> Iterator[Page]:
    """The page of that settings file and state folder, on a free port."""
    where = ("--settings", site, "--state", state, "--runtime", runtime or state)
    with server(*how, "page", *map(str, where), "--host", "127.0.0.1", "--port", "0") as made:
        yield Page(*made)
