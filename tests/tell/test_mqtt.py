"""Telling a real broker."""

import json
import queue
import signal
import subprocess
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import paho.mqtt.client as paho
import pytest
import yaml
from brokers import Broker, Mute, Receiver, free_port, until
from jsonschema import Draft202012Validator
from referencing import Registry, Resource
from referencing.jsonschema import DRAFT202012

from edge.latest import Latest
from edge.model import ALERTS, Event, Reading, Status, Tick
from edge.settings import Mqtt, Settings, load
from edge.store.write import Writer
from edge.tell import mqtt
from edge.tell.mqtt import WINDOW, MqttMessenger
from edge.tell.secrets import password

T0 = 1_764_072_000.0
NAME = "mqtt here"
ROOT = "dryhold/saltmarsh-lane"

ALERT = {
    "alert": "low_pressure",
    "section": "supply",
    "priority": "urgent",
    "state": "active",
    "since": "2025-11-25T12:00:00.000Z",
    "text": "The line is at 33 psi, under the low limit of 34 psi.",
    "cause": "leak",
    "todo": "Go and look.",
    "evidence": {"pressure_kpa": 227.5},
    "followers": [],
}


@pytest.fixture
def broker(needs: Callable[[str], str], tmp_path: Path) -> Iterator[Broker]:
    made = Broker(needs("mosquitto"), tmp_path)
    yield made
    made.stop()


@pytest.fixture
def settings(saltmarsh: Path) -> Settings:
    return load(saltmarsh)


@pytest.fixture
def writer(tmp_path: Path, settings: Settings) -> Iterator[Writer]:
    writer = Writer(tmp_path / "state", settings, [NAME])
    yield writer
    writer.close()


Make = Callable[..., MqttMessenger]


@pytest.fixture
def messenger(writer: Writer) -> Iterator[Make]:
    """Makes messengers that try again at once, and stops them."""
    made: list[MqttMessenger] = []

    def make(port: int, version: str = "5", **more: Any) -> MqttMessenger:
        table = {"host": "127.0.0.1", "port": port, "version": version, "readings_every": "10 s"}
        found = Mqtt.model_validate({**table, **more})
        made.append(
            MqttMessenger(NAME, found, "saltmarsh-lane", writer.outbox, jitter=lambda: -0.9)
        )
        return made[-1]

    yield make
    for one in made:
        one.stop()


def newest(settings: Settings, alerts: list[dict[str, Any]] = [], t: float = T0) -> dict[str, Any]:  # noqa: B006
    readings = [
        Reading(c.name, c.quantity, None, Status.FAILURE, "wire broken")
        if c.name == "oxygen"
        else Reading(c.name, c.quantity, 1.0)
        for c in settings.channel
    ]
    picture = {
        "state": "act" if alerts else "holding",
        "reason": "The line holds.",
        "todo": "Nothing.",
        "not_judged": [],
        "sections": {"supply": {"pressure_kpa": 1.0, "explain": {"loss": [["a", "b"]]}}},
        "alerts": alerts,
        "hold_test": None,
    }
    monitor = {
        "not_kept": None,
        "readings_lost": 0,
        "events_lost": 0,
        "messengers": {NAME: {"connected": True, "why": None, "waiting": 0, "dropped": 0}},
    }
    latest, tick = Latest(), Tick(t, 0.0, ())
    latest.see(tick, readings)
    return latest.compose(tick, readings, t, picture, monitor)


def keep(writer: Writer, count: int, first: int = 0) -> None:
    """Events that carry their place in a row."""
    events = [
        Event(T0 + i, "cut_in", f"The generator started, {i}.", "supply", {"pressure_kpa": i * 1.0})
        for i in range(first, first + count)
    ]
    writer.keep([], events, {})


def places(receiver: Receiver) -> list[int]:
    """The places of the events received, doubles dropped by their id as a receiver should."""
    seen = {json.loads(p)["id"]: int(json.loads(p)["pressure_kpa"]) for p in receiver.on("/events")}
    return list(seen.values())


def drive(messenger: MqttMessenger, settings: Settings, done: Callable[[], Any], what: str) -> None:
    """Tick until it is done."""
    t = [T0]

    def once() -> Any:
        messenger.tell(t[0], newest(settings))
        t[0] += 1.0
        return done()

    until(once, what)


