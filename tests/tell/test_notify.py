"""dryhold notify-test, and that no secret is ever written anywhere."""

import json
import re
import subprocess
import sys
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from brokers import Broker, free_port, until
from postoffice import PASSWORD, SENDER, USER, Authority, Mailbox

from edge import lastgood
from edge.__main__ import main
from edge.settings import load
from edge.tell.secrets import HIDDEN, without
from web import create_app

WRONG = "wrong-but-secret-all-the-same"
DESK, BAD = "desk@fenwick.example", "gone@fenwick.example"


def mail_table(port: int, authority: Path, more: str = "") -> str:
    return (
        f'[[mail]]\nhost = "127.0.0.1"\nport = {port}\nauthority = "{authority}"\n'
        f'user = "{USER}"\nfrom = "{SENDER}"\nto = [{{ address = "{DESK}" }}, {{ address = "{BAD}" }}]\n{more}'
    )


def mqtt_table(port: int, more: str = "") -> str:
    return f'[[mqtt]]\nhost = "127.0.0.1"\nport = {port}\n{more}\n'


Prove = Callable[[str], tuple[int, str]]


@pytest.fixture
def prove(tmp_path: Path, saltmarsh: Path, capsys: pytest.CaptureFixture[str]) -> Prove:
    """`dryhold notify-test` with these tables: its status and what it printed."""

    def run(tables: str) -> tuple[int, str]:
        site = tmp_path / "site.toml"
        site.write_text(saltmarsh.read_text() + tables)
        status = main(["notify-test", "--settings", str(site)])
        return status, capsys.readouterr().out

    return run


@pytest.fixture(scope="module")
def authority(tmp_path_factory: pytest.TempPathFactory) -> Authority:
    return Authority(tmp_path_factory.mktemp("authority"))


