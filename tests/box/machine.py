"""A booted Debian in a folder: a real systemd to install on, without a machine of its own."""

import contextlib
import os
import shutil
import signal
import subprocess
import threading
import time
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

RELEASE = "bookworm"
# What a Raspberry Pi's system has and a bare root has not: a clone needs git, README's lines udev.
PACKAGES = ("systemd", "systemd-sysv", "dbus", "udev", "ca-certificates", "git", "iproute2")

# The container's /sys is the host's and read-only, so this one word of README's is only rehearsed.
UDEVADM = """#!/bin/sh
[ "$1" = trigger ] && set -- trigger --dry-run
exec /usr/bin/udevadm "$@"
"""
UDEV_UNITS = (
    "systemd-udevd.service",
    "systemd-udevd-control.socket",
    "systemd-udevd-kernel.socket",
)

WHERE = ("base", "root")

PASSED_ON = ("PIP_", "SSL_CERT_FILE", "REQUESTS_CA_BUNDLE", "http_proxy", "https_proxy", "no_proxy")


WITHIN_S = 580.0
EMULATED = 4.0
"""How many times longer everything may take where each program's processor is emulated."""


def until(done: Callable[[], Any], within_s: float, what: str, every_s: float = 0.5) -> Any:
    """The first answer that is one, asked for twice a second or so often."""
    end = time.monotonic() + within_s
    while True:
        found = done()
        if found:
            return found
        if time.monotonic() > end:
            raise AssertionError(f"waited {within_s:.0f} s in vain for {what}")
        threading.Event().wait(every_s)


CONTROL_GROUPS = Path("/sys/fs/cgroup")
LIMITS = ("memory", "devices", "pids")

ENTER = 'for group; do [ "$group" = -- ] && break; echo $$ > "$group/cgroup.procs"; shift; done'
"""A shell's way into control groups before it becomes what comes after the two dashes."""


def _own_groups() -> dict[str, Path]:
    """A control group for the container under this process's own, for each limit that the kernel
    keeps in a hierarchy of its own (version 1). The container is given those to read only, so that
    its units' limits would not hold; with version 2 there are none, and nothing to be done."""
    found = {}
    for line in Path("/proc/self/cgroup").read_text().splitlines():
        _, names, path = line.split(":", 2)
        for name in set(names.split(",")) & set(LIMITS):
            found[name] = CONTROL_GROUPS / name / path.lstrip("/") / f"dryhold-box-{os.getpid()}"
    return found


def _gone(group: Path) -> bool:
    try:
        group.rmdir()
    except OSError:
        return False  # whoever was in it is still ending
    return True


