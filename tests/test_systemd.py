"""The systemd units, as systemd itself sees them."""

import os
import re
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest

SYSTEMD = Path(__file__).parents[1] / "systemd"
UNITS = sorted(path.name for path in SYSTEMD.glob("*.service"))


def as_installed(unit: str, folder: Path) -> Path:
    """The unit with its program where this machine has one, since verify looks for it."""
    text = (SYSTEMD / unit).read_text()
    program = folder / "dryhold"
    program.write_text("#!/bin/sh\n")
    program.chmod(0o755)
    placed, times = re.subn(
        r"(?m)^ExecStart=/opt/dryhold/bin/dryhold ", f"ExecStart={program} ", text
    )
    assert times == 1
    copy = folder / unit
    copy.write_text(placed)
    return copy


def analyze(needs: Callable[[str], str], *words: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [needs("systemd-analyze"), *words], capture_output=True, text=True, timeout=60, check=False
    )


@pytest.mark.parametrize("unit", UNITS)
def test_systemd_finds_no_fault_in_the_units(
    unit: str, needs: Callable[[str], str], tmp_path: Path
) -> None:
    """verify with every error counted passes each unit, and says nothing."""
    copy = as_installed(unit, tmp_path)
    found = analyze(needs, "verify", "--recursive-errors=yes", "--man=no", str(copy))
    about_ours = [line for line in (found.stdout + found.stderr).splitlines() if unit in line]
    assert (found.returncode, about_ours) == (0, []), found.stderr


def test_verify_would_have_seen_a_typing_error(needs: Callable[[str], str], tmp_path: Path) -> None:
    """The same call fails on a misspelt key, so that its silence means something."""
    copy = as_installed("dryhold.service", tmp_path)
    copy.write_text(copy.read_text().replace("WatchdogSec=", "WatchdogSecs="))
    found = analyze(needs, "verify", "--recursive-errors=yes", "--man=no", str(copy))
    assert found.returncode != 0
    assert "WatchdogSecs" in found.stderr


@pytest.mark.parametrize("unit", UNITS)
def test_units_are_hardened(unit: str, needs: Callable[[str], str]) -> None:
    """systemd rates the exposure of each unit at 2.0 of 10 or less."""
    found = analyze(
        needs, "security", "--offline=true", "--threshold=20", "--no-pager", str(SYSTEMD / unit)
    )
    assert found.returncode == 0, found.stdout[-300:] + found.stderr


def test_the_daemon_reaches_its_sensors_and_nothing_else() -> None:
    """The device list is closed but for I2C and GPIO, and devices are not hidden altogether."""
    lines = (SYSTEMD / "dryhold.service").read_text().splitlines()
    assert "DevicePolicy=closed" in lines
    allowed = [line for line in lines if line.startswith("DeviceAllow=")]
    assert allowed == ["DeviceAllow=char-i2c rw", "DeviceAllow=char-gpiochip rw"]
    assert not any(line.startswith("PrivateDevices=") for line in lines)
    assert "Type=notify" in lines
    assert any(line.startswith("WatchdogSec=") for line in lines)


DRIVERS = """
import contextlib, os, sys
asked = set()
sys.addaudithook(lambda event, given: event == "open" and asked.add(str(given[0])))
import edge.sensors.ads1115
from edge.sensors.gpio import open_pi_pins, pin_faults
with contextlib.suppress(*pin_faults()):
    open_pi_pins().close()
print(*(path for path in asked if path.startswith("/proc/")), sep="\\n")
"""


def test_the_daemon_sees_what_its_drivers_ask_of_the_machine(
    needs_package: Callable[[str], None], tmp_path: Path
) -> None:
    """What loading the drivers opens in /proc, beside what is about processes, is not hidden."""
    needs_package("lgpio")
    asked = subprocess.run(
        [sys.executable, "-c", DRIVERS],
        env={**os.environ, "PYTHONPATH": str(SYSTEMD.parent), "LG_WD": str(tmp_path)},
        capture_output=True,
        text=True,
        timeout=60,
        check=True,
    ).stdout.split()
    beside = [path for path in asked if not re.match(r"/proc/(self|\d+)/", path)]
    assert "/proc/cpuinfo" in beside
    lines = (SYSTEMD / "dryhold.service").read_text().splitlines()
    assert not any(line.startswith(("ProcSubset=pid", "InaccessiblePaths=/proc")) for line in lines)


def test_users_and_folders_are_what_the_units_expect(
    needs: Callable[[str], str], tmp_path: Path
) -> None:
    """systemd-sysusers and systemd-tmpfiles make user, groups and folder in an empty root."""
    (tmp_path / "etc").mkdir()
    for program, given in (
        ("systemd-sysusers", "sysusers.conf"),
        ("systemd-tmpfiles", "tmpfiles.conf"),
    ):
        extra = ["--create"] if program == "systemd-tmpfiles" else []
        found = subprocess.run(
            [needs(program), *extra, f"--root={tmp_path}", str(SYSTEMD / given)],
            capture_output=True,
            text=True,
            timeout=60,
            check=False,
        )
        assert found.returncode == 0, found.stderr
    passwd = (tmp_path / "etc/passwd").read_text()
    groups = (tmp_path / "etc/group").read_text()
    assert re.search(r"(?m)^dryhold:x:\d+:\d+:dryhold:/var/lib/dryhold:", passwd)
    assert re.search(r"(?m)^i2c:.*\bdryhold$", groups)
    assert re.search(r"(?m)^gpio:.*\bdryhold$", groups)
    assert (tmp_path / "etc/dryhold").is_dir()


def test_readme_removes_all_that_it_installs() -> None:
    """Every file that README's lines put on a box comes from the repository, and is named where it is removed."""
    root = SYSTEMD.parent
    readme = (root / "README.md").read_text()
    blocks = [
        part.partition("```sh\n")[2].partition("```")[0]
        for part in (
            readme.partition("## Putting it on a box")[2],
            readme.partition("**Remove**")[2],
        )
    ]
    made, removed = blocks
    put = [
        line.partition("#")[0].split()[3:] for line in made.splitlines() if "install -m 644" in line
    ]
    placed = set()
    for *sources, target in put:
        for source in sources:
            assert (root / source).is_file(), source
            placed.add(target + Path(source).name if target.endswith("/") else target)
    assert {Path(path).name for path in placed} >= set(UNITS)
    assert placed | {"/opt/dryhold", "/etc/dryhold", "/var/lib/dryhold"} <= set(removed.split())
