"""What comes over a wire: from a bus, a probe, a broker and a mail server."""

import os
import select
import socket
import ssl
from contextlib import ExitStack
from datetime import datetime
from io import BytesIO
from pathlib import Path
from typing import Any
from unittest.mock import patch

import paho.mqtt.client as paho

from edge.model import Event
from edge.sensors import w1
from edge.sensors.bench import Bench, look, open_sensors
from edge.sensors.i2c import Bus
from edge.settings import Mail, Mqtt, Settings, load
from edge.store.write import Writer
from edge.tell import letter, mqtt, post
from edge.tell.mqtt import FIRST_WAIT_S, GOODBYE_S, MqttMessenger
from edge.tell.secrets import spellings
from tests.fuzz.place import EXAMPLE, NOW, place
from tests.fuzz.target import Target, a_second, by_tick, target
from tests.sensors.sites import site


class _BadWire:
    """A bus that answers with the given bytes, then as many zeros as are asked for."""

    def __init__(self) -> None:
        self.left = b""

    def feed(self, data: bytes) -> None:
        self.left = data

    def _take(self, n: int) -> bytes:
        got, self.left = self.left[:n], self.left[n:]
        if got[:1] == b"\xee":  # one way to let the wire fail
            raise OSError(got[-1], "the wire failed")
        return got.ljust(n, b"\0")

    def writeto(self, address: int, buffer: Any, *, start: int = 0, end: int | None = None) -> None:
        self._take(1)

    def readfrom_into(
        self, address: int, buffer: Any, *, start: int = 0, end: int | None = None
    ) -> None:
        end = len(buffer) if end is None else end
        buffer[start:end] = self._take(end - start)

    def writeto_then_readfrom(
        self,
        address: int,
        buffer_out: Any,
        buffer_in: Any,
        *,
        out_start: int = 0,
        out_end: int | None = None,
        in_start: int = 0,
        in_end: int | None = None,
    ) -> None:
        in_end = len(buffer_in) if in_end is None else in_end
        buffer_in[in_start:in_end] = self._take(in_end - in_start)


@target(
    by_tick(why="all channels of the bus are read once a tick, and a failed read is not repeated")
)
def i2c(_scratch: Path) -> Target:
    """Bytes from a bus that lies: a reading with a value in range, or one with a reason."""
    settings = site(
        {"name": "line", "quantity": "pressure", "unit": "psi", "input": "ads1115:0x48/0",
         "reads": {"volts": [0.5, 4.5], "as": [0, 100]}, "divider": 2.0},
        {"name": "loop", "quantity": "temperature", "unit": "°F", "input": "ads1115:0x48/1",
         "reads": {"milliamps": [4, 20], "as": [-40, 160]}, "shunt": "100 Ω"},
        {"name": "cell", "quantity": "oxygen", "unit": "%", "input": "ads1115:0x49/0-1",
         "reads": {"volts": [0.0, 0.012], "as": [0, 20.95]}},
    )  # fmt: skip
    wire, now = _BadWire(), [0.0]

    def sleep(seconds: float) -> None:
        now[0] += seconds

    def steady() -> float:
        now[0] += 1e-5
        return now[0]

    def feed(data: bytes) -> None:
        wire.feed(data)
        began = now[0]
        with Bench(steady=steady, sleep=sleep, open_bus=lambda: Bus(wire, None)) as bench:
            for reading in look(open_sensors(settings, bench)):
                if reading.value is None:
                    assert reading.why
                    assert "fault in the program" not in reading.why, reading.why
                else:
                    assert abs(reading.value) < 1e4
        assert now[0] - began < 2.0, "the wire held the loop up"

    good = bytes.fromhex("8583 c583 4000") * 6
    return Target(feed, (good, b"", b"\xee\x79" * 8, b"\xff" * 40, good[1:]), 4096)


@target(
    a_second(1 / 0.75, "the kernel converts for 0.75 s at 12 bits, one probe of the wire at a time")
)
def one_wire(_scratch: Path) -> Target:
    """What a 1-Wire file says: a temperature the probe can have, or a reason."""

    def feed(data: bytes) -> None:
        answer = w1.parse(data.decode("ascii", errors="replace"))
        if answer.celsius is None:
            assert answer.why

    good = b"50 05 4b 46 7f ff 0c 10 1c : crc=1c YES\n50 05 4b 46 7f ff 0c 10 1c t=%s\n"
    return Target(
        feed, (good % b"85000", good % b"-1250", good.replace(b"YES", b"NO") % b"1"), 4096
    )


# --- the broker


class _Stepped(paho.Client):
    """The real client with its thread taken out: the loop that the thread runs is run here, on one
    end of a pair of sockets whose other end is the fuzzed broker's."""

    line: socket.socket

    def _create_socket_connection(self) -> socket.socket:
        ours, type(self).line = socket.socketpair()
        ours.setsockopt(socket.SOL_SOCKET, socket.SO_SNDBUF, 1 << 20)
        self.line.setblocking(False)
        return ours

    def loop_start(self) -> Any:
        self.begun = False
        return mqtt.MQTTErrorCode.MQTT_ERR_SUCCESS

    def loop_stop(self) -> Any:
        return mqtt.MQTTErrorCode.MQTT_ERR_SUCCESS


