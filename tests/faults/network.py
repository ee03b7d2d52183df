"""A faulty line: a relay on loopback between one of ours and a real server, which can be cut, made to
stand still, or torn in the middle of what it carries.

    line = Line(server_port)          connect to line.port instead
    line.cut()                        every connection ends at once, new ones are refused
    line.stall()                      connections stay, and nothing passes any more
    line.tear_after(n)                the next connection ends after n bytes of ours
    line.mend()                       all is well again, for new connections
"""

import contextlib
import select
import socket
import threading
from typing import Any


class Line:
    """Relays until closed; one thread."""

    def __init__(self, to_port: int) -> None:
        self._to = to_port
        self._listener = socket.create_server(("127.0.0.1", 0))
        self.port = int(self._listener.getsockname()[1])
        self.passed = 0  # bytes of ours that went over
        self._pairs: dict[socket.socket, socket.socket] = {}
        self._ours: set[socket.socket] = set()
        self._state = "well"
        self._left: int | None = None
        self._wake, self._woken = socket.socketpair()
        self._lock = threading.Lock()
        self._thread = threading.Thread(target=self._relay, daemon=True)
        self._thread.start()

    def cut(self) -> None:
        self._be("cut")

    def stall(self) -> None:
        self._be("stalled")

    def tear_after(self, count: int) -> None:
        with self._lock:
            self._left = count

    def mend(self) -> None:
        self._be("well")

    def close(self) -> None:
        self._be("closed")
        self._thread.join(10.0)
        for one in (self._listener, self._wake, self._woken):
            one.close()

    def _be(self, state: str) -> None:
        with self._lock:
            self._state = state
        self._wake.send(b".")

    def _relay(self) -> None:
        while True:
            with self._lock:
                state = self._state
            if state in ("cut", "closed"):
                self._end_all()
            if state == "closed":
                return
            watched: list[Any] = [self._woken, self._listener]
            if state == "well":
                watched += self._pairs
            for ready in select.select(watched, [], [])[0]:
                if ready is self._woken:
                    ready.recv(100)
                elif ready is self._listener:
                    self._accept(state)
                elif ready in self._pairs:
                    self._carry(ready)

    def _accept(self, state: str) -> None:
        ours, _ = self._listener.accept()
        if state == "cut":
            ours.close()
            return
        theirs = socket.create_connection(("127.0.0.1", self._to), 10.0)
        self._pairs[ours], self._pairs[theirs] = theirs, ours
        self._ours.add(ours)

    def _carry(self, one: socket.socket) -> None:
        other = self._pairs[one]
        try:
            data = one.recv(65536)
            if data and one in self._ours:
                with self._lock:
                    if self._left is not None:
                        data, self._left = data[: self._left], self._left - len(data)
                        if self._left <= 0:
                            other.sendall(data)
                            self._left, data = None, b""
                self.passed += len(data)
            if data:
                other.sendall(data)
        except OSError:
            data = b""
        if not data:
            self._end(one)

    def _end(self, one: socket.socket) -> None:
        other = self._pairs.pop(one)
        self._pairs.pop(other, None)
        self._ours -= {one, other}
        for end in (one, other):
            with contextlib.suppress(OSError):
                end.shutdown(socket.SHUT_RDWR)
            end.close()

    def _end_all(self) -> None:
        for one in list(self._ours):
            self._end(one)
