"""The daemon's and the page's own commands, started with settings that have been broken since."""

import json
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

sys.path.insert(0, str(Path(__file__).parents[1] / "tell"))
from brokers import until

from edge.__main__ import main

ROOT = Path(__file__).parents[2]


@pytest.fixture
def site(saltmarsh: Path, tmp_path: Path) -> Path:
    path = tmp_path / "site.toml"
    path.write_text(saltmarsh.read_text() + '[keeping]\nevery = "0.2 s"\n')
    return path


def start(word: str, site: Path, *more: str) -> "subprocess.Popen[str]":
    state = site.parent / "state"
    return subprocess.Popen(
        [sys.executable, "-m", "edge", word, "--settings", site, "--state", state, *more],
        stdout=subprocess.PIPE,
        text=True,
        cwd=ROOT,
    )


def newest(site: Path, done: Callable[[dict[str, Any]], object]) -> None:
    """Wait until the newest that the page reads is such."""
    latest = site.parent / "state" / "latest.json"
    until(
        lambda: latest.exists() and done(json.loads(latest.read_bytes())["monitor"]),
        "the daemon to show it",
    )


def test_the_last_good_settings_are_used_while_the_file_is_broken(site: Path) -> None:
    """A restart with a broken file goes on with the settings that last were good, on the page too,
    and says so; `check` still refuses the file; mended, with a change, it is taken; and without any
    good ones the daemon does not start."""
    good = site.read_text()
    daemon = start("run", site)
    newest(site, lambda monitor: monitor["troubles"] == {})
    daemon.terminate()
    daemon.communicate(timeout=30)

    site.write_text(good.replace('cut_in = "38 psi"', 'cut_in = "58 psi"'))
    assert main(["check", str(site)]) == 1
    daemon = start("run", site)
    newest(site, lambda monitor: "cut_out" in str(monitor["troubles"]))
    page = start("page", site, "--host", "127.0.0.1", "--port", "0")
    assert page.stdout is not None
    assert page.stdout.readline().startswith("Saltmarsh Lane depot: http://")
    for process in (daemon, page):
        process.terminate()
        process.communicate(timeout=30)

    site.write_text(good.replace("Saltmarsh Lane depot", "Saltmarsh Lane yard"))
    daemon = start("run", site)
    newest(site, lambda monitor: monitor["troubles"] == {})
    daemon.terminate()
    daemon.communicate(timeout=30)
    kept = site.parent / "state" / "last-good.toml"
    assert "Saltmarsh Lane yard" in kept.read_text()

    site.write_text("nonsense")
    kept.unlink()
    daemon = start("run", site)
    daemon.communicate(timeout=30)
    assert daemon.returncode == 2
