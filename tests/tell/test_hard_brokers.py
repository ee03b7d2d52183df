"""Brokers with TLS, passwords and access lists, and everything that can go wrong with them."""

import json
import logging
import signal
import subprocess
from collections.abc import Callable, Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from brokers import Broker, Mute, Receiver, until
from postoffice import Authority
from test_mqtt import ALERT, keep, newest, places

from edge.model import ALERTS
from edge.settings import Settings, load
from edge.store.write import Writer
from edge.tell import mqtt
from edge.tell.mqtt import MqttMessenger

T0 = 1_764_072_000.0
SECRET = "a-secret-that-must-not-be-seen"


@pytest.fixture(scope="session")
def authority(tmp_path_factory: pytest.TempPathFactory) -> Authority:
    return Authority(tmp_path_factory.mktemp("authority"))


class Site:
    """A site's outbox and its messengers, by the settings' own tables."""

    def __init__(self, folder: Path, saltmarsh: Path, tables: str) -> None:
        self.site = folder / "site.toml"
        self.site.write_text(saltmarsh.read_text() + tables)
        self.settings: Settings = load(self.site)
        self.names = mqtt.names(self.settings)
        self.writer = Writer(folder / "state", self.settings, self.names)
        self.tellers: list[MqttMessenger] = mqtt.open_messengers(self.settings, self.writer.outbox)
        for teller in self.tellers:
            teller._jitter = lambda: -0.98
        self.t = T0
        self.alerts: list[dict[str, Any]] = []

    def tick(self) -> None:
        for teller in self.tellers:
            teller.tell(self.t, newest(self.settings, self.alerts, self.t))
        self.t += 1.0

    def drive(self, done: Callable[[], Any], what: str) -> None:
        def once() -> Any:
            self.tick()
            return done()

        until(once, what)

    def drained(self, place: int = 0) -> bool:
        return self.writer.outbox.backlog(self.names[place]) == 0

    def why(self, place: int = 0) -> str:
        return str(self.tellers[place].state()["why"])

    def close(self) -> None:
        for teller in self.tellers:
            teller.stop()
        self.writer.close()


Make = Callable[[str], Site]


@pytest.fixture
def make(tmp_path: Path, saltmarsh: Path) -> Iterator[Make]:
    made: list[Site] = []

    def build(tables: str) -> Site:
        folder = tmp_path / f"site{len(made)}"
        folder.mkdir()
        made.append(Site(folder, saltmarsh, tables))
        return made[-1]

    yield build
    for site in made:
        site.close()


@pytest.fixture
def start(needs: Callable[[str], str], tmp_path: Path) -> Iterator[Callable[..., Broker]]:
    """Starts brokers in folders of their own, and ends them."""
    made: list[Broker] = []

    def build(lines: str = "allow_anonymous true", **more: Any) -> Broker:
        folder = tmp_path / f"broker{len(made)}"
        folder.mkdir()
        made.append(Broker(needs("mosquitto"), folder, lines, **more))
        return made[-1]

    yield build
    for broker in made:
        broker.stop()


def guarded(needs: Callable[[str], str], folder: Path, rules: str) -> tuple[str, Path]:
    """A broker's lines for a password file and an access list, and the list's file."""
    users, acl = folder / "users", folder / "rules"
    users.touch()
    for name in ("dryhold", "reader"):
        subprocess.run([needs("mosquitto_passwd"), "-b", users, name, SECRET], check=True)
    acl.write_text(rules)
    for file in (users, acl):
        file.chmod(0o644)
    return f"allow_anonymous false\npassword_file {users}\nacl_file {acl}\n", acl


def secured(authority: Authority, name: str, **more: Any) -> str:
    cert, key = authority.files(name, **more)
    return f"certfile {cert}\nkeyfile {key}\ncafile {authority.file}\n"


def table(port: int, more: str = "") -> str:
    return f'\n[[mqtt]]\nhost = "127.0.0.1"\nport = {port}\n{more}\n'


OPEN = "user reader\ntopic read #\nuser dryhold\ntopic write dryhold/#\n"
SHUT = "user reader\ntopic read #\nuser dryhold\ntopic write dryhold/+/availability\n"