@pytest.fixture
def receiver(broker: Broker) -> Iterator[Receiver]:
    made = Receiver(broker.port)
    yield made
    made.close()


@pytest.mark.parametrize("version", ["5", "3.1.1"])
def test_a_broker_hears_everything_in_both_versions(
    version: str,
    broker: Broker,
    receiver: Receiver,
    writer: Writer,
    messenger: Make,
    settings: Settings,
) -> None:
    """Online first, every event once and in order, the readings, every alert's state, and offline
    at the end; all but events retained for who comes later."""
    keep(writer, 2 * WINDOW + 5)
    teller = messenger(broker.port, version)
    drive(teller, settings, lambda: writer.outbox.backlog(NAME) == 0, "all events to be accepted")
    teller.stop()
    until(lambda: receiver.on("/availability")[-1:] == [b"offline"], "offline")
    assert receiver.got[0][:2] == (f"{ROOT}/availability", b"online")
    assert [json.loads(p)["pressure_kpa"] for p in receiver.on("/events")] == list(range(205))
    late = Receiver(broker.port)
    until(lambda: len(late.got) >= len(ALERTS) + 3, "what was retained")
    late.close()
    assert {topic for topic, _, retained in late.got if retained} == {
        f"{ROOT}/availability",
        f"{ROOT}/readings",
        f"{ROOT}/health",
        *(f"{ROOT}/alerts/{alert}" for alert in ALERTS),
    }
    assert late.on("/availability") == [b"offline"]


def test_what_waited_out_a_dead_broker_arrives_in_order(
    broker: Broker, writer: Writer, messenger: Make, settings: Settings
) -> None:
    """While the broker is down nothing is marked and nothing is lost; then all comes in order,
    from the first that it may have lost when it died."""
    teller = messenger(broker.port)
    keep(writer, 3)
    drive(teller, settings, lambda: writer.outbox.backlog(NAME) == 0, "the first events")
    broker.stop()
    keep(writer, 30, first=3)
    drive(teller, settings, lambda: not teller.state()["connected"], "the loss to be noticed")
    assert teller.state()["why"]
    assert writer.outbox.backlog(NAME) == 30
    broker.start()
    late = Receiver(broker.port)
    drive(teller, settings, lambda: writer.outbox.backlog(NAME) == 0, "the rest")
    until(lambda: places(late)[-1:] == [32], "the last event")
    late.close()
    assert places(late) == list(range(33))  # the first three are told again


def test_nothing_is_marked_before_the_broker_accepts(
    writer: Writer, messenger: Make, settings: Settings
) -> None:
    """One event is on the wire; as nobody acknowledges it, all stay in the outbox."""
    mute = Mute()
    try:
        teller = messenger(mute.port)
        keep(writer, 5)
        drive(teller, settings, lambda: mute.serve() or mute.events == 1, "an event on the wire")
        for _ in range(20):
            teller.tell(T0, newest(settings))
            mute.serve()
        assert mute.events == 1
        assert teller.state()["connected"]
        assert writer.outbox.backlog(NAME) == 5
    finally:
        mute.close()


