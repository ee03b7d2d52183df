"""The page's own TLS, as the processes that run on the box."""

import contextlib
import http.client
import json
import socket
import ssl
import stat
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import depot
from test_command import start

from edge.settings import load
from web import access, stream
from web.listener import THREADS


def run(*words: str, given: str | None = None) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-m", "edge", "access", *words],
        input=given,
        capture_output=True,
        text=True,
        check=False,
    )


def _next(told: http.client.HTTPResponse) -> dict[str, Any]:
    """The next thing that a stream says."""
    while not (line := told.readline()).startswith(b"data: "):
        assert line, "the stream has ended"
    said: dict[str, Any] = json.loads(line.removeprefix(b"data: "))
    return said


def test_a_code_is_set_from_a_pipe(tmp_path: Path) -> None:
    """The first line of what is piped in becomes the code; one that will not do is exit 2 and keeps the old."""
    assert run("set", "--state", str(tmp_path), given="a good code\n").returncode == 0
    kept = access.read(tmp_path)
    assert kept is not None
    assert access.right(kept, "a good code")
    refused = run("set", "--state", str(tmp_path), given="short\n")
    assert refused.returncode == 2
    assert "expected 8 to 128 characters, found 5" in refused.stderr
    assert access.read(tmp_path) == kept


def test_the_page_speaks_tls_with_a_certificate_of_its_own(saltmarsh: Path, tmp_path: Path) -> None:
    """The self-made certificate verifies for the names asked for, the key is the owner's alone, signing in is offered, and a stream tells what is new."""
    made = run(
        "certificate", "--state", str(tmp_path), "--name", "dryhold.example", "--name", "127.0.0.1"
    )
    assert made.returncode == 0, made.stderr
    lines = made.stdout[made.stdout.index("[page]") : made.stdout.index("Browsers")]
    assert stat.S_IMODE((tmp_path / "page.key").stat().st_mode) == 0o600
    site = tmp_path / "site.toml"
    site.write_text(f"{saltmarsh.read_text()}\n{lines}")
    run("set", "--state", str(tmp_path), given="a good code\n")
    trust = ssl.create_default_context(cafile=tmp_path / "page.crt")
    with start(site, tmp_path, "--port", "0") as process:
        assert process.stdout is not None
        line = process.stdout.readline()
        assert "https://127.0.0.1:" in line
        port = int(line.rstrip("/\n").rpartition(":")[2])
        wire = http.client.HTTPSConnection("127.0.0.1", port, timeout=10.0, context=trust)
        wire.request("GET", "/site/sign-in")
        answer = wire.getresponse()
        assert answer.status == 200
        assert "__Host-dryhold-form" in str(answer.headers["Set-Cookie"])
        assert b"Access code" in answer.read()
        wire.request("GET", "/stream")
        told = wire.getresponse()
        assert told.headers["Content-Type"].startswith("text/event-stream")
        assert _next(told)["state"] == "blind"
        now = time.time()
        depot.show(tmp_path, depot.newest(load(site), "watch", at=now), saved_at=now)
        assert _next(told)["state"] == "watch"
        told.close()
        wire.close()
        process.terminate()
        process.wait(timeout=20.0)


@contextlib.contextmanager
def covered(saltmarsh: Path, state: Path) -> Iterator[tuple[int, ssl.SSLContext]]:
    """A page with TLS: its port, and what trusts it."""
    assert run("certificate", "--state", str(state), "--name", "127.0.0.1").returncode == 0
    site = state / "site.toml"
    paths = f'certificate = "{state}/page.crt"\nkey = "{state}/page.key"\n'
    site.write_text(f"{saltmarsh.read_text()}\n[page]\n{paths}")
    with start(site, state, "--port", "0") as process:
        assert process.stdout is not None
        port = int(process.stdout.readline().rstrip("/\n").rpartition(":")[2])
        yield port, ssl.create_default_context(cafile=state / "page.crt")
        process.terminate()
        process.communicate(timeout=20.0)


def test_who_says_nothing_holds_nobody_up(saltmarsh: Path, tmp_path: Path) -> None:
    """With more silent connections than the page has threads, a question over TLS is answered
    before a single one of them has timed out; one in the clear is told what is spoken here."""
    with covered(saltmarsh, tmp_path) as (port, trust), contextlib.ExitStack() as open_:
        for _ in range(THREADS + stream.MOST + 4):
            open_.enter_context(socket.create_connection(("127.0.0.1", port)))
        wire = http.client.HTTPSConnection("127.0.0.1", port, timeout=30.0, context=trust)
        wire.request("GET", "/healthz")
        assert wire.getresponse().status in (200, 503)
        wire.close()
        plain = http.client.HTTPConnection("127.0.0.1", port, timeout=30.0)
        plain.request("GET", "/")
        told = plain.getresponse()
        assert told.status == 400
        assert b"speaks TLS only" in told.read()


def test_a_certificate_that_is_not_there_is_said_in_a_sentence(
    saltmarsh: Path, tmp_path: Path
) -> None:
    """A wrong path is exit 2 with what was expected, not a page without TLS."""
    site = tmp_path / "site.toml"
    paths = f'certificate = "{tmp_path}/no.crt"\nkey = "{tmp_path}/no.key"\n'
    site.write_text(f"{saltmarsh.read_text()}\n[page]\n{paths}")
    with start(site, tmp_path, "--port", "0") as process:
        _, said = process.communicate(timeout=30.0)
    assert process.returncode == 2
    assert "page.certificate: expected a certificate and its key" in said
