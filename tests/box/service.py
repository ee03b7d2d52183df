"""The services on the machine: README's install followed, and what they say of themselves."""

import contextlib
import json
import subprocess
import sys
import urllib.error
import urllib.request
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1] / "tell"))
import postoffice
from brokers import free_port

from tests.box import readme
from tests.box.machine import Machine

PORT = free_port()  # the network is this machine's, where 8080 may be taken
PAGE = f"http://127.0.0.1:{PORT}"
CLONE = "/root/dryhold"
DRYHOLD = "/opt/dryhold/bin/dryhold"
WHERE = "--state /var/lib/dryhold --settings /etc/dryhold/site.toml"
UNITS = ("dryhold", "dryhold-page")
CODE, MQTT_PASSWORD = "a code for this box", "the-brokers-own-secret"
MAIL_PASSWORD = postoffice.PASSWORD


class Found:
    """What was found, said as it is."""

    def __init__(self) -> None:
        self.good = self.bad = 0

    def say(self, what: str, good: object, detail: object = "") -> None:
        self.good, self.bad = self.good + bool(good), self.bad + (not good)
        shown = f": {detail}" if detail != "" and not good else ""
        print(f"{'ok    ' if good else 'MISSED'} {what}{shown}", flush=True)


# --- getting there


def clone(machine: Machine, repository: Path, commit: str) -> str:
    """A clone on the machine whose branch stands at that commit; its README."""
    there = machine.root / "srv/dryhold.git"
    git = ["git", "-C", str(repository)]
    if not there.exists():
        subprocess.run([*git, "clone", "-q", "--bare", ".", str(there)], check=True)
        subprocess.run(["chown", "-R", "root:root", there], check=True)
    subprocess.run(["git", "-C", there, "update-ref", "refs/heads/box", commit], check=True)
    if not (machine.root / CLONE.lstrip("/")).exists():
        machine.do(f"git clone -q -b box /srv/dryhold.git {CLONE}")
    return readme.text(machine.root / CLONE.lstrip("/"))


def install(machine: Machine, text: str) -> None:
    """README's lines; where they say to write one's own site, that is the page's port."""
    machine.do("apt-get update -q", CLONE)
    lines = readme.block(text, "## Putting it on a box").splitlines()
    place = [n for n, line in enumerate(lines) if "site.toml   #" in line]
    assert len(place) == 1, lines
    own = f"printf '\\n[page]\\nport = {PORT}\\n' >> /etc/dryhold/site.toml"
    machine.do("\n".join([*lines[: place[0] + 1], own, *lines[place[0] + 1 :]]), CLONE)


def answer(path: str = "/healthz") -> tuple[int, str]:
    try:
        with urllib.request.urlopen(f"{PAGE}{path}", timeout=20.0) as page:
            return page.status, page.read().decode(errors="replace")
    except urllib.error.HTTPError as error:
        return error.code, error.read().decode(errors="replace")
    except OSError as error:
        return 0, str(error)


def healthy() -> bool:
    return answer()[0] == 200


def show(machine: Machine, unit: str, what: str) -> str:
    return machine.ask(f"systemctl show -P {what} {unit}").strip()


def up(machine: Machine, found: Found, what: str) -> None:
    """Both services run, and the page says that data is fresh."""
    with contextlib.suppress(AssertionError):
        machine.until(healthy, 60, "the page")
    states = [show(machine, unit, "ActiveState") for unit in UNITS]
    found.say(f"{what}: both services are up", states == ["active", "active"], states)
    found.say(f"{what}: the page says that all is well", healthy(), answer())


def events() -> list[dict[str, object]]:
    said = answer("/api/events?limit=500")[1]
    kept: list[dict[str, object]] = json.loads(said)["events"]
    return kept
