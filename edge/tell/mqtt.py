"""Tells an MQTT broker, 5 or 3.1.1, as asyncapi.yaml beside this file describes.

paho's own queue is in memory and would hand over again what a restart had already sent, so it is
given only what is in flight: each connection is a new client, and what the last one did not see
accepted is taken from the outbox again, in order. A receiver drops doubles by their id.

With MQTT 5 a broker says when an access list refuses a topic, and the event stays in the outbox.
3.1.1 has no such answer: there a refused event looks accepted, and is lost.
"""

import json
import logging
import queue
import random
import sys
import time
from collections.abc import Callable, Mapping
from typing import Any

import paho.mqtt.client as paho
from paho.mqtt.enums import MQTTErrorCode
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

from edge.errors import StoreError
from edge.model import ALERTS
from edge.ports import Outbox
from edge.settings import Mqtt, Settings
from edge.tell import broker, newest
from edge.tell.feed import Feed

log = logging.getLogger(__name__)

TOLD = None
"""Every event is told."""

WINDOW = 100
"""The most events, and the most other messages of QoS 1, handed over and not accepted yet."""

IN_FLIGHT = 20
"""The most of them on the wire at once; for a broker that takes fewer, WINDOW shrinks to that."""

FIRST_WAIT_S = 1.0
LONGEST_WAIT_S = 120.0
GOODBYE_S = 3.0
STALE_S = 86400
"""How long a broker keeps the readings of a monitor that says nothing more."""

HEALTH_EVERY_S = 300.0


def names(settings: Settings) -> list[str]:
    """One for each broker."""
    return [f"mqtt {one.host}:{one.port}" for one in settings.mqtt]


def open_messengers(
    settings: Settings, outbox: Outbox, _history: object = None
) -> list["MqttMessenger"]:
    """One for each broker; none connects before it is first used."""
    return [
        MqttMessenger(name, one, settings.site.id, outbox)
        for name, one in zip(names(settings), settings.mqtt, strict=True)
    ]