def test_tls_password_access_list_and_a_certificate_of_our_own(
    needs: Callable[[str], str],
    start: Callable[..., Broker],
    make: Make,
    authority: Authority,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """A broker that wants TLS, a certificate from us, a password and an allowed topic gets all of
    it; two brokers are told each in their own time, each with its own password."""
    lines, _ = guarded(needs, tmp_path, OPEN)
    broker = start(secured(authority, "broker") + "require_certificate true\n" + lines)
    other = start()
    cert, key = authority.files("ours", "saltmarsh-lane")
    monkeypatch.setenv("DRYHOLD_SECOND", SECRET)
    site = make(
        table(
            broker.port,
            f'tls = true\nauthority = "{authority.file}"\ncertificate = "{cert}"\nkey = "{key}"\n'
            'user = "dryhold"\npassword_name = "second"',
        )
        + table(other.port)
    )
    keep(site.writer, 30)
    site.drive(lambda: site.drained(0) and site.drained(1), "both brokers")
    other.kill()
    keep(site.writer, 10, first=30)
    site.drive(lambda: site.drained(0), "the first broker")
    assert site.writer.outbox.backlog(site.names[1]) == 10
    other.start()
    site.drive(lambda: site.drained(1), "the second broker")


# A socket whose handshake failed is left by the library to be collected.
@pytest.mark.filterwarnings("ignore::pytest.PytestUnraisableExceptionWarning")
def test_what_is_wrong_with_tls_or_name_is_said(
    start: Callable[..., Broker], make: Make, authority: Authority, tmp_path: Path
) -> None:
    """An expired certificate, one of another authority, and a name that nobody knows are each said
    in words, and nothing is marked."""
    yesterday = datetime.now(UTC) - timedelta(days=1)
    old = {"not_before": yesterday - timedelta(days=9), "not_after": yesterday}
    strange = tmp_path / "strange"
    strange.mkdir()
    expired = start("allow_anonymous true\n" + secured(authority, "expired", **old))
    stranger = start("allow_anonymous true\n" + secured(Authority(strange), "stranger"))
    tls = f'tls = true\nauthority = "{authority.file}"'
    site = make(
        table(expired.port, tls)
        + table(stranger.port, tls)
        + table(1883).replace("127.0.0.1", "broker.saltmarsh.invalid")
    )
    keep(site.writer, 1)
    for place, words in enumerate(
        [
            "its certificate is not good: certificate has expired",
            "its certificate is not good: ",
            "the name is not known here",
        ]
    ):
        site.drive(lambda place=place, words=words: words in site.why(place), words)
        assert site.writer.outbox.backlog(site.names[place]) == 1


def test_order_is_strict_while_an_access_list_comes_and_goes(
    needs: Callable[[str], str],
    start: Callable[..., Broker],
    make: Make,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """With 400 events waiting the list is shut and opened again and again: what arrives, doubles
    and all, is every event once and in order, so none overtook one that was refused."""
    lines, rules = guarded(needs, tmp_path, SHUT)
    broker = start(lines)
    monkeypatch.setenv("DRYHOLD_MQTT_PASSWORD", SECRET)
    site = make(table(broker.port, 'user = "dryhold"'))
    receiver = Receiver(broker.port, ("reader", SECRET))

    def reread(done: Callable[[], bool]) -> Callable[[], bool]:
        """Ask the broker again and again: it forgets one request that comes while it rereads."""

        def look() -> bool:
            if not done():
                broker.signal(signal.SIGHUP)
                return False
            return True

        return look

    try:
        keep(site.writer, 400)
        for _ in range(4):
            site.drive(reread(lambda: "ot authorized" in site.why()), "a refusal")
            before = site.writer.outbox.backlog(site.names[0])
            rules.write_text(OPEN)
            some = reread(lambda before=before: site.writer.outbox.backlog(site.names[0]) < before)
            site.drive(some, "some")
            rules.write_text(SHUT)
        rules.write_text(OPEN)
        site.drive(reread(site.drained), "all of them")
        until(lambda: len(places(receiver)) == 400, "the last")
        raw = [int(json.loads(p)["pressure_kpa"]) for p in receiver.on("/events")]
        assert raw == list(range(400))
    finally:
        receiver.close()


@pytest.mark.parametrize("repeat_s", [35 * 60, 0])
def test_a_broker_killed_between_accepting_and_delivering(
    start: Callable[..., Broker], make: Make, tmp_path: Path, repeat_s: int
) -> None:
    """A broker that dies with accepted events still in its memory is told them again, so that a
    receiver of a lasting session gets every event in order; told nothing twice it would lose them.
    """
    store = tmp_path / "store"
    store.mkdir()
    broker = start(f"allow_anonymous true\npersistence true\npersistence_location {store}/\n")
    Receiver(broker.port, session="desk").close()
    broker.stop()  # which puts the session down
    broker.start()
    site = make(table(broker.port, f'repeat = "{repeat_s} s"'))
    for last in (100, 200, 300):
        keep(site.writer, 100, first=last - 100)
        site.drive(site.drained, "all to be accepted")
        broker.kill()
        site.drive(lambda: not site.tellers[0].state()["connected"], "the loss to be noticed")
        broker.start()
    keep(site.writer, 1, first=300)
    site.drive(lambda: site.tellers[0].state()["connected"] and site.drained(), "the rest")
    receiver = Receiver(broker.port, session="desk")
    until(lambda: places(receiver)[-1:] == [300], "the last")
    receiver.close()
    came = list(dict.fromkeys(places(receiver)))
    assert came == (list(range(301)) if repeat_s else [300])


def test_a_broker_killed_in_the_middle_gets_everything(
    start: Callable[..., Broker], make: Make
) -> None:
    """A broker that is killed while events are on the wire, again and again, is told everything
    from the first that it may have lost, in order and without a gap."""
    broker = start()
    site = make(table(broker.port))
    keep(site.writer, 600)
    for least in (450, 250, 0):
        receiver = Receiver(broker.port)
        site.drive(lambda least=least: site.writer.outbox.backlog(site.names[0]) <= least, "some")
        if least:
            broker.kill()
            site.drive(lambda: not site.tellers[0].state()["connected"], "the loss to be noticed")
        else:
            until(lambda late=receiver: places(late)[-1:] == [599], "the last")
        receiver.close()
        raw = [int(json.loads(p)["pressure_kpa"]) for p in receiver.on("/events")]
        assert raw == list(range(len(raw)))
        if least:
            assert site.writer.outbox.backlog(site.names[0]) > 0
            broker.start()


def test_a_broker_with_a_full_disk_still_passes_on(
    start: Callable[..., Broker], make: Make, tmp_path: Path
) -> None:
    """A broker that cannot write its store passes on what it accepts, in order and once."""
    store = tmp_path / "store"
    store.mkdir()
    broker = start(
        f"allow_anonymous true\npersistence true\npersistence_location {store}/\n"
        "autosave_on_changes true\nautosave_interval 1\nlog_dest stdout",
        largest_file=64 * 1024,
    )
    site = make(table(broker.port))
    receiver = Receiver(broker.port)
    keep(site.writer, 300)
    site.alerts = [{**ALERT, "text": "x" * 70_000}]  # retained: more than the disk has room for
    site.drive(site.drained, "the events")
    until(lambda: places(receiver)[-1:] == [299], "the last")
    receiver.close()
    assert places(receiver) == list(range(300))
    stored = store / "mosquitto.db"
    assert not stored.exists() or stored.stat().st_size <= 64 * 1024


def test_who_comes_late_sees_everything_at_once(start: Callable[..., Broker], make: Make) -> None:
    """Availability, readings and every open alert are there as soon as somebody subscribes."""
    broker = start()
    site = make(table(broker.port))
    site.alerts = [ALERT]
    site.drive(lambda: site.tellers[0]._told_all and not site.tellers[0]._under_way(), "all told")
    late = Receiver(broker.port)
    until(lambda: len(late.got) >= len(ALERTS) + 2, "what was retained")
    late.close()
    assert all(retained for _, _, retained in late.got)
    assert late.on("/availability") == [b"online"]
    assert json.loads(late.on("/readings")[0])["state"] == "act"
    states = {
        topic.rpartition("/")[2]: json.loads(p) for topic, p, _ in late.got if "/alerts/" in topic
    }
    assert states["low_pressure"]["state"] == "active"
    assert states["low_pressure"]["open"] == [ALERT]
    assert {body["state"] for name, body in states.items() if name != "low_pressure"} == {
        "inactive"
    }


def test_a_clean_stop_is_no_trouble(
    start: Callable[..., Broker], make: Make, caplog: pytest.LogCaptureFixture
) -> None:
    """Saying goodbye leaves nothing in the log that reads like a fault, in either version."""
    broker = start()
    caplog.set_level(logging.INFO)
    for version in ("5", "3.1.1"):
        site = make(table(broker.port, f'version = "{version}"'))
        keep(site.writer, 5)
        site.drive(site.drained, "the events")
        site.tellers[0].stop()
        site.tellers[0]._hear()
    assert [r.levelname for r in caplog.records if r.name == "edge.tell.mqtt"] == ["INFO"] * 2


def test_the_answer_may_come_before_the_packets_number() -> None:
    """A broker quicker than the call that publishes neither stalls the feed nor lets one overtake:
    the next goes only after the answer, and a refusal ends it until it is resumed."""
    from edge.tell.feed import Feed

    sent: list[bytes] = []
    answers: list[tuple[int, bool]] = []

    def publish(body: bytes) -> int:
        sent.append(body)
        if answers:
            feed.answered(*answers.pop(0))
        return len(sent)

    feed = Feed(publish)
    feed.answered(77, True)  # of another packet, long before
    answers += [(1, True), (2, False)]
    feed.add([(11, b"a"), (12, b"b"), (13, b"c")])
    assert sent == [b"a", b"b"]
    assert feed.numbers == {1: 11, 2: 12}
    feed.add([(14, b"d")])
    assert sent == [b"a", b"b"]
    feed.resume()
    feed.add([(12, b"b"), (13, b"c")])
    assert sent == [b"a", b"b", b"b"]
    feed.answered(99, True)
    assert len(sent) == 3
    feed.answered(3, True)
    assert sent[3:] == [b"c"]


def test_without_an_answer_nothing_more_is_sent(make: Make) -> None:
    """A broker that is silent has one event on the wire, however many wait."""
    mute = Mute()
    try:
        site = make(table(mute.port))
        keep(site.writer, 50)
        site.drive(lambda: mute.serve() or mute.events, "an event on the wire")
        for _ in range(50):
            site.tick()
            mute.serve()
        assert mute.events == 1
        assert site.writer.outbox.backlog(site.names[0]) == 50
    finally:
        mute.close()
