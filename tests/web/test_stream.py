"""What is new, told as it happens: to a few, with all others still served."""

import http.client
import json
import socket
import threading
import time
from collections.abc import Iterator
from itertools import count, islice
from pathlib import Path
from typing import Any

import pytest
from cheroot.wsgi import Server

from web import PLACES, create_app, stream
from web.listener import THREADS


def heard(answer: Any, many: int) -> list[tuple[str, dict[str, Any]]]:
    """The next events of a stream: id and what was said."""
    out = []
    for piece in islice((p for p in answer.response if p.startswith(b"id:")), many):
        number, data, *_ = piece.decode().splitlines()
        out.append((number.removeprefix("id: "), json.loads(data.removeprefix("data: "))))
    return out


@pytest.fixture
def told(site: Any) -> Any:
    """The site's app, whose streams look again at once, and send the age at every look."""
    steady = count()
    app = create_app(
        site.settings, site.state, site.runtime, lambda: site.now, lambda: float(next(steady))
    )
    app.extensions[PLACES].look_s = app.extensions[PLACES].beat_s = 0.0
    return app


def test_a_follower_gets_all_then_what_changed(site: Any, told: Any) -> None:
    """The first message has every part; the next only the age, until something changes; and who
    comes back with the last id it saw gets only what it missed."""
    client = told.test_client()
    answer = client.get("/stream", buffered=False)
    assert answer.mimetype == "text/event-stream"
    (first, all_), (same, none) = heard(answer, 2)
    assert set(all_["parts"]) >= {"state", "figures", "reserve", "alerts", "blindspots"}
    assert "Holding" in all_["parts"]["state"][1]
    assert (same, none["parts"], none["state"]) == (first, {}, "holding")
    site.now += 1.0
    ((_, later),) = heard(answer, 1)
    assert later["age"] == none["age"] + 1.0
    answer.close()
    site.say("act")
    again = client.get("/stream", headers={"Last-Event-ID": first}, buffered=False)
    ((second, missed),) = heard(again, 1)
    again.close()
    assert second != first
    assert missed["state"] == "act"
    assert {"state", "alerts"} <= set(missed["parts"]) < set(all_["parts"])
    stranger = client.get("/stream", headers={"Last-Event-ID": "f00-9999"}, buffered=False)
    assert set(heard(stranger, 1)[0][1]["parts"]) == set(all_["parts"])
    stranger.close()


def test_a_stream_ends_by_itself_and_on_closing(told: Any) -> None:
    """Places go round: a stream lasts ten minutes; and none outlives the page."""
    client = told.test_client()
    long = client.get("/stream", buffered=False)
    assert len(list(long.response)) < 2 * stream.LASTS_S
    long.close()
    told.extensions[PLACES].look_s = 60.0
    short = client.get("/stream", buffered=False)
    told.extensions[PLACES].close()
    assert len(list(short.response)) == 2  # how to come back, and one message
    short.close()
    assert client.get("/stream").status_code == 503


STALLED_S = 0.5


@pytest.fixture
def page(site: Any) -> Iterator[int]:
    """The port of the real server, with as many threads as the page's own, streams in a hurry."""
    app = create_app(site.settings, site.state, site.runtime, lambda: site.now)
    app.extensions[PLACES].look_s = app.extensions[PLACES].beat_s = 0.02
    server = Server(("127.0.0.1", 0), app, numthreads=THREADS + stream.MOST)
    server.timeout = STALLED_S
    server.prepare()
    thread = threading.Thread(target=server.serve)
    thread.start()
    yield server.bind_addr[1]
    app.extensions[PLACES].close()
    server.stop()
    thread.join(timeout=10.0)


def test_followers_starve_nobody(page: int) -> None:
    """With every place taken the next is told to ask instead, readers are served all the same, and
    a follower that went away without a word gives its place back."""

    def follow() -> tuple[http.client.HTTPConnection, http.client.HTTPResponse]:
        line = http.client.HTTPConnection("127.0.0.1", page, timeout=20)
        line.request("GET", "/stream")
        return line, line.getresponse()

    followers = [follow() for _ in range(stream.MOST)]
    assert all(b"retry" in answer.readline() for _, answer in followers)
    turned_away, answer = follow()
    assert answer.status == 503
    answer.close()
    turned_away.close()
    for path in ("/", "/now", "/healthz") * 4:
        line = http.client.HTTPConnection("127.0.0.1", page, timeout=20)
        line.request("GET", path)
        assert line.getresponse().status == 200
        line.close()
    for line, answer in followers:
        answer.close()
        line.close()
    until = time.monotonic() + 20.0
    status = 503
    while status == 503:
        assert time.monotonic() < until, "no place came back"
        line, answer = follow()
        status = answer.status
        answer.close()
        line.close()


def _opened(port: int) -> socket.socket | None:
    """A follower's line once the first word has come; None when every place was taken."""
    line = socket.socket()
    line.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 2048)
    line.settimeout(20.0)
    line.connect(("127.0.0.1", port))
    line.sendall(b"GET /stream HTTP/1.1\r\nHost: here\r\n\r\n")
    head = b""
    while b"\r\n\r\n" not in head:
        head += line.recv(512)
    if b" 200 " in head.partition(b"\r\n")[0]:
        return line
    line.close()
    return None


def test_a_follower_that_stops_reading_gives_its_place_back(page: int, site: Any) -> None:
    """Eight that no longer read, though their lines stand, hold no thread for longer than the
    server waits for a slow one: then others get their places."""
    big = "x" * 200_000
    stalled = [_opened(page) for _ in range(stream.MOST)]
    assert None not in stalled
    assert _opened(page) is None
    until = time.monotonic() + 20.0
    n = 0
    while (line := _opened(page)) is None:
        assert time.monotonic() < until, "no place came back"
        n += 1
        site.said["picture"]["not_judged"] = [f"{n} {big}"]  # so that there is much to tell
        site.write()
        site.now += 1.0
    line.close()
    for one in stalled:
        assert one is not None
        one.close()


def test_many_comings_and_goings_leave_nothing_behind(page: int) -> None:
    """Three hundred followers one after the other leave no thread and no open file."""

    def held() -> tuple[int, int]:
        return threading.active_count(), len(list(Path("/proc/self/fd").iterdir()))

    def come(times: int) -> None:
        until = time.monotonic() + 60.0
        while times:
            assert time.monotonic() < until, "places came back too slowly"
            line = _opened(page)
            if line is not None:
                line.close()
                times -= 1

    come(2 * stream.MOST)
    before = held()
    come(300)
    until = time.monotonic() + 20.0
    while (now := held()) > before:
        assert time.monotonic() < until, f"before {before}, after {now}"
        time.sleep(0.02)  # the server ends its threads in its own time
