"""What connecting to an MQTT broker takes, for the messenger and for trying it out."""

import queue
import socket
import ssl
import sys
from collections.abc import Callable
from typing import Any

import paho.mqtt.client as paho
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

from edge.errors import DeliveryError
from edge.settings import Mqtt
from edge.tell.secrets import password, without

CONNECT_S = 45.0
KEEPALIVE_S = 30

_VERSIONS = {"5": MQTTProtocolVersion.MQTTv5, "3.1.1": MQTTProtocolVersion.MQTTv311}


def unconnected(broker: Mqtt, client_id: str) -> paho.Client:
    """A client for one connection; paho does not try again by itself."""
    return paho.Client(
        CallbackAPIVersion.VERSION2,
        client_id=client_id,
        protocol=_VERSIONS[broker.version],
        reconnect_on_failure=False,
    )


def _secret(broker: Mqtt) -> str | None:
    return None if broker.user is None else password(broker.password_name)


def _context(broker: Mqtt) -> ssl.SSLContext:
    """TLS as the settings say; OSError naming the file that will not do."""
    try:
        context = ssl.create_default_context(cafile=broker.authority)
    except OSError as error:
        raise DeliveryError(f"{broker.authority}: not a list of authorities: {error}") from error
    if broker.certificate is not None:
        try:
            context.load_cert_chain(broker.certificate, broker.key, password="")  # never asks
        except OSError as error:
            raise DeliveryError(f"{broker.certificate}: no certificate and key: {error}") from error
    return context


def secure(client: paho.Client, broker: Mqtt) -> None:
    """Who we are, and TLS. OSError and ValueError for what is not there."""
    if broker.user is not None:
        client.username_pw_set(broker.user, _secret(broker))
    if broker.tls:
        client.tls_set_context(_context(broker))


def begin(connect: Callable[..., Any], broker: Mqtt) -> None:
    """No session outlives its connection: what is not accepted is in the outbox, not there."""
    if broker.version != "5":
        connect(broker.host, broker.port, keepalive=KEEPALIVE_S)
        return
    properties = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]
    properties.SessionExpiryInterval = 0
    connect(
        broker.host, broker.port, keepalive=KEEPALIVE_S, clean_start=True, properties=properties
    )


def why(error: BaseException | None) -> str:
    """Why a connection could not be made, as a person would say it."""
    if isinstance(error, ssl.SSLCertVerificationError):
        return f"its certificate is not good: {error.verify_message}"
    if isinstance(error, ssl.SSLError):
        return f"TLS failed: {error.reason or error}"
    if isinstance(error, socket.gaierror):
        return f"the name is not known here: {error.strerror}"
    return "nobody answers there" if error is None else str(error)


def prove(broker: Mqtt, site_id: str, say: Callable[[str], None]) -> bool:
    """Connect as the daemon would and have it take one message on the topic "test"; each step is
    told, and what failed."""
    where = f"{broker.host} port {broker.port}"
    say(f"mqtt {broker.host}:{broker.port}")
    step = "name"
    try:
        addresses = socket.getaddrinfo(broker.host, broker.port, type=socket.SOCK_STREAM)
        say(f"  ok      name: {broker.host} is {addresses[0][4][0]}")
        step = "port"
        with socket.create_connection((broker.host, broker.port), timeout=CONNECT_S) as line:
            say(f"  ok      port: {where} answers")
            step = "TLS"
            if broker.tls:
                with _context(broker).wrap_socket(line, server_hostname=broker.host) as secured:
                    say(f"  ok      TLS: {secured.version()}")
            else:
                say("  note    TLS: not asked for")
        step = "login"
        said: queue.SimpleQueue[tuple[str, Any]] = queue.SimpleQueue()
        client = unconnected(broker, f"dryhold-{site_id}-test")
        client.on_connect = lambda _c, _u, _f, reason, _p: said.put(("login", reason))
        client.on_connect_fail = lambda _c, _u: said.put(("login", why(sys.exception())))
        client.on_disconnect = lambda _c, _u, _f, reason, _p: said.put(("ended", reason))
        client.on_publish = lambda _c, _u, _m, reason, _p: said.put(("message", reason))
        secure(client, broker)
        begin(client.connect_async, broker)
        client.loop_start()
        try:
            _answer(said, "login")
            say(f"  ok      login: {'as ' + broker.user if broker.user else 'without a name'}")
            step = "message"
            client.publish(f"dryhold/{site_id}/test", b'{"test": true}', qos=1)
            _answer(said, "message")
            say(f"  ok      message: the broker took one on dryhold/{site_id}/test")
        finally:
            client.disconnect()
            client.loop_stop()
    except (OSError, UnicodeError, ValueError) as error:
        say(f"  FAILED  {step}: {where}: {without(why(error), _secret(broker))}")
        return False
    if broker.version != "5":
        say("  note    message: MQTT 3.1.1 cannot say whether an access list refused it")
    return True


def _answer(said: "queue.SimpleQueue[tuple[str, Any]]", step: str) -> None:
    """Wait for the answer to one step; DeliveryError for any other."""
    try:
        kind, reason = said.get(timeout=CONNECT_S)
    except queue.Empty:
        raise DeliveryError(f"no answer in {CONNECT_S:.0f} s") from None
    if kind != step or isinstance(reason, str) or reason.is_failure:
        raise DeliveryError(f"the broker said: {reason}")
