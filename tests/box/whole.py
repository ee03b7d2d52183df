"""A root made into a whole machine, with a kernel of its own."""

import re
import subprocess
from pathlib import Path

from tests.box import sandbox
from tests.box.machine import Machine

TRIAL = """[Unit]
After=multi-user.target
[Service]
Type=oneshot
ExecStart=/opt/dryhold/bin/python /usr/local/lib/{program} {words}
ExecStartPost=/usr/bin/systemctl poweroff --no-block
StandardOutput=tty
TTYPath={terminal}
[Install]
WantedBy=multi-user.target
"""


def prepare(machine: Machine, program: str, terminal: str, *words: str) -> None:
    """A root that boots by itself, where that file from here looks on and says so there."""
    root = machine.root
    for name, text in ((program, _beside(program)), ("opens.py", sandbox.OPENS)):
        (root / "usr/local/lib" / name).write_text(text)
    trial = TRIAL.format(program=program, terminal=terminal, words=" ".join(words))
    (root / "etc/systemd/system/trial.service").write_text(trial)
    machine.do("rm /usr/local/bin/udevadm; rm -r /etc/systemd/system/systemd-udevd*.d")
    machine.do("systemctl enable trial")


def opener(machine: Machine, name: str, devices: tuple[str, ...], leave_out: str = "") -> None:
    """A unit like the daemon's, less the lines of `leave_out`, that says in /run/NAME.out which of
    the devices open for it."""
    unit = (machine.root / "etc/systemd/system/dryhold.service").read_text()
    command = f"/opt/dryhold/bin/python /usr/local/lib/opens.py {' '.join(devices)}"
    unit = re.sub(r"(?m)^ExecStart=.*", f"ExecStart={command}", unit)
    unit = re.sub(r"(?m)^(Type|Restart|WatchdogSec|NotifyAccess|RuntimeDirectory\w*)=.*", "", unit)
    if leave_out:
        unit, times = re.subn(rf"(?m)^{re.escape(leave_out)}$", "", unit)
        assert times == 1, leave_out
    unit += f"\n[Service]\nType=oneshot\nStandardOutput=truncate:/run/{name}.out\n"
    (machine.root / f"etc/systemd/system/{name}.service").write_text(unit)


def _beside(name: str) -> str:
    return (Path(__file__).parent / name).read_text()


def image(path: Path, size: str, source: Path, *more: str) -> None:
    """A disk's image with what a folder has."""
    path.unlink(missing_ok=True)
    made = ["mkfs.ext4", "-q", "-F", *more, "-d", str(source), str(path), size]
    subprocess.run(made, check=True, stdout=subprocess.DEVNULL)
