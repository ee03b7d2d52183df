"""What is tried on the machine, each from a fresh root."""

import json
import re
import subprocess
import urllib.error
import urllib.parse
import urllib.request
from collections.abc import Callable, Mapping
from http.cookiejar import CookieJar
from pathlib import Path

from tests.box import card, faults, pi, readme, sandbox, servers
from tests.box.machine import Machine, until
from tests.box.service import (
    CLONE,
    CODE,
    DRYHOLD,
    MAIL_PASSWORD,
    MQTT_PASSWORD,
    PAGE,
    PORT,
    WHERE,
    Found,
    answer,
    clone,
    events,
    healthy,
    install,
    show,
    up,
)

# --- install, use, remove


def box(machine: Machine, repository: Path, _older: str | None, found: Found) -> None:
    """A fresh box, all that it should do, and its end."""
    machine.boot()
    text = clone(machine, repository, "HEAD")
    install(machine, text)
    up(machine, found, "installed")
    _listens(machine, found)
    _technician(machine, found)
    print(f"       memory at most: {faults.peaks(machine)}", flush=True)
    servers.told(machine, text, found)
    faults.hung_daemon(machine, found)
    faults.hung_page(machine, found)
    faults.short_memory(machine, found)
    sandbox.tried(machine, found)
    _backup(machine, text, found)
    _support(machine, text, found)
    _removal(machine, text, found)


def _listens(machine: Machine, found: Found) -> None:
    said = machine.do("ss -H -l -n -p -t -u").splitlines()
    ours = {re.split(r"\s+", one)[4] for one in said if '"dryhold"' in one}
    found.say("the only open port is the page's", ours == {f"0.0.0.0:{PORT}"}, ours)


class _Browser:
    """Keeps cookies, sends forms as a page of ours would."""

    def __init__(self) -> None:
        self._open = urllib.request.build_opener(
            urllib.request.HTTPCookieProcessor(CookieJar())
        ).open

    def get(self, path: str) -> tuple[int, bytes]:
        return self._send(urllib.request.Request(f"{PAGE}{path}"))

    def post(self, path: str, form: Mapping[str, str]) -> tuple[int, bytes]:
        data = urllib.parse.urlencode(form).encode()
        return self._send(urllib.request.Request(f"{PAGE}{path}", data, {"Origin": PAGE}))

    def _send(self, request: urllib.request.Request) -> tuple[int, bytes]:
        try:
            with self._open(request, timeout=60.0) as page:
                return page.status, page.read()
        except urllib.error.HTTPError as error:
            return error.code, error.read()

    def sign_in(self, code: str) -> int:
        _, form = self.get("/site/sign-in")
        token = re.search(rb'name="token" value="([^"]+)"', form)
        given = {"token": token[1].decode() if token else "", "who": "Box", "code": code}
        return self.post("/site/sign-in", {**given, "next": ""})[0]


def _technician(machine: Machine, found: Found) -> None:
    """Argon2 and the PDF are what memory that may not be both written and run could break."""
    machine.do(
        f"echo '{CODE}' | runuser -u dryhold -- {DRYHOLD} access set --state /var/lib/dryhold"
    )
    browser = _Browser()
    found.say("a wrong access code is refused", browser.sign_in("another code") == 401)
    found.say("the access code opens the technician's side", browser.sign_in(CODE) == 200)
    found.say("the technician's desk is shown", b"sign-out" in browser.get("/site")[1])
    as_user = f"runuser -u dryhold -- {DRYHOLD} hold"
    machine.do(f"{as_user} start {WHERE} --by Box; sleep 20; {as_user} stop {WHERE} --by Box")
    tests = until(lambda: json.loads(answer("/api/tests")[1])["tests"], 30, "a record")
    number = tests[0]["id"].rpartition("-")[2]
    status, pdf = browser.get(f"/records/{number}.pdf")
    found.say("a record becomes a PDF", status == 200 and pdf[:5] == b"%PDF-", (status, pdf[:200]))


def _backup(machine: Machine, text: str, found: Found) -> None:
    until(healthy, 60, "the page")
    machine.do(readme.block(text, "**Back up**"), CLONE)
    before = events()
    refused = machine.shell(f"{DRYHOLD} restore /var/backups/dryhold.tar.gz {WHERE}")
    found.say("a restore under a running daemon is refused", refused.returncode == 2)
    machine.do(
        "systemctl stop dryhold dryhold-page; rm -r /var/lib/dryhold/*; rm /etc/dryhold/site.toml"
    )
    machine.do(readme.block(text, "**Restore**"), CLONE)
    up(machine, found, "restored")
    after = {event["id"] for event in events()}
    lost = [event for event in before if event["id"] not in after]
    found.say(f"all {len(before)} events are back", not lost, lost)
    owner = machine.do("stat -c '%U:%G %a' /var/lib/dryhold/dryhold.db /etc/dryhold/site.toml")
    good = owner.split("\n")[:2] == ["dryhold:dryhold 640", "root:dryhold 640"]
    found.say("files have their owners again", good, owner)


def _support(machine: Machine, text: str, found: Found) -> None:
    machine.do(readme.line(text, "/opt/dryhold/bin/dryhold support"))
    said = machine.do("/opt/dryhold/bin/python -m zipfile -e bundle.zip b && cat b/*")
    found.say("the bundle has the journal", "Started dryhold.service" in said)
    kept = (machine.root / "var/lib/dryhold/access.json").exists()
    secrets = [s for s in (MQTT_PASSWORD, MAIL_PASSWORD, "argon2") if f"{s}$" in said or s in said]
    secrets = [s for s in secrets if s != "argon2" or "$argon2" in said]
    found.say("the bundle has no password", not secrets, (secrets, kept))


