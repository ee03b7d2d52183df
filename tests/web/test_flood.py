"""Who asks without end takes a share of the page, and no more."""

import socket
import sys
from contextlib import suppress
from pathlib import Path

import pytest
from flask import Flask
from hypothesis import given
from hypothesis import strategies as st

sys.path.insert(0, str(Path(__file__).parents[1] / "tell"))
from postoffice import Authority

from web.flood import A_SECOND, AT_ONCE, MOST_PLACES, Answer, Flood
from web.listener import Adapter, PageServer, listener

AWAY, OTHER = "192.0.2.7", "192.0.2.8"  # addresses for documentation (RFC 5737)


@given(st.lists(st.tuples(st.floats(0.0, 60.0), st.integers(1, 900)), max_size=12))
def test_no_stretch_of_time_has_more(bursts: list[tuple[float, int]]) -> None:
    """However the questions of a place fall, those answered never exceed burst and rate over any
    stretch, what is over is refused to the last, and that is said at first and no more often than a
    whole burst can come back."""
    flood, t, told = Flood(), 0.0, 0
    taken: list[tuple[float, int]] = []
    for pause, count in bursts:
        t += pause
        answers = [flood.asked(AWAY, t) for _ in range(count)]
        admitted = answers.count(Answer.ADMITTED)
        assert answers[:admitted] == [Answer.ADMITTED] * admitted
        assert Answer.FLOODED not in answers[admitted + 1 :]
        told += answers.count(Answer.FLOODED)
        assert bool(told) or admitted == count
        assert told <= 1 + t * A_SECOND / (AT_ONCE - 1.0)
        taken.append((t, admitted))
        for n, (since, _) in enumerate(taken):
            assert sum(had for _, had in taken[n:]) <= AT_ONCE + A_SECOND * (t - since) + 1e-6


def test_who_asks_slower_is_never_refused() -> None:
    """At the rate, and with a burst before it, a place is answered without end."""
    flood = Flood()
    burst = [flood.asked(AWAY, 0.0) for _ in range(int(AT_ONCE))]
    steady = [flood.asked(AWAY, 1.0 + n / A_SECOND) for n in range(int(3 * AT_ONCE))]
    assert {*burst, *steady} == {Answer.ADMITTED}


def test_many_places_take_no_more_memory() -> None:
    """Of more places than are remembered the last are."""
    flood = Flood()
    for n in range(3 * MOST_PLACES):
        flood.asked(f"2001:db8:{n:x}::/64", 0.0)
    assert len(flood._places) == MOST_PLACES
    assert f"2001:db8:{3 * MOST_PLACES - 1:x}::/64" in flood._places


@pytest.fixture
def now() -> list[float]:
    return [0.0]


@pytest.fixture
def server(now: list[float]) -> PageServer:
    return listener(Flask("nothing"), "127.0.0.1", 0, "here", lambda: now[0])


def _said(server: PageServer, address: str, *, tls: bool = False) -> bytes:
    """What one connection from there is answered."""
    here, there = socket.socketpair()
    with here:
        here.sendall(b"GET /nothing HTTP/1.1\r\nHost: x\r\nConnection: close\r\n\r\n")
        if tls:
            assert server.ssl_adapter is not None
            there, _ = server.ssl_adapter.wrap(there)
        there.settimeout(10.0)
        connection = server.ConnectionClass(server, there)
        connection.remote_addr, connection.remote_port = address, 40000
        assert not connection.communicate()
        connection.close()
        said = b""
        with suppress(ConnectionResetError):  # what it left unread of who speaks no TLS
            while part := here.recv(65_536):
                said += part
        return said


def test_the_page_itself_refuses_and_answers_the_others(
    server: PageServer, now: list[float], caplog: pytest.LogCaptureFixture
) -> None:
    """The real server, asked over real sockets: a place that asked too much gets 429 and when to come
    again, then is answered; meanwhile another place and the box itself are; the log says it once."""
    answers = [_said(server, AWAY)[9:12] for _ in range(int(AT_ONCE) + 50)]
    assert answers == [b"404"] * int(AT_ONCE) + [b"429"] * 50
    assert b"\r\nRetry-After: 1\r\n" in _said(server, AWAY)
    assert _said(server, OTHER)[9:12] == b"404"
    assert {_said(server, "127.0.0.1")[9:12] for _ in range(int(AT_ONCE) + 1)} == {b"404"}
    assert [m for m in caplog.messages if AWAY in m] == caplog.messages
    assert len(caplog.messages) == 1
    now[0] = 1.0
    answers = [_said(server, AWAY)[9:12] for _ in range(20)]
    assert answers == [b"404"] * int(A_SECOND) + [b"429"] * (20 - int(A_SECOND))


def test_no_hands_are_shaken_with_a_flood(server: PageServer, tmp_path: Path) -> None:
    """Where the page speaks TLS, what is over is closed before the costly part."""
    server.ssl_adapter = Adapter(*map(str, Authority(tmp_path).files("page", "elsewhere.example")))
    assert _said(server, OTHER, tls=True).startswith(b"HTTP/1.1 400 ")  # no TLS: told in clear
    for _ in range(int(AT_ONCE)):
        server.admits(AWAY)
    assert _said(server, AWAY, tls=True) == b""
