"""A week without a line, with the monitor killed again and again."""

import json
import subprocess
from collections.abc import Callable, Sequence
from pathlib import Path

from brokers import Broker, Receiver, free_port
from outage import Found, once, through
from postoffice import PASSWORD, SENDER, USER, Authority, Mailbox

KILLS = 10  # python -m tests.benchmarks outage: a hundred


def week(folder: Path, saltmarsh: Path, mosquitto: str, passwd: str, kills: int) -> Found:
    """The outage with a real broker (TLS, password, access list) and a real mail server."""
    authority = Authority(folder)
    users, rules = folder / "users", folder / "rules"
    users.touch()
    for name in ("dryhold", "reader"):
        subprocess.run([passwd, "-b", users, name, PASSWORD], check=True)
    rules.write_text("user reader\ntopic read #\nuser dryhold\ntopic write dryhold/#\n")
    for file in (users, rules):
        file.chmod(0o644)
    cert, key = authority.files("broker")
    lines = (
        f"certfile {cert}\nkeyfile {key}\nallow_anonymous false\npassword_file {users}\n"
        f"acl_file {rules}\nmax_queued_messages 0"
    )
    broker = Broker(mosquitto, folder, lines)
    broker.kill()
    port = free_port()
    site = folder / "site.toml"
    text = (
        saltmarsh.read_text()
        + f"""
[keeping]
every = "30 s"
write_every = "600 s"
[[mqtt]]
host = "127.0.0.1"
port = {broker.port}
tls = true
authority = "{authority.file}"
user = "dryhold"
repeat = "2 s"
[[mail]]
host = "127.0.0.1"
port = {port}
authority = "{authority.file}"
user = "{USER}"
from = "{SENDER}"
weekly = "never"
to = [{{ address = "desk@fenwick.example" }}]
"""
    )
    site.write_text(text)
    receivers: list[Receiver] = []
    offices: list[Mailbox] = []

    def up() -> None:
        broker.start()
        receivers.append(
            Receiver(
                broker.port, ("reader", PASSWORD), lambda c: c.tls_set(ca_certs=str(authority.file))
            )
        )
        offices.append(Mailbox(authority.server(), port=port))

    def down() -> None:
        broker.kill()
        offices[-1].close()

    def came() -> tuple[Sequence[str], Sequence[str]]:
        letters = [got.letter for office in offices for got in office.got]
        return (
            [json.loads(body)["id"] for r in receivers for body in r.on("/events")],
            [one for mail in letters for one in str(mail["Dryhold-Events"] or "").split()],
        )

    try:
        environment = {"DRYHOLD_MQTT_PASSWORD": PASSWORD, "DRYHOLD_MAIL_PASSWORD": PASSWORD}
        found = through(folder, site, environment, kills, up, down, came)
    finally:
        for one in (*receivers, *offices[-1:]):
            one.close()
        broker.stop()
    return found


def test_a_week_without_a_line_swallows_and_repeats_nothing(
    needs: Callable[[str], str], saltmarsh: Path, tmp_path: Path
) -> None:
    """Broker and mail server die a day into a week in which 200 alerts come and go, and the daemon
    is killed at seeded random moments before, meanwhile and while it delivers at the end: then every
    event has arrived at both, in order, and each once when doubles are dropped by id."""
    found = week(tmp_path, saltmarsh, needs("mosquitto"), needs("mosquitto_passwd"), KILLS)
    assert found.alerts >= 200
    assert len(found.kept) == len(set(found.kept))
    assert once(found.by_mqtt) == found.kept
    assert once(found.by_mail) == found.kept_alerts
    assert max(found.rss_mb) < 64.0
