"""Looks at the services of an emulated Raspberry Pi from inside it, and goes on telling what the
daemon says of its run contact. Prints JSON.

Run as root by the machine's own Python: pi_trial.py DEVICES, which anybody may open then."""

import grp
import json
import os
import subprocess
import sys
import time
import tomllib
import urllib.error
import urllib.request
from typing import Any

LATEST = "/run/dryhold/latest.json"
UNITS = ("dryhold", "dryhold-page")
PROBES = ("probe", "without-gpiochip", "without-i2c")
OPENS = ("/opt/dryhold/bin/python", "/usr/local/lib/opens.py")
READY_S, TELLS_S = 420.0, 600.0


def said(*words: str) -> str:
    return subprocess.run(words, capture_output=True, text=True, check=False).stdout.strip()


def port() -> int:
    with open("/etc/dryhold/site.toml", "rb") as file:
        return int(tomllib.load(file)["page"]["port"])


def answer() -> tuple[int, str]:
    try:
        with urllib.request.urlopen(f"http://127.0.0.1:{port()}/healthz", timeout=60.0) as page:
            return page.status, page.read().decode()
    except urllib.error.HTTPError as error:
        return error.code, error.read().decode()
    except OSError as error:
        return 0, str(error)


def latest() -> dict[str, Any]:
    with open(LATEST) as file:
        found: dict[str, Any] = json.load(file)
    return found


def channel(called: str) -> dict[str, object]:
    if not os.path.exists(LATEST):
        return {}
    channel = latest()["channels"][called]
    return {name: channel[name] for name in ("value", "status", "why")}


def node(path: str) -> list[object] | None:
    try:
        found = os.stat(path)
    except FileNotFoundError:
        return None
    return [grp.getgrgid(found.st_gid).gr_name, found.st_mode & 0o777]


def memory(unit: str) -> float:
    """The most that the unit's main process took, in MB."""
    with open(f"/proc/{said('systemctl', 'show', '-P', 'MainPID', unit)}/status") as file:
        kilobytes = next(row.split()[1] for row in file if row.startswith("VmHWM"))
    return round(int(kilobytes) * 1024 / 1e6, 1)


end = time.monotonic() + READY_S
while (answer()[0] == 0 or not channel("running")) and time.monotonic() < end:
    time.sleep(2.0)
states = said("systemctl", "is-active", *UNITS).split()
nodes = {path: node(path) for path in sys.argv[1:]}
for path in (path for path in nodes if nodes[path] is not None):
    os.chmod(path, 0o666)
opened = {}
for unit in PROBES:
    said("systemctl", "start", unit)
    opened[unit] = said("cat", f"/run/{unit}.out").split()
up = states == ["active", "active"]
found = {
    **opened,
    "up": up,
    "states": states,
    "failed": said("systemctl", "--failed", "--plain", "--no-legend"),
    "healthz": answer(),
    "nodes": nodes,
    "anybody": said("runuser", "-u", "nobody", "--", *OPENS, *sys.argv[1:]).split(),
    "adc": channel("line_pressure"),
    "model": said("cat", "/proc/device-tree/model").strip("\0"),
    "memory": {unit: memory(unit) for unit in UNITS} if up else {},
    "journal": said("journalctl", "-q", "--no-pager", "-n", "6", "-u", "dryhold*"),
}
print("TRIAL " + json.dumps(found), flush=True)
end, last = time.monotonic() + TELLS_S, {}
while time.monotonic() < end:
    now = channel("running")
    if now != last:
        print("RUNNING " + json.dumps(now), flush=True)
    last = now
    time.sleep(0.5)
