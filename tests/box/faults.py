"""Services that hang, and memory that is short."""

import contextlib
import json
from typing import Any

from tests.box.machine import Machine, until
from tests.box.service import UNITS, Found, answer, events, healthy, show

GROUPS = ("/sys/fs/cgroup/memory/system.slice", "/sys/fs/cgroup/system.slice")
"""Where a unit's memory is counted, in the kernel's control groups of version 1 and 2."""

EATER = """
echo 1000 > /proc/{pid}/oom_score_adj
systemd-run -q --unit=eater sh -ec '
    echo 0 > {group}/cgroup.procs
    exec /opt/dryhold/bin/python -c "import signal; taken = {size} * bytes([1]); signal.pause()"'
"""
"""A stranger inside the unit's limit; the kernel takes the daemon first when that is passed, and
the stranger itself when that was not enough."""


def hung_daemon(machine: Machine, found: Found) -> None:
    """A daemon that hangs (SIGSTOP) is killed within its minute, and started again."""
    _hung(machine, found, "dryhold", 100.0)
    found.say("after which all is well", healthy(), answer())


def hung_page(machine: Machine, found: Found) -> None:
    """A page that hangs is told by the daemon, killed two minutes after its last answer, and started
    again."""
    heard: list[str] = []

    def told() -> bool:
        heard.append(_troubles(machine).get("page", ""))
        return "answers nobody" in heard[-1]

    _hung(machine, found, "dryhold-page", 160.0, told)
    found.say("and the daemon said so meanwhile", any("answers nobody" in one for one in heard))
    with contextlib.suppress(AssertionError):
        until(lambda: "page" not in _troubles(machine), 60, "the daemon to hear the page")
    found.say("until it answered again", "page" not in _troubles(machine), _troubles(machine))


def _hung(machine: Machine, found: Found, unit: str, within_s: float, told: Any = bool) -> None:
    until(healthy, 60, "the page")
    before, times = show(machine, unit, "MainPID"), show(machine, unit, "NRestarts")
    machine.do(f"kill -STOP {before}")

    def again() -> bool:
        told()
        return show(machine, unit, "NRestarts") != times

    with contextlib.suppress(AssertionError):
        until(again, within_s, "the watchdog")
        until(healthy, 60, "the page")
    after = show(machine, unit, "MainPID")
    found.say(f"the watchdog ends a hung {unit} and starts another", after not in (before, "0"))
    said = machine.ask(f"journalctl -q --no-pager -u {unit} | grep -i watchdog")
    found.say("and says why", "watchdog timeout" in said.lower(), said)


def _troubles(machine: Machine) -> dict[str, str]:
    shown = machine.ask("cat /run/dryhold/latest.json")
    found: dict[str, str] = json.loads(shown)["monitor"]["troubles"] if shown else {}
    return found


def short_memory(machine: Machine, found: Found) -> None:
    """While a stranger takes most of what the daemon's limit allows, the kernel kills the daemon; it
    is started again, and when there is memory goes on where it was."""
    group = _group(machine, "dryhold")
    if group is None:
        print("       the kernel counts no memory of units here: not tried", flush=True)
        return
    until(healthy, 60, "the page")
    before, times = events(), show(machine, "dryhold", "NRestarts")
    pid, most = show(machine, "dryhold", "MainPID"), int(show(machine, "dryhold", "MemoryMax"))
    machine.do(EATER.format(pid=pid, group=group, size=most - 15_000_000))
    with contextlib.suppress(AssertionError):
        until(lambda: show(machine, "dryhold", "NRestarts") != times, 60, "a kill")
    killed = show(machine, "dryhold", "NRestarts") != times
    found.say("short of memory, the daemon is killed and started again", killed)
    said = machine.ask("journalctl -q --no-pager -u dryhold | grep -iE 'status=9/KILL|oom'")
    found.say("and the journal has it", said, said)
    machine.ask("systemctl stop eater")
    with contextlib.suppress(AssertionError):
        until(healthy, 60, "the page")
    found.say("with memory again all is well", healthy(), answer())
    after = {event["id"] for event in events()}
    lost = [event for event in before if event["id"] not in after]
    found.say(f"none of {len(before)} events was lost by it", not lost, lost)
    newest = next(event for event in events() if event["kind"] == "monitor_started")
    found.say("its start says that nothing had asked it to stop", newest.get("unasked"), newest)


def peaks(machine: Machine) -> dict[str, str]:
    """What each unit's processes, with their files in memory, and its main process alone took at
    most."""
    found = {}
    for unit in UNITS:
        group, pid = _group(machine, unit), show(machine, unit, "MainPID")
        names = f"{group}/memory.max_usage_in_bytes {group}/memory.peak"
        most = machine.ask(f"cat {names} 2>/dev/null || true").split()
        main = machine.ask(f"grep VmHWM /proc/{pid}/status").split()
        taken = f"{int(most[0]) / 1e6:.0f} MB" if most else "unknown"
        found[unit] = f"{taken}, main process {int(main[1]) / 1e3:.0f} MB"
    return found


def _group(machine: Machine, unit: str) -> str | None:
    """The folder in which the kernel counts that unit's memory; None where it does not."""
    for top in GROUPS:
        group = f"{top}/{unit}.service"
        if machine.shell(f"ls {group}/memory.stat").returncode == 0:
            return group
    return None
