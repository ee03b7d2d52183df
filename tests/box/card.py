"""A whole machine, with a kernel of its own: its card read only, the history on another disk that is
found by its label, and a real I2C bus."""

import json
import re
import shutil
import subprocess
from pathlib import Path
from typing import Any

from tests.box import readme, whole
from tests.box.machine import Machine
from tests.box.service import PORT, Found, clone, events, install, up

QEMU = "qemu-system-x86_64"
WITHIN_S = 550.0  # its processor is emulated, so that it needs nothing of this machine's

# A bus with nothing on it, whose file is as README's rules for udev make it; and others, which the
# trial lets anybody open.
DEVICES = ("/dev/i2c-0", "/dev/vcs", "/dev/kmsg", "/dev/port", "/dev/input/event0")


def card(machine: Machine, repository: Path, _older: str | None, found: Found) -> None:
    """README's read-only card, followed on a machine with two disks; then without the second."""
    if shutil.which(QEMU) is None:
        print(f"       no {QEMU} here: not tried", flush=True)
        return
    machine.boot()
    text = clone(machine, repository, "HEAD")
    install(machine, text)
    up(machine, found, "installed")
    machine.do(
        "systemctl stop dryhold-page && sleep 1 && systemctl start dryhold-page"
        " && apt-get install -qy --no-install-recommends linux-image-amd64 e2fsprogs"
    )
    up(machine, found, "with a kernel of its own")
    before = {event["id"] for event in events()}
    machine.do("systemctl stop dryhold dryhold-page")
    folder = machine.root.parent
    disk = _moved(machine)
    lines = readme.block(text, "### A card that is never written", "fstab")
    (machine.root / "etc/fstab").write_text(f"/dev/vda / ext4 ro 0 1\n{lines}")
    journald = machine.root / "etc/systemd/journald.conf"
    journald.write_text(journald.read_text() + "Storage=volatile\n")
    whole.prepare(machine, "trial.py", "/dev/ttyS0", str(PORT), *DEVICES[1:])
    whole.opener(machine, "probe", DEVICES)
    (machine.root / "etc/modules-load.d/bus.conf").write_text("i2c-dev\ni2c-stub\n")
    (machine.root / "etc/modprobe.d/bus.conf").write_text("options i2c-stub chip_addr=0x48\n")
    machine.halt()
    whole.image(folder / "card.img", "3G", machine.root)
    whole.image(folder / "disk.img", "64M", disk, "-L", "dryhold")
    was = _sum(folder / "card.img")

    seen = _run(machine, folder / "disk.img")
    good = seen["states"] == ["active", "active"] and seen["healthz"][0] == 200
    found.say("booted from a card that is read only: both services are up and well", good, seen)
    label = seen["mounted"].split()[1:3] == ["dryhold", "ext4"]
    found.say("the history is on the disk of that label", label, seen["mounted"])
    lost = before - set(seen["events"])
    found.say("its history went with it, and goes on", not lost and seen["events"] != lost, lost)
    written = seen["root"] != "ro" or seen["root_written"]
    found.say("the root cannot be written", not written, seen)
    found.say("not one byte of the card has changed", _sum(folder / "card.img") == was)
    found.say("no unit has failed", not seen["failed"], seen["failed"])
    bus = seen["bus"] is not None and seen["bus"][1:] == ["i2c", 0o660]
    found.say("a real I2C bus belongs to its group, by the rules for udev", bus, seen["bus"])
    opened, anybody = seen["opened"], seen["anybody"]
    good = opened == [DEVICES[0]] and len(anybody) > 1 and DEVICES[0] not in anybody
    found.say("the daemon's sandbox opens that bus, and no other device", good, opened)
    print(f"       though anybody else could open {anybody}", flush=True)

    seen = _run(machine, None)
    found.say("without its disk neither service starts", "active" not in seen["states"], seen)
    found.say("but the machine does", seen["root"] == "ro", seen)
    found.say("and the card has not changed", _sum(folder / "card.img") == was)


def _moved(machine: Machine) -> Path:
    """What the state folder had, as it will be on the disk; its root is the user's."""
    disk = machine.root.parent / "moved"
    shutil.rmtree(disk, ignore_errors=True)
    machine.do("chown dryhold:dryhold /var/lib/dryhold")
    subprocess.run(["cp", "-a", machine.root / "var/lib/dryhold", disk], check=True)
    machine.do("rm -r /var/lib/dryhold/*")
    return disk


def _sum(path: Path) -> str:
    return subprocess.check_output(["sha256sum", path], text=True).split()[0]


def _run(machine: Machine, disk: Path | None) -> dict[str, Any]:
    """Boot it with that second disk, and what it says of itself before it goes off."""
    card = machine.root.parent / "card.img"
    disks = [path for path in (card, disk) if path is not None]
    drives = [word for path in disks for word in ("-drive", f"file={path},format=raw,if=virtio")]
    plain = [
        QEMU,
        "-machine",
        "q35,accel=tcg",
        "-cpu",
        "max",
        "-m",
        "1024",
        "-nographic",
        "-no-reboot",
    ]
    kernel = ["-kernel", machine.root / "vmlinuz", "-initrd", machine.root / "initrd.img"]
    words = ["-append", "root=/dev/vda ro console=ttyS0 quiet", "-nic", "none"]
    done = subprocess.run(
        [*plain, *kernel, *words, *drives],
        stdin=subprocess.DEVNULL,
        capture_output=True,
        text=True,
        errors="replace",
        timeout=WITHIN_S,
        check=False,
    )
    seen = re.search(r"TRIAL (\{.*\})", done.stdout)
    assert seen is not None, done.stdout[-3000:] + done.stderr[-1000:]
    found: dict[str, Any] = json.loads(seen[1])
    return found
