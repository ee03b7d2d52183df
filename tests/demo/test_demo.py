"""The demo as a whole: real processes, a real broker, the real page."""

import json
import os
import re
import signal
import subprocess
import sys
import time
import urllib.request
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import paho.mqtt.client as mqtt
import pytest
from paho.mqtt.enums import CallbackAPIVersion

from edge.clock import FastClock
from edge.demo.place import free_port
from edge.store.read import Reader

PATIENCE_S = 90.0


class Demo:
    def __init__(
        self, process: subprocess.Popen[str], folder: Path, words: tuple[str, ...]
    ) -> None:
        self.process = process
        self.folder = folder
        self.mqtt_port = words[words.index("--mqtt-port") + 1]
        self.said = ""

    def until(self, *words: str) -> str:
        """Read on until every one of the words has been said."""
        assert self.process.stdout is not None
        deadline = time.monotonic() + PATIENCE_S
        while not all(word in self.said for word in words):
            line = self.process.stdout.readline()
            assert line, f"the demo ended:\n{self.said}"
            assert time.monotonic() < deadline, f"not in time: {words}\n{self.said}"
            self.said += line
        return self.said

    def rest(self) -> str:
        out, _ = self.process.communicate(timeout=PATIENCE_S)
        self.said += out
        return self.said

    def parts(self) -> dict[str, int]:
        """Process ids of its running parts, by what is found in their command lines."""
        found = {}
        for entry in Path("/proc").iterdir():
            if entry.name.isdigit() and int(entry.name) != self.process.pid:
                try:
                    words = (entry / "cmdline").read_bytes().decode().split("\0")
                except OSError:
                    continue
                broker = "edge.demo.broker" in words and self.mqtt_port in words
                if broker or any(str(self.folder) in word for word in words):
                    found[" ".join(words)] = int(entry.name)
        return found


@contextmanager
def demo(folder: Path, *words: str) -> Iterator[Demo]:
    process = subprocess.Popen(
        [sys.executable, "-m", "edge", "demo", "--dir", str(folder), *words],
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
        start_new_session=True,
    )
    try:
        yield Demo(process, folder, words)
    finally:
        if process.poll() is None:
            process.kill()
        process.communicate()


def test_the_demo_shows_what_it_promises_and_ends_without_a_trace(tmp_path: Path) -> None:
    """Cycles, a warning and its end are told; page and broker answer; Ctrl-C leaves no process."""
    page_port, mqtt_port = free_port(0), free_port(0)
    ports = ("--port", str(page_port), "--mqtt-port", str(mqtt_port))
    topics: dict[str, bytes] = {}
    with demo(tmp_path, "--speed", "3600", *ports) as shown:
        head = shown.until("Ctrl-C ends it")
        assert "3600 times faster than life" in head
        assert f"http://127.0.0.1:{page_port}/" in head
        assert "simulated plant" in head

        client = mqtt.Client(CallbackAPIVersion.VERSION2)
        client.on_message = lambda _c, _d, message: topics.update({message.topic: message.payload})
        client.on_connect = lambda c, *_: c.subscribe("dryhold/saltmarsh-lane/#", qos=1)
        client.connect("127.0.0.1", mqtt_port)
        client.loop_start()

        shown.until("The generator stopped", "under its low limit", '"Low pressure" ended')
        page = urllib.request.urlopen(f"http://127.0.0.1:{page_port}/", timeout=20)
        text = page.read().decode()
        assert page.status == 200
        assert "Time runs 3600 times faster than life" in text
        assert "has stopped" not in text
        newest = json.loads((tmp_path / "run" / "latest.json").read_text())
        assert newest["monitor"]["demo"] == {"speed": 3600.0}
        assert abs(time.time() - (tmp_path / "run" / "latest.json").stat().st_mtime) < 10.0
        assert not re.search("clock was set", shown.said)
        assert topics["dryhold/saltmarsh-lane/availability"] == b"online"
        assert {"readings", "events"} <= {topic.rpartition("/")[2] for topic in topics}

        assert len(shown.parts()) == 3
        os.killpg(shown.process.pid, signal.SIGINT)  # as a terminal does on Ctrl-C
        assert "nothing of it is left running" in shown.rest()
        assert shown.process.returncode == 0
        assert shown.parts() == {}
        client.loop_stop()


def test_a_part_that_dies_ends_the_demo_with_its_reason(tmp_path: Path) -> None:
    """When the daemon is killed, the demo ends the rest, names the part and how, and exits 2."""
    ports = ("--port", str(free_port(0)), "--mqtt-port", str(free_port(0)))
    with demo(tmp_path, *ports) as shown:
        shown.until("Ctrl-C ends it")
        (daemon,) = [pid for words, pid in shown.parts().items() if "monitor" in words]
        os.kill(daemon, signal.SIGKILL)
        said = shown.rest()
        assert "the daemon ended by signal 9" in said
        assert shown.process.returncode == 2
        assert shown.parts() == {}


def test_the_demo_can_end_by_itself_and_cleans_up(tmp_path: Path) -> None:
    """--for ends it after so many seconds, with status 0, and without --dir its folder goes."""
    found = subprocess.run(
        [sys.executable, "-m", "edge", "demo", "--for", "0.5", "--port", str(free_port(0))],
        env={**os.environ, "TMPDIR": str(tmp_path)},
        capture_output=True,
        text=True,
        timeout=PATIENCE_S,
        check=False,
    )
    assert found.returncode == 0, found.stderr
    assert str(tmp_path) in found.stdout
    assert list(tmp_path.iterdir()) == []


def test_a_second_demo_in_one_folder_is_no_burst_pipe(tmp_path: Path) -> None:
    """The history goes on after a gap, and the plant's starting afresh raises no alert."""
    for _ in range(2):
        ports = ("--port", str(free_port(0)), "--mqtt-port", str(free_port(0)))
        with demo(tmp_path, "--for", "3", *ports) as shown:
            shown.rest()
            assert shown.process.returncode == 0
    with Reader(tmp_path / "state") as reader:
        kinds = [event["kind"] for event in reader.events(limit=1000)]
    assert kinds.count("monitor_started") == 2
    assert kinds.count("cut_in") >= 2
    assert "alert_raised" not in kinds


@pytest.mark.parametrize("words", [("--speed", "0"), ("--speed", "1e9"), ("--port", "70000")])
def test_senseless_options_are_refused(words: tuple[str, str]) -> None:
    """A speed or a port that cannot be exits 2 with what would do."""
    found = subprocess.run(
        [sys.executable, "-m", "edge", "demo", *words],
        capture_output=True,
        text=True,
        timeout=PATIENCE_S,
        check=False,
    )
    assert found.returncode == 2
    assert re.search(r"1 to \d+", found.stderr)


def test_fast_time_is_not_mistaken_for_a_clock_that_was_set() -> None:
    """Wall and steady time of the fast clock are of one moment, however long the machine dawdled."""
    life = [100.0]
    clock = FastClock(600.0, boot=lambda: life[0], wall=lambda: 1.7e9)
    life[0] += 1.0
    steady = clock.steady()
    life[0] += 0.05
    assert clock.utc() == steady == 1.7e9 + 600.0