class Machine:
    """One root, booted and halted as often as asked; it shares this machine's network."""

    def __init__(
        self, folder: Path, copied: Sequence[Path], bound: Sequence[Path], arch: str | None = None
    ) -> None:
        """`copied` files and folders of this machine stand in the root too (certificates, package
        settings); `bound` ones are mounted there, read-only. With `arch`, one of Debian's names,
        every program in it is of that processor, which is emulated one by one."""
        self.times = 1.0 if arch is None else EMULATED
        self._base, self.root = (folder / f"{n}{f'-{arch}' if arch else ''}" for n in WHERE)
        self._bound = bound
        made = folder / f"{self._base.name}.made"
        if not made.exists():  # or was begun and not ended
            shutil.rmtree(self._base, ignore_errors=True)
            packages = f"--include={','.join(PACKAGES)}"
            here = ["debootstrap", "--variant=minbase", packages, RELEASE, str(self._base)]
            here[1:1] = ["--arch", arch] if arch else []
            subprocess.run(here, check=True, stdout=subprocess.DEVNULL)
            made.touch()
        if self.root.exists():
            shutil.rmtree(self.root)
        subprocess.run(["cp", "-a", "--reflink=auto", self._base, self.root], check=True)
        for path in copied:
            there = self.root / path.relative_to("/")
            there.parent.mkdir(parents=True, exist_ok=True)
            subprocess.run(["cp", "-aLT", "--remove-destination", path, there], check=True)
        shim = self.root / "usr/local/bin/udevadm"
        shim.write_text(UDEVADM)
        shim.chmod(0o755)
        for unit in UDEV_UNITS:
            drop_in = self.root / "etc/systemd/system" / f"{unit}.d" / "container.conf"
            drop_in.parent.mkdir(parents=True)
            drop_in.write_text("[Unit]\nConditionPathIsReadWrite=\n")
        self._groups = _own_groups()
        self._leader: int | None = None
        self._nspawn: subprocess.Popen[bytes] | None = None
        self._log = folder / "console.log"

    def boot(self, *more: str) -> None:
        bound = [f"--bind-ro={path}" for path in self._bound]
        quiet = ["--register=no", "--keep-unit", "--console=pipe", "-q"]
        for group in self._groups.values():
            group.mkdir(exist_ok=True)
        enter = ["sh", "-ec", f'{ENTER}; shift; exec "$@"', "sh", *self._groups.values(), "--"]
        with self._log.open("ab") as log:
            self._nspawn = subprocess.Popen(
                [*enter, "systemd-nspawn", "-D", self.root, *quiet, "--boot", *bound, *more],
                stdin=subprocess.DEVNULL,
                stdout=log,
                stderr=log,
            )
        nspawn = self._nspawn.pid
        children = Path(f"/proc/{nspawn}/task/{nspawn}/children")
        self._leader = int(until(lambda: children.read_text().split(), 30, "the container")[0])
        states = ("running", "degraded")
        self.until(lambda: self.ask("systemctl is-system-running").strip() in states, 90, "boot")
        for name in self._groups:
            self.do(f"mount -o remount,bind,rw {CONTROL_GROUPS / name}")
        self.do("systemctl daemon-reexec")  # which looks again at what there is

    def until(self, done: Callable[[], Any], within_s: float, what: str) -> Any:
        """The same, with the time that this machine needs."""
        return until(done, within_s * self.times, what)

    def halt(self) -> None:
        if self._nspawn is not None:
            if self._leader is None:
                self._nspawn.terminate()
            else:  # in good order
                self.shell("systemctl poweroff --no-block")
            try:
                self._nspawn.wait(90.0)
            except subprocess.TimeoutExpired:
                self._nspawn.kill()
                self._nspawn.wait(10.0)
                if self._leader is not None:
                    with contextlib.suppress(ProcessLookupError):
                        os.kill(self._leader, signal.SIGKILL)  # and all within
        self._nspawn = self._leader = None
        for group in self._groups.values():
            for folder, _, _ in os.walk(group, topdown=False):  # none is left of a second time
                until(lambda place=Path(folder): _gone(place), 30, f"{folder} to be empty")

    def shell(self, script: str, where: str = "/root") -> subprocess.CompletedProcess[str]:
        """A script as root, as if typed in that folder; ends at the first line that fails."""
        kept = {k: v for k, v in os.environ.items() if k.startswith(PASSED_ON)}
        inside = ["nsenter", "-t", str(self._leader), "-m", "-u", "-i", "-n", "-p", "-C"]
        return subprocess.run(
            [*inside, "bash", "-euo", "pipefail", "-c", f"cd {where}\n{script}"],
            env={
                **kept,
                "PATH": "/usr/local/sbin:/usr/local/bin:/usr/sbin:/usr/bin:/sbin:/bin",
                "HOME": "/root",
                "DEBIAN_FRONTEND": "noninteractive",
                "LC_ALL": "C.UTF-8",
            },
            capture_output=True,
            text=True,
            errors="replace",
            timeout=WITHIN_S * self.times,
            check=False,
        )

    def ask(self, script: str) -> str:
        """What a script prints, whatever its end."""
        return self.shell(script).stdout

    def do(self, script: str, where: str = "/root") -> str:
        """What a script prints; AssertionError with all it said where a line fails."""
        done = self.shell(script, where)
        assert done.returncode == 0, f"{script}\n{done.stdout[-3000:]}\n{done.stderr[-3000:]}"
        return done.stdout
