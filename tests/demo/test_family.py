"""The demo's processes live and end together, and its ports are free ones. Real processes."""

import os
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path

import pytest

from edge.demo.family import ChildDiedError, Family
from edge.demo.place import answers, free_port, write_settings
from edge.settings import load

PATIENT = "import time, sys; print('up', flush=True); time.sleep(600)"
STUBBORN = (
    "import signal, time; signal.signal(signal.SIGTERM, signal.SIG_IGN);"
    "print('up', flush=True); time.sleep(600)"
)
SHORT = "import sys; print('the disk is gone', file=sys.stderr); sys.exit(3)"


def eventually(true: Callable[[], bool], within_s: float = 20.0) -> None:
    deadline = time.monotonic() + within_s
    while not true():
        assert time.monotonic() < deadline, "it did not come about in time"
        time.sleep(0.02)


def gone(pid: int) -> bool:
    """No such process, or one that has ended and waits to be collected."""
    try:
        return Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[0] in "ZX"
    except FileNotFoundError:
        return True


def children_of(pid: int) -> list[int]:
    text = Path(f"/proc/{pid}/task/{pid}/children").read_text()
    return [int(word) for word in text.split()]


def up(folder: Path, *names: str) -> None:
    eventually(lambda: all("up" in (folder / f"{n}.log").read_text() for n in names))


def test_a_child_that_dies_is_reported_with_its_last_words(tmp_path: Path) -> None:
    """check() names the part, its exit status and what it said last; the others still end."""
    others = set(children_of(os.getpid()))  # a browser's, where one was driven before
    family = Family(tmp_path)
    family.start("watcher", ["-c", PATIENT])
    family.check()
    family.start("keeper", ["-c", SHORT])
    ours = set(children_of(os.getpid())) - others
    with pytest.raises(ChildDiedError, match=r"the keeper ended with status 3(?s:.*)disk is gone"):
        family.wait_for("nothing", lambda: False, 20.0)
    family.end()
    assert len(ours) == 2
    assert all(gone(pid) for pid in ours)


def test_waiting_for_what_never_comes_ends(tmp_path: Path) -> None:
    """wait_for gives up at its deadline and says what was missing."""
    with pytest.raises(TimeoutError, match="the moon was not ready within 0 s"):
        Family(tmp_path).wait_for("the moon", lambda: False, 0.0)


def test_even_a_child_that_will_not_go_is_ended(tmp_path: Path) -> None:
    """A child that ignores SIGTERM is killed after its time."""
    family = Family(tmp_path, end_s=0.2)
    before = set(children_of(os.getpid()))
    family.start("stubborn", ["-c", STUBBORN])
    up(tmp_path, "stubborn")
    (pid,) = set(children_of(os.getpid())) - before
    family.end()
    assert gone(pid)


def test_no_child_outlives_a_killed_parent(tmp_path: Path) -> None:
    """When the parent itself is killed with SIGKILL, the kernel ends its children."""
    parent = subprocess.Popen(
        [
            sys.executable,
            "-c",
            "import sys, time; from pathlib import Path; from edge.demo.family import Family\n"
            "family = Family(Path(sys.argv[1]))\n"
            "for name in ('one', 'two'): family.start(name, ['-c', sys.argv[2]])\n"
            "time.sleep(600)",
            str(tmp_path),
            PATIENT,
        ]
    )
    eventually(lambda: (tmp_path / "two.log").exists())
    up(tmp_path, "one", "two")
    children = children_of(parent.pid)
    assert len(children) == 2
    parent.send_signal(signal.SIGKILL)
    parent.wait()
    eventually(lambda: all(gone(pid) for pid in children))


def test_a_taken_port_is_replaced_by_a_free_one() -> None:
    """The wanted port is given when it is free, another when somebody listens there."""
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        wanted = taken.getsockname()[1]
        assert answers(wanted)
        other = free_port(wanted)
        assert other != wanted
    assert free_port(other) == other
    assert not answers(other)


@pytest.mark.parametrize("speed", [1.0, 300.0, 3600.0])
def test_the_demos_settings_are_sound(speed: float, tmp_path: Path) -> None:
    """At any speed the written file passes the check, and disk and broker are spared the speed."""
    path = tmp_path / "site.toml"
    write_settings(path, 8123, 1999, speed)
    settings = load(path)
    assert {c.input for c in settings.channel} == {"simulated:depot"}
    assert (settings.page.port, settings.mqtt[0].port) == (8123, 1999)
    assert settings.keeping.write_every_s >= 2 * speed
    assert settings.mqtt[0].readings_every_s >= speed
