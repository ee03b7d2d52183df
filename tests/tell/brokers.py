"""A real mosquitto on loopback, and a receiver that remembers."""

import queue
import resource
import signal
import socket
import subprocess
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import paho.mqtt.client as paho
from paho.mqtt.enums import CallbackAPIVersion

DEADLINE_S = 60.0


def until(done: Callable[[], Any], what: str) -> Any:
    """Ask again and again, without a rest longer than a blink, until there is an answer."""
    end = time.monotonic() + DEADLINE_S
    blink = queue.SimpleQueue[None]()
    while not (found := done()):
        if time.monotonic() > end:
            raise AssertionError(f"waited {DEADLINE_S:.0f} s in vain for {what}")
        try:
            blink.get(timeout=0.01)
        except queue.Empty:
            continue
    return found


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


def answers(port: int) -> bool:
    with socket.socket() as probe:
        return probe.connect_ex(("127.0.0.1", port)) == 0


class Broker:
    """mosquitto with a configuration of its own; may be stopped and started on its port."""

    def __init__(
        self,
        program: str,
        folder: Path,
        lines: str = "allow_anonymous true",
        largest_file: int | None = None,
    ) -> None:
        """`largest_file`: bytes beyond which every write fails, as on a full disk."""
        self.port = free_port()
        self._program, self._folder, self._largest = program, folder, largest_file
        self._config = folder / "mosquitto.conf"
        # Started by root it would become a user who cannot read a test's folder.
        self._config.write_text(f"user root\nlistener {self.port} 127.0.0.1\n{lines}\n")
        self._process: subprocess.Popen[bytes] | None = None
        self.start()

    def start(self) -> None:
        with (self._folder / "mosquitto.log").open("ab") as log:
            self._process = subprocess.Popen(
                [self._program, "-c", str(self._config)],
                stdout=log,
                stderr=log,
                preexec_fn=None if self._largest is None else self._fill,
            )
        try:
            until(lambda: answers(self.port), "mosquitto")
        except AssertionError:
            self.stop()
            raise

    def _fill(self) -> None:
        signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
        resource.setrlimit(resource.RLIMIT_FSIZE, (self._largest or 0, self._largest or 0))

    def stop(self) -> None:
        if self._process is not None:
            self._process.terminate()
            self._process.wait(DEADLINE_S)
            self._process = None

    def kill(self) -> None:
        """As when its power fails: nothing is said, nothing is put down."""
        if self._process is not None:
            self._process.kill()
            self._process.wait(DEADLINE_S)
            self._process = None

    def signal(self, number: int) -> None:
        if self._process is not None:
            self._process.send_signal(number)

    def log(self) -> str:
        return (self._folder / "mosquitto.log").read_text(errors="replace")


class Receiver:
    """Subscribes to everything; keeps (topic, payload, retained) in the order of arrival."""

    def __init__(
        self,
        port: int,
        user: tuple[str, str] | None = None,
        secure: Callable[[paho.Client], object] = lambda _: None,
        session: str | None = None,
    ) -> None:
        """`session`: a name under which the broker keeps what comes while nobody listens."""
        self.got: list[tuple[str, bytes, bool]] = []
        subscribed: queue.SimpleQueue[None] = queue.SimpleQueue()
        self._client = paho.Client(
            CallbackAPIVersion.VERSION2, client_id=session or "", clean_session=session is None
        )
        if user is not None:
            self._client.username_pw_set(*user)
        secure(self._client)
        self._client.on_message = lambda _c, _u, m: self.got.append((m.topic, m.payload, m.retain))
        self._client.on_subscribe = lambda *_: subscribed.put(None)
        self._client.connect("127.0.0.1", port)
        self._client.loop_start()
        self._client.subscribe("#", qos=1)
        subscribed.get(timeout=DEADLINE_S)

    def on(self, end: str) -> list[bytes]:
        """The payloads of the topics that end so, in order."""
        return [payload for topic, payload, _ in list(self.got) if topic.endswith(end)]

    def close(self) -> None:
        self._client.disconnect()
        self._client.loop_stop()


class Mute:
    """An MQTT 5 listener that accepts a connection and every message but events: those it takes
    off the wire, counts, and leaves without an answer."""

    def __init__(self) -> None:
        self._server = socket.create_server(("127.0.0.1", 0))
        self._server.setblocking(False)
        self.port = int(self._server.getsockname()[1])
        self._line: socket.socket | None = None
        self._bytes = b""
        self.events = 0

    def serve(self) -> None:
        """Do what can be done now."""
        try:
            if self._line is None:
                self._line, _ = self._server.accept()
                self._line.setblocking(False)
            self._bytes += self._line.recv(65536)
        except BlockingIOError:
            return
        while (packet := self._packet()) is not None:
            kind, body = packet
            if kind >> 4 == 1:  # CONNECT
                self._line.sendall(b"\x20\x03\x00\x00\x00")
            elif kind & 0xF6 == 0x32:  # PUBLISH, QoS 1
                end = 2 + int.from_bytes(body[:2], "big")
                if body[2:end].endswith(b"/events"):
                    self.events += 1
                else:
                    self._line.sendall(b"\x40\x02" + body[end : end + 2])

    def _packet(self) -> tuple[int, bytes] | None:
        length, place = 0, 1
        while place < len(self._bytes):
            byte = self._bytes[place]
            length |= (byte & 0x7F) << 7 * (place - 1)
            place += 1
            if byte < 0x80:
                break
        else:
            return None
        if len(self._bytes) < place + length:
            return None
        kind, body = self._bytes[0], self._bytes[place : place + length]
        self._bytes = self._bytes[place + length :]
        return kind, body

    def close(self) -> None:
        if self._line is not None:
            self._line.close()
        self._server.close()
