"""Looks at the services of a machine that has just booted, from inside it. Prints JSON.

Run as root by the machine's own Python: trial.py PORT DEVICES, which anybody may open then."""

import grp
import json
import os
import subprocess
import sys
import time
import urllib.error
import urllib.request

PAGE = f"http://127.0.0.1:{sys.argv[1]}"


def said(*words: str) -> str:
    return subprocess.run(words, capture_output=True, text=True, check=False).stdout.strip()


def answer(path: str) -> tuple[int, str]:
    try:
        with urllib.request.urlopen(f"{PAGE}{path}", timeout=20.0) as page:
            return page.status, page.read().decode()
    except urllib.error.HTTPError as error:
        return error.code, error.read().decode()
    except OSError as error:
        return 0, str(error)


def writable(path: str) -> bool:
    try:
        with open(path, "w"):
            return True
    except OSError:
        return False


end = time.monotonic() + 120.0
while answer("/healthz")[0] != 200 and time.monotonic() < end:
    if said("systemctl", "is-active", "dryhold") == "inactive":
        break  # what it needs is not there
    time.sleep(1.0)
events = answer("/api/events?limit=500")
bus = next((f"/dev/{n}" for n in sorted(os.listdir("/dev")) if n.startswith("i2c-")), None)
for device in sys.argv[2:]:
    if os.path.exists(device):
        os.chmod(device, 0o666)
said("systemctl", "start", "probe")
opens = ("/opt/dryhold/bin/python", "/usr/local/lib/opens.py", bus or "", *sys.argv[2:])
found = {
    "states": said("systemctl", "is-active", "dryhold", "dryhold-page").split(),
    "healthz": answer("/healthz"),
    "events": [e["id"] for e in json.loads(events[1])["events"]] if events[0] == 200 else [],
    "mounted": said("findmnt", "-n", "-o", "SOURCE,LABEL,FSTYPE,OPTIONS", "/var/lib/dryhold"),
    "root": said("findmnt", "-n", "-o", "OPTIONS", "/").split(",")[0],
    "root_written": writable("/root/x") or writable("/var/lib/x"),
    "failed": said("systemctl", "--failed", "--plain", "--no-legend"),
    "bus": bus and [bus, grp.getgrgid(os.stat(bus).st_gid).gr_name, os.stat(bus).st_mode & 0o777],
    "opened": said("cat", "/run/probe.out").split(),
    "anybody": said("runuser", "-u", "nobody", "--", *opens).split(),
}
print("TRIAL " + json.dumps(found), flush=True)
