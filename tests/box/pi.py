"""README's install on a Raspberry Pi's processor, and then on a whole emulated Raspberry Pi 3 with
its GPIO chip, whose pins are moved from outside as a contact would."""

import contextlib
import json
import queue
import re
import shutil
import socket
import subprocess
import tempfile
import threading
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from tests.box import servers, whole
from tests.box.machine import Machine, until
from tests.box.service import PORT, UNITS, Found, answer, clone, healthy, install, show, up

ARCH = "arm64"
QEMU = "qemu-system-aarch64"
STAYS_S = 120.0
WITHIN_S = 900.0  # all of the computer is emulated

ALONE = "[Service]\nPrivateUsers=no\n"
"""An emulated process cannot have a user name space of its own. The whole emulated machine has a
kernel of its own, and there the unit is as it ships."""

REGISTERS = 0x3F200000
"""The registers of the GPIO chip as the processor sees them (BCM2835 ARM Peripherals, 6.1; with the
base of the BCM2837)."""
SET, CLEAR, LEVEL = REGISTERS + 0x1C, REGISTERS + 0x28, REGISTERS + 0x34

CONTACT, BEACON = 17, 27  # hardware.md
ADC = "ads1115:0x48/0"
CHIP, BUS, OTHER = DEVICES = "/dev/gpiochip0", "/dev/i2c-1", "/dev/vcs"
"""The last is no sensor's; the trial lets anybody open any of them."""
PINS = f"""
[box]
beacon = "gpio:{BEACON}"
"""

REVISION = "a02082"
"""A Raspberry Pi 3 Model B 1.2, which its firmware writes into the device tree; here nobody does."""

EMULATOR = Path("/proc/sys/fs/binfmt_misc/qemu-aarch64")
"""There where this machine's kernel gives such programs to qemu-user-static."""


def pi(machine: Machine, repository: Path, _older: str | None, found: Found) -> None:
    """First the root alone, program by program; then all of the computer."""
    override = machine.root / "etc/systemd/system/dryhold-page.service.d/emulated.conf"
    override.parent.mkdir(parents=True)
    override.write_text(ALONE)
    machine.boot()
    processor = machine.do("dpkg --print-architecture; uname -m").split()
    found.say("its programs are a Raspberry Pi's", processor == [ARCH, "aarch64"], processor)
    text = clone(machine, repository, "HEAD")
    install(machine, text)
    up(machine, found, f"installed on {ARCH}")
    _stays(machine, found)
    status, first = answer("/")
    found.say("the first view is shown", status == 200 and "Saltmarsh Lane depot" in first, status)
    servers.heard(machine, found)
    if None in (shutil.which(QEMU), shutil.which("fdtput")):
        print(f"       no {QEMU} or no fdtput here: no whole machine tried", flush=True)
        return
    machine.do("systemctl stop dryhold dryhold-page")
    shutil.rmtree(override.parent)
    _hooked_up(machine)
    few = machine.root / "etc/initramfs-tools"
    (few / "conf.d").mkdir(parents=True)
    (few / "conf.d/few").write_text("MODULES=list\n")  # all of them would take ten minutes
    (few / "modules").write_text("bcm2835\nmmc_block\next4\n")
    machine.do(
        "apt-get install -qy --no-install-recommends -o Dpkg::Options::=--force-confold"
        " linux-image-arm64 e2fsprogs"
    )
    whole.prepare(machine, "pi_trial.py", "/dev/console", *DEVICES)
    whole.opener(machine, "probe", DEVICES)
    for name in ("gpiochip", "i2c"):
        line = f"DeviceAllow=char-{name} rw"
        whole.opener(machine, f"without-{name}", DEVICES, leave_out=line)
    (machine.root / "etc/modules-load.d/bus.conf").write_text("i2c-dev\n")
    (machine.root / "etc/fstab").write_text("LABEL=pi / ext4 noatime 0 1\n")
    machine.halt()
    with _booted(machine) as computer:
        _tried(computer, found)


def _stays(machine: Machine, found: Found) -> None:
    """Both services, for two minutes without a restart; each look is a question to the page."""
    before = [show(machine, unit, "MainPID") for unit in UNITS]
    end, looks = time.monotonic() + STAYS_S, []
    while time.monotonic() < end:
        looks.append(healthy())
        threading.Event().wait(5.0)
    after = [show(machine, unit, "MainPID") for unit in UNITS]
    good = all(looks) and before == after and "0" not in after
    found.say(f"both stay up for {STAYS_S:.0f} s and well", good, (looks, before, after))


def _hooked_up(machine: Machine) -> None:
    """The run contact on its pin, and a beacon; of the ADC that is named nothing is there."""
    site = machine.root / "etc/dryhold/site.toml"
    text = (machine.root / "root/dryhold/edge/saltmarsh.toml").read_text()
    for name, wired in (("running", f"gpio:{CONTACT}"), ("line_pressure", ADC)):
        row = rf'(name = "{name}"\n(?:[a-z].*\n)*?input = )"simulated"'
        text, times = re.subn(row, rf'\1"{wired}"', text)
        assert times == 1, name
    site.write_text(f"{text}{PINS}\n[page]\nport = {PORT}\n")


