"""The page as the process that runs on the box."""

import json
import signal
import socket
import subprocess
import sys
import time
import urllib.request
from pathlib import Path

import depot

from edge.settings import Settings

OPENER = urllib.request.build_opener(urllib.request.ProxyHandler({}))  # this machine, no proxy


def start(saltmarsh: Path, state: Path, *more: str) -> subprocess.Popen[str]:
    command = [sys.executable, "-m", "edge", "page", "--settings", str(saltmarsh)]
    return subprocess.Popen(
        [*command, "--state", str(state), "--host", "127.0.0.1", *more],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )


def test_the_process_serves_until_it_is_told_to_stop(
    saltmarsh: Path, settings: Settings, tmp_path: Path
) -> None:
    """It says where it is, serves what the daemon wrote just now, and ends cleanly on SIGTERM."""
    now = time.time()
    depot.keep(tmp_path, settings, 0.05, until=now)
    depot.show(tmp_path, depot.newest(settings, "watch", at=now), saved_at=now)
    with start(saltmarsh, tmp_path, "--port", "0") as process:
        assert process.stdout is not None
        assert process.stderr is not None
        line = process.stdout.readline()
        base = line.split()[-1]
        assert line.startswith("Saltmarsh Lane depot: http://127.0.0.1:")
        with OPENER.open(f"{base}healthz", timeout=10.0) as answer:
            assert json.load(answer) == {"status": "ok", "faults": []}
        with OPENER.open(base, timeout=10.0) as answer:
            assert "Watch" in answer.read().decode()
        process.send_signal(signal.SIGTERM)
        assert process.wait(timeout=20.0) == 0
        assert process.stderr.read() == ""


def test_a_taken_port_is_said_in_a_sentence(saltmarsh: Path, tmp_path: Path) -> None:
    """A port in use is exit 2 with what was expected and found, not a traceback."""
    with socket.create_server(("127.0.0.1", 0)) as taken:
        port = taken.getsockname()[1]
        with start(saltmarsh, tmp_path, "--port", str(port)) as process:
            _, said = process.communicate(timeout=30.0)
    assert process.returncode == 2
    assert f"port {port}: expected a free port" in said
    assert "Traceback" not in said
