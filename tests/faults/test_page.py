"""A page that hangs, as a process, beside a whole monitor."""

import contextlib
import os
import signal
import socket
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parents[1] / "tell"))
from brokers import DEADLINE_S, until

from tests.faults.monitor import LOW_V, PRESSURE, Monitor


@pytest.fixture
def monitor(tmp_path: Path) -> Iterator[Monitor]:
    made = Monitor(tmp_path)
    yield made
    made.kill()


def test_a_page_that_hangs(monitor: Monitor, saltmarsh: Path, tmp_path: Path) -> None:
    """The page says to systemd that it is ready only after it answered itself, and feeds the watchdog
    only so; stopped, it is silent, the alert says that it runs and answers nobody, and a fall is told;
    going on, it feeds the watchdog again and the alert ends."""
    monitor.start()
    monitor.tick(60)
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as systemd:
        systemd.bind(str(tmp_path / "notify"))
        systemd.settimeout(DEADLINE_S)
        where = ["--state", monitor.state, "--runtime", monitor.runtime, "--port", "0"]
        with subprocess.Popen(
            [sys.executable, "-m", "edge", "page", "--settings", saltmarsh, *where],
            env={**os.environ, "NOTIFY_SOCKET": str(tmp_path / "notify")},
            cwd=Path(__file__).parents[2],
            stdout=subprocess.DEVNULL,
        ) as page:
            try:
                assert systemd.recv(100) == b"READY=1\nWATCHDOG=1"
                page.send_signal(signal.SIGSTOP)
                monitor.tick(300)
                assert monitor.alerts() == {"monitor_fault/page"}
                assert "answers nobody" in monitor.shown()["monitor"]["troubles"]["page"]
                monitor.volts(PRESSURE, LOW_V)
                monitor.tick(120)
                assert "low_pressure" in monitor.alerts()
                _drain(systemd)
                page.send_signal(signal.SIGCONT)
                assert systemd.recv(100) == b"WATCHDOG=1"
                until(lambda: "page" not in _troubles(monitor), "the page to be heard")
                monitor.tick(60)
                assert "monitor_fault/page" not in monitor.alerts()
            finally:
                page.send_signal(signal.SIGCONT)
                page.terminate()
                page.wait(20.0)
        assert page.returncode == 0


def _drain(line: socket.socket) -> None:
    """What was said before it was stopped."""
    line.setblocking(False)
    with contextlib.suppress(BlockingIOError):
        while line.recv(100):
            pass
    line.settimeout(DEADLINE_S)


def _troubles(monitor: Monitor) -> dict[str, str]:
    monitor.tick(10)
    found: dict[str, str] = monitor.shown()["monitor"]["troubles"]
    return found