class MqttMessenger:
    """One broker. Used from one thread; paho's network thread only puts news in a queue."""

    def __init__(
        self,
        name: str,
        settings: Mqtt,
        site_id: str,
        outbox: Outbox,
        monotonic: Callable[[], float] = time.monotonic,
        utc: Callable[[], float] = time.time,
        jitter: Callable[[], float] = random.random,
    ) -> None:
        """`monotonic` is real time even where the site's runs faster: networks do not."""
        self.name = name
        self._broker, self._site_id, self._outbox = settings, site_id, outbox
        self._monotonic, self._utc, self._jitter = monotonic, utc, jitter
        self._prefix = f"dryhold/{site_id}"
        self._client: paho.Client | None = None
        self._news: queue.SimpleQueue[tuple[str, Any, Any]] = queue.SimpleQueue()
        self._connected = False
        self._why: str | None = "not connected yet"
        self._failures = 0
        self._next_try = 0.0
        self._give_up = 0.0  # when an attempt to connect has taken too long
        self._window = WINDOW
        self._in_flight: dict[int, str] = {}  # packets of QoS 1 that are no events: their topics
        # topic: how often it was refused in a row, and when to tell it again
        self._refused: dict[str, tuple[int, float]] = {}
        self._feed: Feed | None = None  # of this connection
        self._handed = 0  # the highest event number handed to it
        self._accepted: list[int] = []  # accepted, and not marked yet
        self._hold_until = 0.0  # after a refusal
        self._refusals = 0
        self._doubtful = True  # whether the broker may have lost what it accepted
        self._lost_at: float | None = None  # when, in UTC; None where this life did not see it
        self._said: dict[str, list[Any]] = {}  # of each alert, what this connection was told last
        self._told_all = False  # since then, only of those that stand
        self._readings_due = 0.0
        self._health: dict[str, Any] | None = None  # what this connection was told last
        self._health_due = 0.0

    def tell(self, t: float, latest: Mapping[str, Any]) -> None:
        if self._client is None and self._monotonic() >= self._next_try:
            self._connect()
        self._hear()
        if not self._connected:
            if self._client is not None and self._monotonic() >= self._give_up:
                self._client.disconnect()
                self._lost("no answer")
            return
        if "availability" in self._again():
            self._publish("availability", "online")
        self._tell_alerts(latest)
        if self._doubtful:
            self._take_back()
        self._hand_over()
        # After a restart or a change of pace the due time may lie anywhere: never wait longer.
        self._readings_due = min(self._readings_due, t + self._broker.readings_every_s)
        if t >= self._readings_due:
            self._publish("readings", newest.readings(latest), qos=0)
            self._readings_due = t + self._broker.readings_every_s
        self._tell_health(t, latest)

    def state(self) -> dict[str, Any]:
        return {
            "connected": self._connected,
            "why": self._why,
            "waiting": self._outbox.backlog(self.name),
            "dropped": self._outbox.dropped(self.name),
        }

    def stop(self) -> None:
        client = self._client
        if client is None:
            return
        deadline = self._monotonic() + GOODBYE_S
        self._hear()
        if self._connected:
            self._hand_over()
            self._publish("availability", "offline")
            while self._connected and self._under_way() and self._monotonic() < deadline:
                self._hear(wait_s=0.05)
                self._hand_over()
        client.disconnect()
        client.loop_stop()
        self._connected, self._client = False, None
        self._hear()  # which marks the last ones; that the connection ended is no news

    # --- the connection

    def _connect(self) -> None:
        # The same name for ever: a broker that still holds a dead connection of ours ends it, and
        # its last will, before the new one says "online".
        client = broker.unconnected(self._broker, f"dryhold-{self._site_id}")
        news = self._news
        client.max_inflight_messages_set(IN_FLIGHT)
        client.will_set(f"{self._prefix}/availability", "offline", qos=1, retain=True)

        def connected(_c: Any, _u: Any, _flags: Any, reason: Any, properties: Any) -> None:
            if reason.is_failure:
                news.put(("lost", client, f"the broker refused: {reason}"))
                return
            news.put(("connected", client, getattr(properties, "ReceiveMaximum", IN_FLIGHT)))

        def failed(_c: Any, _u: Any) -> None:
            news.put(("lost", client, broker.why(sys.exception())))
            client.disconnect()  # or paho would go on trying at its own pace

        def disconnected(_c: Any, _u: Any, _flags: Any, reason: Any, _p: Any) -> None:
            news.put(("lost", client, f"the connection ended: {reason}"))

        def published(_c: Any, _u: Any, packet: int, reason: Any, _p: Any) -> None:
            refused = str(reason) if reason.is_failure else None
            news.put(("published", client, (packet, refused)))
            feed.answered(packet, accepted=refused is None)

        def publish(body: bytes) -> int | None:
            sent = client.publish(f"{self._prefix}/events", body, qos=1)
            return sent.mid if sent.rc == MQTTErrorCode.MQTT_ERR_SUCCESS else None

        feed = Feed(publish)
        client.on_connect = connected
        client.on_connect_fail = failed
        client.on_disconnect = disconnected
        client.on_publish = published
        self._client, self._feed = client, feed
        self._give_up = self._monotonic() + broker.CONNECT_S
        try:
            broker.secure(client, self._broker)
            broker.begin(client.connect_async, self._broker)
        except (OSError, ValueError) as error:
            self._lost(str(error))
            return
        client.loop_start()

    def _hear(self, wait_s: float = 0.0) -> None:
        """Take in what the network thread reported; news of an earlier connection is old."""
        while True:
            try:
                kind, client, what = (
                    self._news.get(timeout=wait_s) if wait_s else self._news.get_nowait()
                )
            except queue.Empty:
                break
            wait_s = 0.0
            if client is not self._client:
                continue
            if kind == "connected":
                self._greet(what)
            elif kind == "lost":
                self._lost(what)
            else:
                self._published(*what)
        self._mark()

    def _greet(self, receive_maximum: int) -> None:
        log.info("%s: connected", self.name)
        self._window = WINDOW if receive_maximum >= IN_FLIGHT else receive_maximum
        self._connected, self._why, self._failures = True, None, 0
        self._said, self._told_all, self._health = {}, False, None
        self._refused = {}
        self._handed, self._readings_due = 0, float("-inf")
        self._publish("availability", "online")

    def _lost(self, why: str) -> None:
        if self._connected or self._failures == 0:
            log.warning("%s: %s; trying again", self.name, why)
        if self._connected:
            self._doubtful, self._lost_at = True, self._utc()
        self._client, self._feed, self._connected, self._why = None, None, False, why
        self._in_flight.clear()
        self._next_try = self._monotonic() + self._wait(self._failures)
        self._failures += 1

    def _wait(self, failures: int) -> float:
        """Longer each time, up to a bound, and spread: many sites lose one broker together."""
        longest = min(LONGEST_WAIT_S, FIRST_WAIT_S * 2.0 ** min(failures, 16))
        return longest * (0.5 + 0.5 * self._jitter())

    # --- events

    def _take_back(self) -> None:
        """A connection that ended may have ended with the broker: what it had accepted and not
        put down yet is told again, in its place before everything newer."""
        try:
            self._outbox.doubt(self.name, self._lost_at, self._broker.repeat_s)
        except StoreError as error:
            log.error("%s: not known yet what to tell again: %s", self.name, error)
            return
        self._doubtful = False

    def _under_way(self) -> bool:
        return bool(self._in_flight) or (self._feed is not None and len(self._feed) > 0)

    def _hand_over(self) -> None:
        if self._feed is None or self._doubtful or self._monotonic() < self._hold_until:
            return
        if self._outbox.backlog(self.name) == 0:
            return
        room = WINDOW - len(self._feed)
        if room <= 0:
            return
        found = self._outbox.waiting(self.name, self._handed, room)
        if found:
            self._handed = found[-1][0]
            self._feed.add((number, _bytes(event)) for number, event in found)

    def _published(self, packet: int, refused: str | None) -> None:
        topic = self._in_flight.pop(packet, None)
        if topic is not None:
            self._answered(topic, accepted=refused is None)
        number = None if self._feed is None else self._feed.numbers.pop(packet, None)
        if refused is None:
            if number is not None:
                self._accepted.append(number)
                self._refusals, self._why = 0, None
            return
        if self._why is None:
            log.warning("%s: the broker refused a message: %s", self.name, refused)
        self._why = f"the broker refused a message: {refused}"
        if number is not None:
            # It stays in the outbox and goes first when the hold is over, with all after it.
            if self._feed is not None:
                self._feed.resume()
            self._handed = number - 1
            self._hold_until = self._monotonic() + self._wait(self._refusals)
            self._refusals += 1

    def _answered(self, topic: str, *, accepted: bool) -> None:
        """A retained state that was refused is told again after a while, longer each time."""
        if not accepted:
            times, _ = self._refused.get(topic, (0, 0.0))
            self._refused[topic] = times + 1, self._monotonic() + self._wait(times)
        elif self._refused.pop(topic, None) and not self._refused and self._refusals == 0:
            self._why = None

    def _again(self) -> set[str]:
        """The retained topics that were refused and are due again."""
        t = self._monotonic()
        return {topic for topic, (_, due) in self._refused.items() if t >= due}

    def _mark(self) -> None:
        if not self._accepted:
            return
        try:
            self._outbox.accepted(self.name, self._accepted, self._utc())
        except StoreError as error:
            log.error("%s: accepted, but not marked yet: %s", self.name, error)
            return
        self._accepted = []

    # --- the newest

    def _tell_alerts(self, latest: Mapping[str, Any]) -> None:
        opened: dict[str, list[Mapping[str, Any]]] = {}
        for one in latest["picture"].get("alerts", []):
            opened.setdefault(one["alert"], []).append(one)
        news = {alert: [newest.gist(one) for one in mine] for alert, mine in opened.items()}
        again = {topic for topic in self._again() if topic.startswith("alerts/")}
        if self._told_all and news == self._said and not again:
            return
        # An alert never told on this connection is told even when it does not stand: a receiver
        # may hold what an earlier one said.
        for alert in ALERTS:
            said = self._said.get(alert, [] if self._told_all else None)
            if said == news.get(alert, []) and f"alerts/{alert}" not in again:
                continue
            mine = opened.get(alert, [])
            still = [newest.opened(one) for one in mine]
            body = {"alert": alert, "at": latest["at"], "state": newest.state(mine), "open": still}
            if len(self._in_flight) >= self._window or not self._publish(f"alerts/{alert}", body):
                return
            self._said[alert] = news.get(alert, [])
        self._said, self._told_all = news, True

    def _tell_health(self, t: float, latest: Mapping[str, Any]) -> None:
        """At once when something fails or works again, the figures now and then."""
        health = newest.health(latest)
        trouble = {"kept": health["kept"], "told": [m["connected"] for m in health["messengers"]]}
        self._health_due = min(self._health_due, t + HEALTH_EVERY_S)
        if trouble == self._health and t < self._health_due and "health" not in self._again():
            return
        if len(self._in_flight) < self._window and self._publish("health", health):
            self._health, self._health_due = trouble, t + HEALTH_EVERY_S

    def _publish(
        self,
        topic: str,
        body: Mapping[str, Any] | str,
        qos: int = 1,
    ) -> bool:
        """Hand over a retained message; False when the connection is gone."""
        if self._client is None:
            return False
        properties = None
        if topic == "readings" and self._broker.version == "5":
            properties = Properties(PacketTypes.PUBLISH)  # type: ignore[no-untyped-call]
            properties.MessageExpiryInterval = STALE_S
        sent = self._client.publish(
            f"{self._prefix}/{topic}", _bytes(body), qos, retain=True, properties=properties
        )
        if sent.rc != MQTTErrorCode.MQTT_ERR_SUCCESS:
            return False
        if qos:
            self._in_flight[sent.mid] = topic
        if topic in self._refused:
            self._refused[topic] = self._refused[topic][0], float("inf")  # until the answer
        return True


def prove(settings: Settings, say: Callable[[str], None]) -> bool:
    """Connects to each broker as the daemon would and has it take one message; tells each step,
    and what failed."""
    good = [broker.prove(one, settings.site.id, say) for one in settings.mqtt]
    return all(good)


def _bytes(body: Mapping[str, Any] | str) -> bytes:
    text = body if isinstance(body, str) else json.dumps(body, ensure_ascii=False)
    return text.encode()
