"""The page finds out for itself whether it answers."""

import socket
import sys
import threading
from collections.abc import Iterable
from contextlib import ExitStack
from pathlib import Path
from typing import Any

import pytest
from cheroot.ssl.builtin import BuiltinSSLAdapter
from cheroot.wsgi import Server

sys.path.insert(0, str(Path(__file__).parents[1] / "tell"))
from brokers import until
from postoffice import Authority

from web.pulse import Pulse

THREADS = 3


@pytest.mark.parametrize("tls", [False, True], ids=["clear", "tls"])
def test_a_page_whose_threads_are_all_stuck_gives_no_beat(
    tls: bool, tmp_path: Path, caplog: pytest.LogCaptureFixture, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Each answer is a beat, a refusal too; with one thread free there are still beats, with every
    one held there are none and the log says why, once; let go, they come again."""
    held, let_go = threading.Semaphore(0), threading.Event()
    beats: list[None] = []

    def app(environ: dict[str, Any], start: Any) -> Iterable[bytes]:
        if environ["PATH_INFO"] == "/stuck":
            held.release()
            let_go.wait(20.0)
        start("503 Service Unavailable", [("Content-Length", "0")])
        return [b""]

    server = Server(("127.0.0.1", 0), app, numthreads=THREADS)
    if tls:
        cert, key = Authority(tmp_path).files("page", "elsewhere.example")
        server.ssl_adapter = BuiltinSSLAdapter(str(cert), str(key))
    server.prepare()
    thread = threading.Thread(target=server.serve)
    pulse = Pulse(server.bind_addr, tls, lambda: beats.append(None), every_s=0.02, within_s=0.3)
    asked, ask = [], pulse._ask
    monkeypatch.setattr(pulse, "_ask", lambda: asked.append(None) or ask())
    with ExitStack() as opened:
        thread.start()
        opened.callback(thread.join)
        opened.callback(pulse.stop)
        opened.callback(server.stop)
        opened.callback(let_go.set)
        pulse.start()

        def hold() -> None:
            line = opened.enter_context(socket.create_connection(server.bind_addr))
            if tls:
                assert pulse._tls is not None
                line = opened.enter_context(pulse._tls.wrap_socket(line))
            line.sendall(b"GET /stuck HTTP/1.1\r\nHost: localhost\r\n\r\n")
            assert held.acquire(timeout=20.0)

        until(lambda: len(beats) > 2, "a beat")
        for _ in range(THREADS - 1):
            hold()
        before = len(beats)
        until(lambda: len(beats) > before + 2, "beats beside those that are stuck")
        hold()
        until(lambda: caplog.messages, "a word about it")
        before, tried = len(beats), len(asked)
        until(lambda: len(asked) > tried + 2, "more tries")
        assert (len(beats), len(caplog.messages)) == (before, 1)
        assert "does not answer itself: " in caplog.messages[0]
        let_go.set()
        until(lambda: len(beats) > before + 2, "a beat again")
