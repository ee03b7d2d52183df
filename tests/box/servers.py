"""A broker and a mail server that want their passwords, and what the box tells them."""

import contextlib
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1] / "tell"))
import postoffice
from brokers import Broker, Receiver

from tests.box import readme
from tests.box.machine import Machine
from tests.box.service import MAIL_PASSWORD, MQTT_PASSWORD, Found, show


def told(machine: Machine, text: str, found: Found) -> None:
    """README's way of giving the daemon its passwords, from the settings to a letter."""
    with _opened(machine) as (broker, mailbox, receiver):
        _told(machine, text, broker, mailbox, receiver, found)


def heard(machine: Machine, found: Found) -> None:
    """A broker that asks for nothing, as on the box itself."""
    folder = _folder(machine)
    broker = Broker("/usr/sbin/mosquitto", folder)
    try:
        receiver = Receiver(broker.port)
        site = machine.root / "etc/dryhold/site.toml"
        site.write_text(f'{site.read_text()}\n[[mqtt]]\nhost = "127.0.0.1"\nport = {broker.port}\n')
        machine.do("systemctl restart dryhold")
        with contextlib.suppress(AssertionError):
            machine.until(lambda: receiver.on("/readings"), 60, "readings")
        found.say("a broker is told", receiver.on("/readings"), broker.log()[-500:])
        receiver.close()
    finally:
        broker.stop()


def _folder(machine: Machine) -> Path:
    folder = machine.root.parent / "servers"
    folder.mkdir(exist_ok=True)
    return folder


@contextlib.contextmanager
def _opened(machine: Machine) -> Iterator[tuple[Broker, postoffice.Mailbox, Receiver]]:
    """A broker and a mail server that want their passwords, on loopback."""
    folder = _folder(machine)
    (folder / "passwords").write_text(f"{postoffice.USER}:{MQTT_PASSWORD}\n")
    subprocess.run(["mosquitto_passwd", "-U", folder / "passwords"], check=True)
    with contextlib.ExitStack() as opened:
        broker = Broker("/usr/sbin/mosquitto", folder, f"password_file {folder}/passwords")
        opened.callback(broker.stop)
        authority = postoffice.Authority(folder)
        mailbox = postoffice.Mailbox(authority.server())
        opened.callback(mailbox.close)
        told = Receiver(broker.port, (postoffice.USER, MQTT_PASSWORD))
        opened.callback(told.close)
        there = machine.root / "etc/dryhold/authority.pem"
        there.write_text(authority.file.read_text())
        there.chmod(0o644)
        yield broker, mailbox, told


SERVERS = """
[[mqtt]]
host = "127.0.0.1"
port = {mqtt}
user = "{user}"

[[mail]]
host = "127.0.0.1"
port = {mail}
user = "{user}"
from = "box@saltmarsh.example"
to = [{{ address = "ann@saltmarsh.example" }}]
authority = "/etc/dryhold/authority.pem"

[[channel]]
name = "spare"
quantity = "temperature"
unit = "°C"
input = "w1:28-0316a2795c01"
"""
"""A thermometer that is not there makes the alert that a letter is about."""


def _told(
    machine: Machine,
    text: str,
    broker: Broker,
    mailbox: postoffice.Mailbox,
    told: Receiver,
    found: Found,
) -> None:
    drop_in = readme.block(text, "An override (`systemctl edit dryhold`)", "ini")
    for name, secret in (("mqtt_password", MQTT_PASSWORD), ("mail_password", MAIL_PASSWORD)):
        machine.do(f"umask 077; echo '{secret}' > /etc/dryhold/{name}")
    site = machine.root / "etc/dryhold/site.toml"
    more = SERVERS.format(mqtt=broker.port, mail=mailbox.port, user=postoffice.USER)
    site.write_text(site.read_text() + more)
    tried = readme.line(text, "systemd-run --pty").replace(
        "--pty", "--pipe -q -p LoadCredential=mqtt_password:/etc/dryhold/mqtt_password"
    )
    proof = machine.shell(tried)
    found.say(
        "notify-test reaches both with their passwords",
        proof.returncode == 0,
        proof.stdout + proof.stderr,
    )
    folder = machine.root / "etc/systemd/system/dryhold.service.d"
    folder.mkdir(exist_ok=True)
    (folder / "override.conf").write_text(drop_in)
    letters = len(mailbox.got)
    machine.do("systemctl daemon-reload && systemctl restart dryhold dryhold-page")
    with contextlib.suppress(AssertionError):
        machine.until(lambda: told.on("/readings"), 60, "readings")
        machine.until(lambda: len(mailbox.got) > letters, 180, "a letter")
    found.say("the broker is told, with its password", told.on("/readings"), broker.log()[-500:])
    found.say("a letter arrives, with the mail server's", len(mailbox.got) > letters)
    pid = show(machine, "dryhold", "MainPID")
    shown = machine.do(f"systemctl show dryhold; cat /proc/{pid}/environ")
    secrets = [s for s in (MQTT_PASSWORD, MAIL_PASSWORD) if s in shown]
    found.say("no password stands in the unit or its environment", not secrets, secrets)
