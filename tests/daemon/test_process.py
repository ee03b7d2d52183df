"""The command as systemd and a person start it, with a real broker."""

import json
import resource
import signal
import socket
import subprocess
import sys
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parents[1] / "tell"))
from brokers import Broker, Receiver, until

from edge.store.read import Reader
from edge.store.requests import LARGEST, MOST_WAITING, Box


@pytest.fixture
def broker(needs: Callable[[str], str], tmp_path: Path) -> Iterator[Broker]:
    made = Broker(needs("mosquitto"), tmp_path)
    yield made
    made.stop()


class Site:
    """`dryhold run` on simulated inputs, in folders of its own."""

    def __init__(self, folder: Path, settings: str) -> None:
        self.folder = folder
        self.latest = folder / "runtime" / "latest.json"
        self._settings = folder / "site.toml"
        self._settings.write_text(settings)
        self._notify = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
        self._notify.bind(str(folder / "notify"))
        self._notify.setblocking(False)
        self.said: list[str] = []

    def start(self) -> "subprocess.Popen[bytes]":
        where = ["--state", self.folder / "state", "--runtime", self.folder / "runtime"]
        return subprocess.Popen(
            [sys.executable, "-m", "edge", "run", "--settings", self._settings, *where],
            env={"NOTIFY_SOCKET": str(self.folder / "notify"), "PATH": "/usr/bin:/bin"},
            cwd=Path(__file__).parents[2],
        )

    def hear(self) -> list[str]:
        """Everything said to systemd until now."""
        try:
            while True:
                self.said.append(self._notify.recv(4096).decode())
        except BlockingIOError:
            return self.said

    def close(self) -> None:
        self._notify.close()


@pytest.fixture
def site(saltmarsh: Path, tmp_path: Path, broker: Broker) -> Iterator[Site]:
    mqtt = f'[[mqtt]]\nhost = "127.0.0.1"\nport = {broker.port}\n'
    made = Site(tmp_path, saltmarsh.read_text() + mqtt + '[keeping]\nevery = "0.2 s"\n')
    yield made
    made.close()


def kinds(receiver: Receiver) -> list[str]:
    """Of the events received, doubles dropped by their id as a receiver should."""
    events = {e["id"]: e["kind"] for e in map(json.loads, receiver.on("/events"))}
    return list(events.values())


def test_the_command_tells_stops_and_dies_as_promised(site: Site, broker: Broker) -> None:
    """A stock broker sees online, readings and events; SIGKILL becomes offline by the last will;
    a request from the letterbox is taken; SIGTERM ends all in order with status 0."""
    receiver = Receiver(broker.port)
    daemon = site.start()
    try:
        until(lambda: receiver.on("/readings") and kinds(receiver), "readings and an event")
        assert receiver.on("/availability") == [b"online"]
        until(lambda: len(site.hear()) >= 3, "the watchdog to be fed")
        assert site.said[:2] == ["READY=1\nWATCHDOG=1", "WATCHDOG=1"]
        daemon.kill()
        daemon.wait(20.0)
        until(lambda: receiver.on("/availability") == [b"online", b"offline"], "the last will")

        daemon = site.start()
        until(lambda: len(receiver.on("/availability")) == 3, "online again")
        box = Box(site.folder / "state")
        number = box.post("acknowledge", "test", {"alert": "low_pressure"})
        until(lambda: box.answer(number), "the request to be taken")
        box.close()
        daemon.terminate()
        assert daemon.wait(20.0) == 0
        until(lambda: receiver.on("/availability")[2:] == [b"online", b"offline"], "a goodbye")
        found = kinds(receiver)
        assert found.count("monitor_started") == 2
        assert found[-1] == "monitor_stopped"
        assert site.hear()[-1] == "STOPPING=1"
        latest = json.loads(site.latest.read_bytes())
        assert latest["channels"]["line_pressure"]["status"] == "function check"  # it is simulated
        assert latest["monitor"]["not_kept"] is None
    finally:
        if daemon.poll() is None:
            daemon.send_signal(signal.SIGKILL)
            daemon.wait(20.0)
        receiver.close()


def test_memory_that_is_really_short(site: Site, broker: Broker) -> None:
    """Under a limit that leaves it no room the daemon ends by itself at the latest when asked for what
    takes megabytes; started again with memory it does that, says that its end was not asked for, and
    every event is told under one id without a gap."""
    receiver = Receiver(broker.port)
    daemon = site.start()
    box = Box(site.folder / "state")
    try:
        until(lambda: receiver.on("/readings") and kinds(receiver), "readings and an event")
        has = Path(f"/proc/{daemon.pid}/statm").read_text().split()[0]
        size = int(has) * resource.getpagesize()
        resource.prlimit(daemon.pid, resource.RLIMIT_AS, (size, size))
        daemon.send_signal(signal.SIGSTOP)  # so that one tick takes all of them
        by = "x" * (LARGEST - 100)
        asked = [box.post("acknowledge", by, {"alert": "any"}) for _ in range(MOST_WAITING)]
        daemon.send_signal(signal.SIGCONT)
        assert daemon.wait(20.0) == 1
        daemon = site.start()
        until(lambda: all(map(box.answer, asked)), "the large requests to be taken")
        until(lambda: kinds(receiver).count("monitor_started") == 2, "its start to be told")
        daemon.terminate()
        assert daemon.wait(20.0) == 0
        until(lambda: kinds(receiver)[-1] == "monitor_stopped", "a goodbye")
        told = {e["id"]: e for e in map(json.loads, receiver.on("/events"))}
        starts = [e for e in told.values() if e["kind"] == "monitor_started"]
        assert [e.get("unasked", False) for e in starts] == [False, True]
        with Reader(site.folder / "state") as reader:
            kept = [event["id"] for event in reversed(reader.events(10_000))]
        assert kept == list(told)
    finally:
        box.close()
        if daemon.poll() is None:
            daemon.kill()
            daemon.wait(20.0)
        receiver.close()


def test_a_thread_that_fails_ends_the_daemon() -> None:
    """Whatever thread ends in a fault takes the process with it, with the fault in the log and status 1,
    so that it is started again; one that ends itself does not."""
    program = """
import sys, threading, _thread
from edge.commands import run
threading.excepthook = run._thread_failed
def quiet():
    sys.exit(3)
one = threading.Thread(target=quiet); one.start(); one.join()
def short():
    raise MemoryError("no more")
two = threading.Thread(target=short); two.start(); two.join()
print("went on")
"""
    done = subprocess.run(
        [sys.executable, "-c", program],
        capture_output=True,
        text=True,
        timeout=30,
        cwd=Path(__file__).parents[2],
        check=False,
    )
    assert (done.returncode, done.stdout) == (1, "")
    assert "MemoryError: no more" in done.stderr
