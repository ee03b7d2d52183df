"""What the demo's terminal shows: the events as a contractor's own receiver would get them."""

import json
import sys
import threading
from datetime import datetime
from typing import Any
from zoneinfo import ZoneInfo

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion

from edge.demo.place import LOOPBACK


class Ticker:
    """A subscriber to the demo's broker that writes one line an event, from `speak` on."""

    def __init__(self, site_id: str, zone: ZoneInfo) -> None:
        self._topic = f"dryhold/{site_id}/events"
        self._zone = zone
        self._may_speak = threading.Event()
        self._client = mqtt.Client(CallbackAPIVersion.VERSION2)
        self._client.on_connect = self._connected
        self._client.on_message = self._came

    def start(self, port: int) -> None:
        self._client.connect(LOOPBACK, port)
        self._client.loop_start()

    def speak(self) -> None:
        """Write what has come and what comes."""
        self._may_speak.set()

    def stop(self) -> None:
        self._may_speak.set()
        self._client.disconnect()
        self._client.loop_stop()

    def _connected(self, client: mqtt.Client, *_: Any) -> None:
        client.subscribe(self._topic, qos=1)

    def _came(self, _client: mqtt.Client, _data: Any, message: mqtt.MQTTMessage) -> None:
        self._may_speak.wait()
        event = json.loads(message.payload)
        at = datetime.fromisoformat(event["at"]).astimezone(self._zone)
        section = f"{event['section']}: " if "section" in event else ""
        print(f"  {at:%a %d %b %H:%M}  {section}{event['text']}")
        sys.stdout.flush()