@target(
    a_second(
        2.0 / FIRST_WAIT_S,
        f"nothing is subscribed to, so a broker only answers; after a broken connection the next is"
        f" tried no sooner than {FIRST_WAIT_S / 2} s later, and an input is one connection",
    )
)
def broker(scratch: Path) -> Target:
    """All that a broker answers on one connection: the messenger is connected or says why it is not,
    asks for no topic, and marks as told only what was on the wire.

    The first byte says how the rest is cut into what comes between two ticks.
    """
    settings, state, _ = place(scratch / "box")
    writer = Writer(state, settings, ["m"])
    told = [
        Event(NOW + n, "cut_in", "The generator cut in.", "supply", {"pressure_kpa": 262.0})
        for n in range(3)
    ]
    writer.keep([], told, None)
    latest = {"at": "2026-03-01T00:00:00Z", "channels": {}, "picture": {}, "monitor": {}}

    def feed(data: bytes) -> None:
        cut, version = data[:1] or b"\0", "5" if data[:1] < b"\x80" else "3.1.1"
        given = Mqtt.model_validate(
            {"host": "127.0.0.1", "port": 1883, "version": version, "tls": False}
        )
        now = [0.0, 0.0]  # and how much passes with each look
        with patch.object(mqtt.paho, "Client", _Stepped):
            one = MqttMessenger(
                "m",
                given,
                settings.site.id,
                writer.outbox,
                lambda: _passing(now),
                lambda: NOW,
                lambda: 0.5,
            )
            one.tell(0.0, latest)
            _serve(one, data[1:], cut[0] & 0x7F, now, latest)

    def _serve(one: MqttMessenger, answers: bytes, cut: int, now: list[float], latest: Any) -> None:
        client = one._client
        assert isinstance(client, _Stepped)
        client.reconnect()
        sent = b""
        try:
            for start in range(0, max(1, len(answers)), max(1, cut)):
                if client._sock is not None:
                    client.line.send(answers[start : start + max(1, cut)])
                _step(client)
                now[0] += 1.0
                one.tell(now[0], latest)
                _step(client)
                sent += _read(client.line)
                if one._client is not client:
                    break
            said = one.state()
            assert said["connected"] or said["why"]
        finally:
            now[1] = GOODBYE_S  # the goodbye is over at once
            one.stop()
            client.line.close()
            client._sock_close()
            writer.outbox.doubt("m", NOW, 1e9)
        assert not any(kind in (0x8, 0xA) for kind in _kinds(sent)), "it asked for a topic"

    v5 = bytes.fromhex("2003000000")
    v3 = bytes.fromhex("20020000")
    acks = b"".join(bytes.fromhex("4002") + n.to_bytes(2) for n in range(1, 40))
    refused = b"".join(bytes.fromhex("4003") + n.to_bytes(2) + b"\x87" for n in range(1, 40))
    publish = bytes.fromhex("300a0003612f62006869 6a6b") + bytes.fromhex(
        "340a0003612f620001 00686a"
    )
    maximum = bytes.fromhex("20060000 03 210001")
    return Target(
        feed,
        (
            b"\x10" + v5 + acks, b"\x90" + v3 + acks, b"\x08" + v5 + refused, b"\x10" + maximum + acks,
            b"\x20" + v5 + publish + acks, b"\x10" + bytes.fromhex("2003008700"), b"\x05",
            b"\x40" + v5 + bytes.fromhex("e0028e00"), b"\x7f" + v5 + bytes.fromhex("d000"),
        ),
        2048,
    )  # fmt: skip


def _passing(now: list[float]) -> float:
    now[0] += now[1]
    return now[0]


def _step(client: _Stepped) -> None:
    """What the network's thread does with all that has come."""
    for _ in range(200):
        sock = client._sock
        if sock is None or (not select.select([sock], [], [], 0)[0] and not client.want_write()):
            return
        if client._loop(0.0) != mqtt.MQTTErrorCode.MQTT_ERR_SUCCESS:
            return


def _read(line: socket.socket) -> bytes:
    out = b""
    while True:
        try:
            some = line.recv(65_536)
        except OSError:
            return out
        if not some:
            return out
        out += some


def _kinds(sent: bytes) -> list[int]:
    """The kinds of the packets on the wire (MQTT 5, 2.1)."""
    found, at = [], 0
    while at < len(sent):
        found.append(sent[at] >> 4)
        length, shift, at = 0, 0, at + 1
        while at < len(sent):
            length |= (sent[at] & 0x7F) << shift
            shift, at = shift + 7, at + 1
            if not sent[at - 1] & 0x80:
                break
        at += length
    return found


# --- the mail server