def _removal(machine: Machine, text: str, found: Found) -> None:
    machine.do(readme.block(text, "**Remove**"), CLONE)
    left = machine.ask(
        "find / -xdev -iname '*dryhold*' -not -path '/root/*' -not -path '/srv/*'"
        " -not -path '/var/backups/*' -not -path '/proc/*'; getent passwd dryhold"
    )
    found.say("nothing of it is left but the back-up", not left.strip(), left)
    found.say("nobody answers", answer()[0] == 0)


# --- upgrade


def upgrade(machine: Machine, repository: Path, older: str | None, found: Found) -> None:
    """From the last commit with an older schema to this one, and back in both ways."""
    git = ["git", "-C", str(repository)]
    newest = ["log", "-1", "--format=%H", "-G^@migrations", "--", "edge/store/schema.py"]
    changed = subprocess.check_output([*git, *newest], text=True).strip()
    older = older or f"{changed}~1"
    commit = subprocess.check_output([*git, "rev-parse", older], text=True).strip()
    machine.boot()
    text = clone(machine, repository, commit)
    install(machine, text)
    up(machine, found, f"installed as of {commit[:10]}")
    first = events()
    text = _newest_readme(repository)
    clone(machine, repository, "HEAD")
    machine.do(readme.block(text, "**Upgrade**"), CLONE)
    up(machine, found, "upgraded")
    kept = {e["id"] for e in events()} >= {e["id"] for e in first}
    found.say("every event from before is there", kept)
    copy = machine.root / "var/lib/dryhold/dryhold.db.before-upgrade"
    found.say("the database from before is kept beside it", copy.exists())
    back = readme.block(text, "**Take an upgrade back**")
    since = {e["id"] for e in events()}

    keeping = "".join(one for one in back.splitlines(True) if " restore " not in one)
    machine.do(keeping, CLONE)
    up(machine, found, "taken back, keeping what was kept since")
    found.say("every event is there", {e["id"] for e in events()} >= since)

    machine.do("git checkout -q box", CLONE)
    machine.do(readme.block(text, "**Upgrade**").replace("git pull && ", ""), CLONE)
    up(machine, found, "upgraded again")
    machine.do("git update-ref ORIG_HEAD " + commit, CLONE)
    machine.do(back, CLONE)
    up(machine, found, "taken back to the copy")
    known = {e["id"] for e in events()}
    found.say("every event from before the upgrade is there", known >= {e["id"] for e in first})
    version = machine.do("git rev-parse HEAD", CLONE).strip()
    found.say("by the older version", version == commit, version)


def _newest_readme(repository: Path) -> str:
    return subprocess.check_output(
        ["git", "-C", str(repository), "show", "HEAD:README.md"], text=True
    )


# --- a root that is read only


def read_only(machine: Machine, repository: Path, _older: str | None, found: Found) -> None:
    """The data on another disk, the root never written; a folder stands for the disk."""
    machine.boot()
    text = clone(machine, repository, "HEAD")
    install(machine, text)
    up(machine, found, "installed")
    before = {event["id"] for event in events()}
    machine.do("systemctl stop dryhold dryhold-page")
    disk = machine.root.parent / "disk"
    subprocess.run(["rm", "-rf", disk], check=True)
    subprocess.run(["cp", "-a", machine.root / "var/lib/dryhold", disk], check=True)
    machine.do("rm -r /var/lib/dryhold/* && mkdir /disk")
    lines = readme.block(text, "### A card that is never written", "fstab")
    there = "/disk /var/lib/dryhold none bind,"
    fstab = lines.replace("LABEL=dryhold /var/lib/dryhold ext4 ", there)
    assert fstab != lines
    (machine.root / "etc/fstab").write_text(fstab)
    journald = machine.root / "etc/systemd/journald.conf"
    journald.write_text(journald.read_text() + "Storage=volatile\n")
    machine.halt()
    was = _listing(machine.root)
    machine.boot("--read-only", f"--bind={disk}:/disk")
    up(machine, found, "on a root that is read only")
    refused = machine.shell("touch /var/lib/other").returncode != 0
    found.say("the root cannot be written", refused)
    waits = show(machine, "dryhold", "RequiresMountsFor")
    found.say("the daemon waits for its disk", "/var/lib/dryhold" in waits, waits)
    known = {event["id"] for event in events()}
    found.say("its history went with it, and goes on", known > before)
    machine.halt()
    found.say("not one file of the root has changed", _listing(machine.root) == was)
    found.say("the disk has", (disk / "dryhold.db").stat().st_size > 0)


def _listing(root: Path) -> str:
    said = ["find", str(root), "-xdev", "-type", "f", "-printf", "%P %s %T@ %C@\n"]
    return "\n".join(sorted(subprocess.check_output(said, text=True).splitlines()))


Step = Callable[[Machine, Path, str | None, Found], None]
STEPS: Mapping[str, Step] = {
    "box": box,
    "upgrade": upgrade,
    "read-only": read_only,
    "card": card.card,
    "pi": pi.pi,
}
ARCHES: Mapping[str, str] = {"pi": pi.ARCH}
"""Of those on a root whose processor is not this machine's."""
