"""What a program in the services' own sandboxes can do, and which devices it can open."""

import json
import re
import shlex
from pathlib import Path

from tests.box.machine import Machine
from tests.box.service import UNITS, Found

ALLOWED = ("/var/lib/dryhold", "/run/dryhold", "/tmp", "/var/tmp")


def _within(machine: Machine, unit: str, command: str, more: str = "") -> str:
    """What a program prints that runs in place of that unit's own, in the same sandbox; `more` are
    lines as in an override."""
    text = (machine.root / f"etc/systemd/system/{unit}.service").read_text()
    changed = re.sub(r"(?m)^ExecStart=.*", f"ExecStart={command}", text)
    changed = re.sub(r"(?m)^(Type|Restart|WatchdogSec|NotifyAccess)=.*", "", changed)
    changed += f"\n[Service]\nType=oneshot\nStandardOutput=truncate:/root/probe.out\n{more}\n"
    placed = machine.root / "etc/systemd/system/probe.service"
    placed.write_text(changed)
    done = machine.shell("systemctl daemon-reload && systemctl start probe")
    assert done.returncode == 0, machine.ask("journalctl -q --no-pager -u probe")
    said = (machine.root / "root/probe.out").read_text()
    machine.do("rm /etc/systemd/system/probe.service /root/probe.out && systemctl daemon-reload")
    return said


def tried(machine: Machine, found: Found) -> None:
    """All of it, in place of the services: two units cannot share their runtime folder."""
    machine.do("systemctl stop dryhold dryhold-page")
    _shut_in(machine, found)
    _drivers(machine, found)
    _devices(machine, found)
    machine.do("systemctl start dryhold dryhold-page")
    said = machine.do("systemd-analyze security --no-pager dryhold dryhold-page | grep -i overall")
    rates = [float(rate) for rate in re.findall(r"(\d+\.\d) ", said)]
    found.say("systemd rates both running units under 2.0", max(rates, default=10.0) < 2.0, said)
    print(f"       {rates}", flush=True)


def _shut_in(machine: Machine, found: Found) -> None:
    """A program that tries, in each unit's own sandbox, all that neither service should do."""
    probe = machine.root / "usr/local/lib/probe.py"
    probe.write_text((Path(__file__).parent / "probe.py").read_text())
    for unit in UNITS:
        said = _within(machine, unit, "/opt/dryhold/bin/python /usr/local/lib/probe.py")
        seen = json.loads(said)
        other = [f for f in seen["folders"] if not f.startswith(ALLOWED)]
        found.say(f"{unit}: no folder but its own can be written", not other, other)
        kept = "/var/lib/dryhold" in seen["folders"]
        found.say(f"{unit}: its own can", kept, seen["folders"])
        files = [f for f in seen["files"] if not f.startswith(ALLOWED)]
        found.say(f"{unit}: no file outside can be written", not files, files)
        found.say(f"{unit}: nothing else is allowed", not seen["deeds"], seen["deeds"])
        found.say(f"{unit}: it is no root", seen["user"] != 0)
        left = machine.ask("find /tmp /var/tmp -name '.probe-*'")
        found.say(f"{unit}: nothing is left behind", not left.strip(), left)


LOADS = """
import importlib, traceback
try:
    from edge.sensors import KINDS
    for kind in KINDS.values():
        importlib.import_module(kind.module)
    from edge.errors import SensorError
    from edge.sensors.gpio import open_pi_pins, pin_faults
    from edge.sensors.i2c import open_pi_bus
    for opens, faults in ((open_pi_bus, SensorError), (open_pi_pins, pin_faults())):
        try:
            opens().close()
        except faults as error:
            print("no such device here:", error)
    print("all loaded")
except Exception:
    print(traceback.format_exc())
"""


def _drivers(machine: Machine, found: Found) -> None:
    """What every kind of input needs loads where the daemon lives, and finds what it asks for."""
    (machine.root / "usr/local/lib/loads.py").write_text(LOADS)
    said = _within(machine, "dryhold", "/opt/dryhold/bin/python /usr/local/lib/loads.py")
    good = said.endswith("all loaded\n")
    found.say("dryhold: the drivers of every kind of input load", good, said)


OPENS = """
import os, sys
for path in sys.argv[1:]:
    try:
        os.close(os.open(path, os.O_RDONLY | os.O_NONBLOCK))
    except OSError:
        continue
    print(path)
"""

SAFE = {"misc": ("fuse", "loop-control"), "cpu/cpuid": (), "vcs": ()}
"""Classes of character devices in which one can be opened without any effect: of the first by
these names, of the others the one numbered 0."""


def _devices(machine: Machine, found: Found) -> None:
    """With the rights of their files wide open, so that nothing but the unit's list refuses: of two
    devices neither opens; named in DeviceAllow= as the sensors' are, one does, and not the other."""
    nodes = _nodes(machine)
    program = machine.root / "usr/local/lib/opens.py"
    program.write_text(OPENS)
    command = f"/opt/dryhold/bin/python /usr/local/lib/opens.py {shlex.join(nodes.values())}"
    outside = machine.do(f"runuser -u dryhold -- {command}").split()
    able = {kind: path for kind, path in nodes.items() if path in outside}
    limits = machine.shell("ls /sys/fs/cgroup/devices/system.slice").returncode == 0
    if len(able) < 2 or not (limits or machine.shell("ls /sys/fs/cgroup/cgroup.procs").returncode):
        print(f"       devices: {able} and no filter here: not tried", flush=True)
        return
    for unit in UNITS:
        opened = _within(machine, unit, command).split()
        found.say(f"{unit}: opens no device that any user could: {list(able)}", not opened, opened)
    listed, other = list(able)[:2]
    allow = f"DeviceAllow=char-{listed} rw"
    opened = _within(machine, "dryhold", command, allow).split()
    good = able[listed] in opened and able[other] not in opened
    found.say(f"with {allow} it opens that and not {other}", good, opened)
    lines = (machine.root / "etc/systemd/system/dryhold.service").read_text()
    classes = _classes()
    absent = [c for c in re.findall(r"(?m)^DeviceAllow=char-(\S+)", lines) if c not in classes]
    print(f"       not tried, for want of such devices here: {absent}", flush=True)
    machine.do(shlex.join(["rm", *nodes.values()]))


def _classes() -> dict[str, int]:
    text = Path("/proc/devices").read_text().partition("Block devices:")[0]
    return {name: int(major) for major, name in re.findall(r"(?m)^ *(\d+) (\S+)$", text)}


def _nodes(machine: Machine) -> dict[str, str]:
    """Made on the machine, by their class: files of devices that anybody may open."""
    rows = [row.split() for row in Path("/proc/misc").read_text().splitlines()]
    minors = {name: number for number, name in rows}
    found = {}
    for kind, names in SAFE.items():
        minor = next((minors[name] for name in names if name in minors), None if names else "0")
        if kind in (classes := _classes()) and minor is not None:
            found[kind] = f"/dev/tried-{kind.replace('/', '-')}"
            machine.do(f"mknod -m 666 {found[kind]} c {classes[kind]} {minor}")
    return found