class _Replies:
    """A socket whose other end says what it was given, whatever it is told."""

    def __init__(self, data: bytes) -> None:
        self.data, self.sent = data, b""

    def makefile(self, _mode: str) -> BytesIO:
        return BytesIO(self.data)

    def sendall(self, data: bytes) -> None:
        self.sent += data

    def close(self) -> None:
        pass


class _Context:
    """TLS that is already there: what a server that is trusted says after the handshake."""

    def __init__(self, wrapped: list[_Replies], after: bytes) -> None:
        self._wrapped, self._after = wrapped, after

    def wrap_socket(self, _line: object, server_hostname: str) -> _Replies:
        self._wrapped.append(_Replies(self._after))
        return self._wrapped[-1]


LONGEST_SAID = 1000
"""Characters of a fault: it stands on the page, and in latest.json every two seconds."""
SECRET, USER = "kelp-and-samphire", "box@example.org"


@target(
    a_second(
        1.0 / 5.0,
        "a server that fails is left alone for 5 s (edge/tell/mail.py, FIRST_WAIT_S), then longer;"
        " an input is one session",
    )
)
def mail_server(_scratch: Path) -> Target:
    """All that a mail server answers in one session, before TLS and after (parted by two blank
    lines): a MailFault or a letter that was taken; never a word of the letter or the log-in
    before TLS, and never the password in what is said of the fault."""
    settings = load(EXAMPLE)
    by_tls = _mail("tls")
    by_starttls = _mail("starttls")
    said = letter.message(
        letter.Letter("A test", "plain", "Test letter", "Nothing happened."),
        letter.Envelope("box@example.org", "one@example.org", "<a@b>", None, (), _at(settings)),
        settings,
    )

    def feed(data: bytes) -> None:
        before, _, after = data.partition(b"\n\n\n")
        given = by_tls if before == b"tls" else by_starttls
        first, wrapped = _Replies(before), list[_Replies]()
        context = _Context(wrapped, after)
        fault: post.MailFault | None = None
        with ExitStack() as all_of:
            all_of.enter_context(patch.dict(os.environ, {"DRYHOLD_MAIL_PASSWORD": SECRET}))
            all_of.enter_context(
                patch.object(socket, "getaddrinfo", lambda *_a, **_k: [(0, 0, 0, "", ("::1", 0))])
            )
            all_of.enter_context(patch.object(socket, "create_connection", lambda *_a, **_k: first))
            all_of.enter_context(
                patch.object(ssl, "create_default_context", lambda *_a, **_k: context)
            )
            try:
                session = post.Session(given)
                session.send(said, "one@example.org")
                session.close()
            except post.MailFault as found:
                fault = found
        if fault is not None:
            assert fault.step
            assert len(str(fault)) < LONGEST_SAID, str(fault)
            told = any(b"AUTH" in line.sent for line in wrapped)
            assert not told or not any(form in str(fault) for form in _spellings()), str(fault)
        assert b"Nothing happened" not in first.sent
        assert b"AUTH" not in first.sent

    hello = b"250-mail.example\r\n250-STARTTLS\r\n250-SIZE 100000\r\n250-AUTH %s\r\n250 HELP\r\n"
    start = b"220 mail.example\r\n" + hello % b"PLAIN" + b"220 go\r\n"
    taken = b"235 ok\r\n250 ok\r\n250 ok\r\n354 go\r\n250 taken\r\n221 bye\r\n"
    seeds = [start + b"\n\n\n" + hello % kind + taken for kind in (b"PLAIN", b"LOGIN")]
    challenge = b"334 PDEyM0BtYWlsLmV4YW1wbGU+\r\n"
    seeds += [
        start + b"\n\n\n" + hello % b"CRAM-MD5" + challenge + taken,
        start + b"\n\n\n" + hello % b"LOGIN PLAIN" + b"334 VXNlcm5hbWU6\r\n" + taken,
        start + b"\n\n\n" + hello % b"PLAIN" + b"535 no kelp-and-samphire\r\n",
        start + b"\n\n\n" + hello % b"PLAIN" + b"235 ok\r\n250 ok\r\n550 nobody\r\n250 ok\r\n",
        b"tls\n\n\n220 mail.example\r\n" + hello % b"PLAIN" + taken,
        b"220 mail.example\r\n250 no TLS here\r\n",
        b"421 not now\r\n",
        b"421 not " + b"now" * 1000 + b"\r\n",
        b"220-x\r\n" * 1000,
        start + b"\n\n\n" + hello % b"CRAM-MD5" + b"334 x\r\n" + taken,
    ]
    return Target(feed, tuple(seeds), 8192)


def _mail(security: str) -> Mail:
    return Mail.model_validate(
        {
            "host": "mail.example",
            "security": security,
            "user": USER,
            "from": "box@example.org",
            "to": [{"address": "one@example.org"}],
        }
    )


def _spellings() -> list[str]:
    return spellings(SECRET, USER)


def _at(settings: Settings) -> datetime:
    return datetime.fromtimestamp(NOW, settings.site.zone)