class _Computer:
    """What it says, and its pins."""

    def __init__(self, qemu: subprocess.Popen[bytes], pins: Path) -> None:
        self._qemu = qemu
        self._said: queue.SimpleQueue[str | None] = queue.SimpleQueue()
        self._heard: list[str] = []
        threading.Thread(target=self._listen, daemon=True).start()
        self._pins = socket.socket(socket.AF_UNIX)
        self._pins.settimeout(60.0)
        end = time.monotonic() + 30.0
        while True:
            try:
                self._pins.connect(str(pins))
                break
            except OSError:
                if time.monotonic() > end or qemu.poll() is not None:
                    raise
                threading.Event().wait(0.1)
        self._answers = self._pins.makefile("r")

    def _listen(self) -> None:
        assert self._qemu.stdout is not None
        for line in self._qemu.stdout:
            self._said.put(line.decode(errors="replace"))
        self._said.put(None)

    def says(self, word: str, within_s: float = WITHIN_S) -> dict[str, Any]:
        """The next thing that it says after that word; AssertionError where it never does."""
        end = time.monotonic() + within_s
        with contextlib.suppress(queue.Empty):
            while (line := self._said.get(timeout=max(0.0, end - time.monotonic()))) is not None:
                self._heard.append(line)
                said = re.search(rf"{word} (\{{.*\}})", line)
                if said is not None:
                    found: dict[str, Any] = json.loads(said[1])
                    return found
        raise AssertionError(f"never said {word}: {''.join(self._heard[-40:])}")

    def _ask(self, words: str) -> str:
        self._pins.sendall(f"{words}\n".encode())
        answer = self._answers.readline().split()
        assert answer[:1] == ["OK"], (words, answer)
        return answer[-1]

    def put(self, pin: int, high: bool) -> None:
        """What is wired to that pin pulls it there."""
        self._ask(f"writel {SET if high else CLEAR:#x} {1 << pin:#x}")

    def high(self, pin: int) -> bool:
        return bool(int(self._ask(f"readl {LEVEL:#x}"), 16) & 1 << pin)


@contextlib.contextmanager
def _booted(machine: Machine) -> Iterator[_Computer]:
    folder, root = machine.root.parent, machine.root
    whole.image(folder / "pi.img", "4G", root, "-L", "pi")
    tree = folder / "pi.dtb"
    shutil.copy(next(root.glob("usr/lib/linux-image-*/broadcom/bcm2837-rpi-3-b.dtb")), tree)
    subprocess.run(
        ["fdtput", "-p", "-t", "x", tree, "/system", "linux,revision", REVISION], check=True
    )
    plain = [QEMU, "-machine", "raspi3b", "-display", "none", "-no-reboot", "-serial", "stdio"]
    kernel = ["-kernel", root / "vmlinuz", "-initrd", root / "initrd.img", "-dtb", tree]
    words = ["-append", "root=LABEL=pi rw console=ttyAMA0,115200 quiet"]
    card = ["-drive", f"file={folder / 'pi.img'},format=raw,if=sd"]
    with tempfile.TemporaryDirectory(prefix="dryhold-pins-") as short:
        pins = Path(short) / "pins"
        wire = ["-qtest", f"unix:{pins},server=on,wait=off", "-qtest-log", "none"]
        qemu = subprocess.Popen(
            [*plain, *kernel, *words, *card, *wire],
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
        )
        try:
            yield _Computer(qemu, pins)
        finally:
            qemu.kill()
            qemu.wait(30.0)


def _tried(computer: _Computer, found: Found) -> None:
    seen = computer.says("TRIAL")
    found.say("on a whole Raspberry Pi 3: both services are up", seen["up"], seen)
    found.say("no unit has failed", not seen["failed"], seen["failed"])
    found.say("the page says that all is well", seen["healthz"][0] == 200, seen["healthz"])
    small = seen["up"] and max(seen["memory"].values()) < 64.0
    found.say("each has taken under 64 MB", small, seen["memory"])
    print(f"       {seen['model']}: {seen['memory']} MB", flush=True)
    groups = {CHIP: ["gpio", 0o660], BUS: ["i2c", 0o660]}
    good = groups.items() <= seen["nodes"].items()
    found.say("GPIO chip and bus belong to their groups, by the rules for udev", good, seen)
    good = seen["probe"] == [CHIP, BUS] and seen["anybody"] == [*DEVICES]
    found.say("the daemon's sandbox opens both, and no other device", good, seen["probe"])
    good = seen["without-gpiochip"] == [BUS] and seen["without-i2c"] == [CHIP]
    found.say("without its line in DeviceAllow= neither, whoever may", good, seen)
    good = seen["adc"]["status"] == "failure" and "I2C" in seen["adc"]["why"]
    found.say("what is said of an ADC that is not there is the bus's own", good, seen["adc"])
    print(f"       {seen['adc']['why']}", flush=True)
    for closed in (True, False, True):
        computer.put(CONTACT, high=not closed)
        with contextlib.suppress(AssertionError):
            while (seen := computer.says("RUNNING", 120.0)).get("value") != float(closed):
                pass
        what = "closes: the daemon sees a run" if closed else "opens: it sees a rest"
        found.say(f"the run contact {what}", seen.get("value") == float(closed), seen)
    lit: set[bool] = set()
    with contextlib.suppress(AssertionError):
        until(lambda: lit.add(computer.high(BEACON)) or len(lit) == 2, 60.0, "both", every_s=0.02)
    found.say("the beacon on its pin is lit and dark in turn", lit == {True, False}, lit)