# A socket whose handshake failed is left by the library to be collected.
@pytest.mark.filterwarnings("ignore::pytest.PytestUnraisableExceptionWarning")
def test_each_step_is_proved_and_the_one_that_fails_is_named(
    needs: Callable[[str], str],
    prove: Prove,
    authority: Authority,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Name, port, TLS, login, message and recipient each say ok or what failed, for broker and mail
    server; one failure makes the exit status 1, and no password is printed."""
    monkeypatch.setenv("DRYHOLD_MAIL_PASSWORD", PASSWORD)
    monkeypatch.setenv("DRYHOLD_MQTT_PASSWORD", PASSWORD)
    users, rules = tmp_path / "users", tmp_path / "rules"
    users.touch()
    subprocess.run([needs("mosquitto_passwd"), "-b", users, "dryhold", PASSWORD], check=True)
    rules.write_text("user dryhold\ntopic write dryhold/#\n")
    for file in (users, rules):
        file.chmod(0o644)
    cert, key = authority.files("broker")
    (tmp_path / "broker").mkdir()
    broker = Broker(
        needs("mosquitto"),
        tmp_path / "broker",
        f"certfile {cert}\nkeyfile {key}\nallow_anonymous false\npassword_file {users}\n"
        f"acl_file {rules}",
    )
    bad: set[str] = set()
    office = Mailbox(authority.server(), refuse=lambda to: "550 no box" if to in bad else None)
    secure = f'tls = true\nauthority = "{authority.file}"\nuser = "dryhold"'
    everything = mqtt_table(broker.port, secure) + mail_table(office.port, authority.file)
    said = []
    try:
        status, out = prove(everything)
        said.append(out)
        assert status == 0, out
        assert re.findall(r"(?m)^  ok      (\w+)", out) == [
            "name", "port", "TLS", "login", "message",
            "name", "port", "TLS", "login", "recipient", "recipient",
        ]  # fmt: skip
        assert [got.to for got in office.got] == [DESK, BAD]
        assert "test letter" in str(office.got[0].letter["Subject"])

        bad.add(BAD)
        rules.write_text("user dryhold\ntopic write other/#\n")
        broker.stop()
        broker.start()
        status, out = prove(everything)
        said.append(out)
        assert status == 1
        assert re.findall(r"(?m)^  FAILED  (.*)$", out) == [
            f"message: 127.0.0.1 port {broker.port}: the broker said: Not authorized",
            f"recipient: the server said 550 no box (to {BAD})",
        ]

        for name in ("MAIL", "MQTT"):
            monkeypatch.setenv(f"DRYHOLD_{name}_PASSWORD", WRONG)
        status, out = prove(everything)
        said.append(out)
        failed = re.findall(r"(?m)^  FAILED  (.*)$", out)
        assert [line.partition(":")[0] for line in failed] == ["login", "login"]
        assert "Not authorized" in failed[0]
        assert "535" in failed[1]

        day = datetime.now(UTC) - timedelta(days=1)
        old = authority.server(not_before=day - timedelta(days=2), not_after=day)
        stale = Mailbox(old)
        status, out = prove(
            mqtt_table(free_port())
            + mqtt_table(broker.port, "tls = true")
            + mail_table(stale.port, authority.file)
            + mail_table(25, authority.file, 'password_name = "other"').replace(
                "127.0.0.1", "mail.saltmarsh.invalid"
            )
        )
        stale.close()
        said.append(out)
        failed = re.findall(r"(?m)^  FAILED  (.*)$", out)
        assert [line.partition(":")[0] for line in failed] == ["port", "TLS", "TLS", "name"]
        assert "its certificate is not good: " in failed[1]
        assert "certificate has expired" in failed[2]
    finally:
        office.close()
        broker.stop()
    assert not any(secret in out for out in said for secret in (PASSWORD, WRONG))


def test_nothing_to_tell_with_is_a_plain_no(prove: Prove) -> None:
    """A site without broker, mail and beacon is told so, with status 1."""
    status, out = prove("")
    assert status == 1
    assert "nothing to tell anybody with" in out


def test_a_secret_is_taken_out_of_what_a_server_echoes() -> None:
    """Plain, in base64, and as AUTH PLAIN sends it."""
    echoed = f"535 {PASSWORD} YS1zZWNyZXQtdGhhdC1tdXN0LW5vdC1iZS1zZWVu no"
    assert without(echoed, PASSWORD, USER) == f"535 {HIDDEN} {HIDDEN} no"
    plain = "AGRyeWhvbGQAYS1zZWNyZXQtdGhhdC1tdXN0LW5vdC1iZS1zZWVu"
    assert without(plain, PASSWORD, USER) == HIDDEN
    assert without("as it is", None) == "as it is"


def test_no_secret_is_written_anywhere(
    needs: Callable[[str], str], authority: Authority, tmp_path: Path, saltmarsh: Path
) -> None:
    """The daemon runs with right and with wrong passwords against a broker and a mail server that
    refuse: no log line, file of its folders, process list or page has any of them."""
    users = tmp_path / "users"
    users.touch()
    subprocess.run([needs("mosquitto_passwd"), "-b", users, "dryhold", "another"], check=True)
    users.chmod(0o644)
    (tmp_path / "broker").mkdir()
    broker = Broker(
        needs("mosquitto"), tmp_path / "broker", f"allow_anonymous false\npassword_file {users}"
    )
    office = Mailbox(authority.server())
    site, state = tmp_path / "site.toml", tmp_path / "state"
    site.write_text(
        saltmarsh.read_text()
        + mqtt_table(broker.port, 'user = "dryhold"')
        + mail_table(office.port, authority.file)
        + '[keeping]\nevery = "0.2 s"\n'
    )
    with (tmp_path / "log").open("wb") as log:
        daemon = subprocess.Popen(
            [sys.executable, "-m", "edge", "run", "--settings", site, "--state", state],
            env={
                "PATH": "/usr/bin:/bin",
                "DRYHOLD_MQTT_PASSWORD": WRONG,
                "DRYHOLD_MAIL_PASSWORD": WRONG,
            },
            cwd=Path(__file__).parents[2],
            stdout=log,
            stderr=log,
        )
    try:
        latest = state / "latest.json"

        def refused() -> bool:
            if not latest.exists():
                return False
            messengers = json.loads(latest.read_bytes())["monitor"]["messengers"]
            why = " ".join(str(m["why"]) for m in messengers.values())
            return "refused" in why and "535" in why

        until(refused, "both to refuse")
        listed = b"".join(
            path.read_bytes() for path in Path("/proc").glob("[0-9]*/cmdline") if path.exists()
        )
        client = create_app(load(site), state, state).test_client()
        pages = [client.get(where).data for where in ("/", "/monitor", "/metrics", "/api/status")]
    finally:
        daemon.terminate()
        daemon.wait(20.0)
        office.close()
        broker.stop()
    files = [path for path in state.rglob("*") if path.is_file()]
    assert len(files) >= 2
    written = {path.name: path.read_bytes() for path in [*files, tmp_path / "log"]}
    for place, data in {**written, "the process list": listed, "pages": b"".join(pages)}.items():
        assert WRONG.encode() not in data, place
        if place != lastgood.FILE:  # a copy of the settings, for their owner's eyes only
            assert DESK.encode() not in data, place
    assert (state / lastgood.FILE).stat().st_mode & 0o077 == 0
    assert b"refused" in written["log"]