def test_a_refused_topic_stays_in_the_outbox_until_it_is_allowed(
    needs: Callable[[str], str],
    tmp_path: Path,
    writer: Writer,
    messenger: Make,
    settings: Settings,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """With MQTT 5 an access list that refuses events leaves them unmarked, in order, and says so;
    once allowed they arrive."""
    users, rules = tmp_path / "users", tmp_path / "rules"
    users.touch()
    for name in ("dryhold", "reader"):
        subprocess.run([needs("mosquitto_passwd"), "-b", users, name, "secret"], check=True)
    allowed = "user reader\ntopic read #\nuser dryhold\ntopic write dryhold/+/availability\n"
    rules.write_text(allowed)
    for file in (users, rules):
        file.chmod(0o644)
    lines = f"allow_anonymous false\npassword_file {users}\nacl_file {rules}"
    monkeypatch.setenv("DRYHOLD_MQTT_PASSWORD", "secret")
    broker = Broker(needs("mosquitto"), tmp_path, lines)
    try:
        teller = messenger(broker.port, user="dryhold")
        keep(writer, 3)
        drive(teller, settings, lambda: "ot authorized" in str(teller.state()["why"]), "a refusal")
        assert writer.outbox.backlog(NAME) == 3
        broker.stop()
        rules.write_text(allowed + "topic write dryhold/#\n")
        broker.start()
        late = Receiver(broker.port, ("reader", "secret"))
        drive(teller, settings, lambda: writer.outbox.backlog(NAME) == 0, "the events")
        until(lambda: len(places(late)) == 3, "the events to arrive")
        late.close()
        assert places(late) == [0, 1, 2]
        assert teller.state()["why"] is None
    finally:
        broker.stop()


def test_a_retained_state_that_was_refused_is_told_again(
    needs: Callable[[str], str],
    tmp_path: Path,
    messenger: Make,
    settings: Settings,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Alerts and health that an access list refused arrive on the same connection once it lets them
    pass, each as it stands by then, and nothing is said to be wrong any more."""
    users, rules = tmp_path / "users", tmp_path / "rules"
    users.touch()
    for name in ("dryhold", "reader"):
        subprocess.run([needs("mosquitto_passwd"), "-b", users, name, "secret"], check=True)
    refusing = "user reader\ntopic read #\nuser dryhold\ntopic write dryhold/+/availability\n"
    rules.write_text(refusing)
    for file in (users, rules):
        file.chmod(0o644)
    lines = f"allow_anonymous false\npassword_file {users}\nacl_file {rules}"
    monkeypatch.setenv("DRYHOLD_MQTT_PASSWORD", "secret")
    broker = Broker(needs("mosquitto"), tmp_path, lines)
    late = Receiver(broker.port, ("reader", "secret"))
    try:
        teller, t = messenger(broker.port, user="dryhold"), [T0]

        def told(alerts: list[dict[str, Any]]) -> dict[str, Any]:
            t[0] += 1.0
            teller.tell(t[0], newest(settings, alerts))
            return teller.state()

        until(lambda: "ot authorized" in str(told([])["why"]), "a refusal")
        until(lambda: told([ALERT]) and not teller._under_way(), "all answers")
        client = teller._client
        rules.write_text(refusing + "topic write dryhold/#\n")

        def let_pass() -> bool:
            broker.signal(signal.SIGHUP)  # it forgets one that comes while it rereads its list
            return told([ALERT])["why"] is None

        until(let_pass, "what was refused to be accepted")
        until(lambda: late.on("/health") and len(late.on("/low_pressure")) == 1, "the states")
        assert json.loads(late.on("/low_pressure")[0])["state"] == "active"
        assert teller._client is client
    finally:
        late.close()
        broker.stop()


def test_a_wrong_password_is_said_and_tried_again(
    needs: Callable[[str], str],
    tmp_path: Path,
    writer: Writer,
    messenger: Make,
    settings: Settings,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """A broker that refuses the user leaves a reason, and nothing is marked."""
    users = tmp_path / "users"
    users.touch()
    subprocess.run([needs("mosquitto_passwd"), "-b", users, "dryhold", "right"], check=True)
    users.chmod(0o644)
    broker = Broker(needs("mosquitto"), tmp_path, f"allow_anonymous false\npassword_file {users}")
    try:
        keep(writer, 1)
        monkeypatch.setenv("DRYHOLD_MQTT_PASSWORD", "wrong")
        teller = messenger(broker.port, user="dryhold")
        drive(teller, settings, lambda: "refused" in str(teller.state()["why"]), "a refusal")
        assert writer.outbox.backlog(NAME) == 1
        monkeypatch.setenv("DRYHOLD_MQTT_PASSWORD", "right")
        drive(teller, settings, lambda: writer.outbox.backlog(NAME) == 0, "the event")
    finally:
        broker.stop()


def test_alerts_are_told_when_they_change(
    broker: Broker, receiver: Receiver, messenger: Make, settings: Settings
) -> None:
    """An alert's retained state follows it: inactive, active, acknowledged, inactive."""
    teller = messenger(broker.port)
    drive(teller, settings, lambda: receiver.on("/low_pressure"), "the first state")
    steps = [[ALERT], [ALERT], [{**ALERT, "state": "acknowledged"}], []]
    for alerts in steps:
        teller.tell(T0 + 100, newest(settings, alerts))
    until(lambda: len(receiver.on("/low_pressure")) == 4, "the changes")
    states = [json.loads(p)["state"] for p in receiver.on("/low_pressure")]
    assert states == ["inactive", "active", "acknowledged", "inactive"]


def test_a_monitor_that_dies_is_offline_for_who_comes_later_too(
    broker: Broker, receiver: Receiver, messenger: Make, settings: Settings
) -> None:
    """When its connection breaks without a goodbye the broker says "offline" for it, and holds that
    for whoever subscribes afterwards."""
    teller = messenger(broker.port)
    drive(teller, settings, lambda: b"online" in receiver.on("/availability"), "online")
    client, teller._client = teller._client, None
    assert client is not None
    client.loop_stop()
    line = client.socket()
    assert line is not None
    line.close()
    until(lambda: receiver.on("/availability")[-1] == b"offline", "the last will")
    late = Receiver(broker.port)
    try:
        until(lambda: late.on("/availability"), "what is held")
        assert [(p, r) for t, p, r in late.got if t.endswith("/availability")] == [
            (b"offline", True)
        ]
    finally:
        late.close()


def test_old_readings_leave_the_broker_by_themselves(
    broker: Broker, messenger: Make, settings: Settings
) -> None:
    """With MQTT 5 the broker is told to hold readings for a day at most, so that a monitor that was
    taken away shows no pressure for ever."""
    got = queue.SimpleQueue[Any]()
    reader = paho.Client(paho.CallbackAPIVersion.VERSION2, protocol=paho.MQTTv5)
    reader.on_connect = lambda client, *_: client.subscribe("dryhold/+/readings")
    reader.on_message = lambda _c, _u, message: got.put(message)
    reader.connect("127.0.0.1", broker.port)
    reader.loop_start()
    try:
        drive(messenger(broker.port), settings, lambda: not got.empty(), "readings")
        assert 0 < got.get().properties.MessageExpiryInterval <= 86400
    finally:
        reader.disconnect()
        reader.loop_stop()


def test_readings_keep_their_pace(
    broker: Broker, receiver: Receiver, messenger: Make, settings: Settings
) -> None:
    """At a tick a second and every 10 s, 35 ticks tell the readings four times."""
    teller = messenger(broker.port)
    until(lambda: teller.tell(T0, newest(settings)) or teller.state()["connected"], "a connection")
    for i in range(35):
        teller.tell(T0 + i, newest(settings, t=T0 + i))
    teller.stop()
    until(lambda: receiver.on("/availability")[-1:] == [b"offline"], "offline")
    at = [json.loads(p)["at"][-7:-5] for p in receiver.on("/readings")]
    assert at == ["00", "10", "20", "30"]


def test_waiting_grows_to_a_bound_and_is_spread() -> None:
    """The wait before each attempt doubles up to two minutes, and lies in its upper half."""
    for jitter, share in ((0.0, 0.5), (1.0, 1.0)):
        one = MqttMessenger(
            NAME,
            Mqtt(host="x"),
            "s",
            None,
            jitter=lambda jitter=jitter: jitter,  # type: ignore[arg-type]
        )
        waits = [one._wait(failures) for failures in (0, 1, 3, 7, 1000)]
        assert waits == [share * s for s in (1.0, 2.0, 8.0, 120.0, 120.0)]


def test_a_host_that_is_not_there_is_tried_again(
    writer: Writer, messenger: Make, settings: Settings
) -> None:
    """Nobody at the address is a reason, not an error; memory holds nothing but the try."""
    teller = messenger(free_port())
    keep(writer, 2)
    for _ in range(2):
        drive(teller, settings, lambda: teller._failures >= 2, "two attempts")
    assert teller.state() == {
        "connected": False,
        "why": "[Errno 111] Connection refused",
        "waiting": 2,
        "dropped": 0,
    }
    assert not teller._in_flight


def test_the_password_comes_from_outside(tmp_path: Path) -> None:
    """The environment first, then systemd's credential, else none."""
    (tmp_path / "mqtt_password").write_text("of systemd\n")
    folder = {"CREDENTIALS_DIRECTORY": str(tmp_path)}
    name = "mqtt_password"
    assert password(name, {"DRYHOLD_MQTT_PASSWORD": "given", **folder}) == "given"
    assert password(name, folder) == "of systemd"
    assert password("second_broker", folder) is None
    assert password(name, {"CREDENTIALS_DIRECTORY": str(tmp_path / "none")}) is None
    assert password(name, {}) is None
    (tmp_path / name).write_bytes(b"\xff\xfe")
    with pytest.raises(OSError, match="UTF-8"):
        password(name, folder)


# --- the description


DOCUMENT = yaml.safe_load((Path(mqtt.__file__).parent / "asyncapi.yaml").read_text())


def schema(name: str) -> Draft202012Validator:
    resource: Resource[Any] = Resource(DOCUMENT, DRAFT202012)
    registry: Registry[Any] = Registry().with_resource("urn:asyncapi", resource)
    where = f"urn:asyncapi#/components/schemas/{name}"
    return Draft202012Validator({"$ref": where}, registry=registry)


def test_what_is_sent_is_what_is_described(
    broker: Broker, receiver: Receiver, writer: Writer, messenger: Make, settings: Settings
) -> None:
    """Every payload that really arrives is valid by the AsyncAPI document, on a topic it names."""
    numbers = {"alert": "low_pressure", "priority": "urgent", "cause": "leak", "evidence": {}}
    writer.keep([], [Event(T0, "alert_raised", "It fell.", "supply", numbers)], {})
    keep(writer, 2)
    writer.keep([], [Event(T0, "monitor_started", "The monitor started.")], {})
    teller = messenger(broker.port)
    drive(teller, settings, lambda: writer.outbox.backlog(NAME) == 0, "the events")
    teller.tell(T0 + 100, newest(settings, [ALERT]))
    teller.stop()
    until(lambda: receiver.on("/availability")[-1:] == [b"offline"], "offline")
    by_address = {
        channel["address"].split("/")[2]: next(iter(channel["messages"]))
        for channel in DOCUMENT["channels"].values()
    }
    checked = set()
    for topic, payload, _ in receiver.got:
        name = by_address[topic.removeprefix("dryhold/saltmarsh-lane/").split("/")[0]]
        body = payload.decode() if name == "availability" else json.loads(payload)
        schema(name).validate(body)
        checked.add(name)
    assert checked == {"availability", "readings", "health", "alert", "event"}


def test_health_is_told_at_once_when_it_changes(
    broker: Broker, receiver: Receiver, messenger: Make, settings: Settings
) -> None:
    """Who subscribes late gets it; a disk that fails is told with the very next look, what stays the same only after five minutes."""
    teller = messenger(broker.port)
    drive(teller, settings, lambda: receiver.on("/health"), "the health")
    full = newest(settings, [])
    full["monitor"]["not_kept"] = "disk full"
    for t in (1.0, 2.0, 3.0):
        teller.tell(T0 + 200.0 + t, full)
    until(lambda: len(receiver.on("/health")) >= 2, "the trouble")
    teller.tell(T0 + 203.0 + mqtt.HEALTH_EVERY_S, full)
    teller.stop()
    until(lambda: receiver.on("/availability")[-1:] == [b"offline"], "offline")
    said = [json.loads(body) for body in receiver.on("/health")]
    assert [one["kept"] for one in said] == [True, False, False]
    assert said[1]["why"] == "disk full"
    assert said[0]["messengers"] == [
        {"messenger": NAME, "connected": True, "waiting": 0, "dropped": 0}
    ]


def test_the_description_hangs_together() -> None:
    """Every reference in the document leads somewhere, and it knows the same alerts as we do."""

    def references(node: Any) -> Iterator[str]:
        if isinstance(node, dict):
            for key, value in node.items():
                if key == "$ref":
                    yield value
                else:
                    yield from references(value)
        elif isinstance(node, list):
            for value in node:
                yield from references(value)

    found = set(references(DOCUMENT))
    assert len(found) > 10
    for reference in found:
        node = DOCUMENT
        for part in reference.removeprefix("#/").split("/"):
            node = node[part]
    assert DOCUMENT["components"]["schemas"]["alertName"]["enum"] == list(ALERTS)
    for name in DOCUMENT["components"]["schemas"]:
        Draft202012Validator.check_schema(DOCUMENT["components"]["schemas"][name])
