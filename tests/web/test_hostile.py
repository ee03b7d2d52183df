"""Hostile input over a real socket at the page as the process that runs on the box: it is refused
with 4xx, at once, and nothing of it comes back as markup."""

import contextlib
import html
import http.client
import re
import signal
import socket
import subprocess
import time
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from urllib.parse import quote, urlencode

import depot
import pytest
from test_command import start

from edge.settings import Settings
from edge.store.requests import Box
from web import access

CODE = "cold hands 7"
MARK = "<script>alert(7)</script>"
WITHIN_S = 15.0  # a hang is a fault; the machine may be busy


def request(
    path: str | bytes, *lines: str | bytes, method: str = "GET", body: bytes = b""
) -> bytes:
    """The bytes of a request; what is given goes out as it is."""
    raw = [path if isinstance(path, bytes) else path.encode(), *lines]
    head = [
        method.encode() + b" " + raw[0] + b" HTTP/1.1",
        b"Host: 127.0.0.1",
        b"Connection: close",
    ]  # type: ignore[operator]
    head += [line if isinstance(line, bytes) else line.encode() for line in raw[1:]]
    return b"\r\n".join(head) + b"\r\n\r\n" + body


def form(path: str, body: bytes, kind: str = "application/x-www-form-urlencoded") -> bytes:
    return request(
        path, f"Content-Type: {kind}", f"Content-Length: {len(body)}", method="POST", body=body
    )


UP = "../../../../../../etc/passwd"
REFUSED: dict[str, bytes] = {
    **{f"method {m}": request("/", method=m) for m in ("POST", "PUT", "DELETE", "PATCH", "FOO")},
    "method in small letters": request("/", method="get"),
    "method with markup": request("/", method=MARK.replace(" ", "")),
    "TRACE": request("/", method="TRACE"),
    "CONNECT": request("example.org:80", method="CONNECT"),
    "posted to a record": form("/records/1", b"a=b"),
    "posted to the API": form("/api/status", b"{}", "application/json"),
    "up and out": request(f"/{UP}"),
    "up and out of static": request(f"/static/{UP}"),
    "up and out, escaped": request(f"/static/{quote(UP, safe='')}"),
    "up and out, escaped twice": request(f"/static/{quote(quote(UP, safe=''), safe='')}"),
    "up and out, backslashes": request("/static/..\\..\\..\\etc\\passwd"),
    "NUL in a path": request("/static/page.css%00.png"),
    "NUL, not escaped": request(b"/static/page.css\0"),
    "bad UTF-8 in a path": request("/%ff%fe%c0%af"),
    "bad UTF-8, not escaped": request(b"/\xff\xfe"),
    "markup in a path": request(f"/{quote(MARK)}"),
    "markup, not escaped": request(f"/{MARK.replace(' ', '')}"),
    "a line's end in a path": request("/%0d%0aSet-Cookie:%20a=b"),
    "a record of markup": request(f"/records/{quote(MARK, safe='')}"),
    **{
        f"record {n}": request(f"/records/{n}")
        for n in ("-1", "0", "1e9", "99999999999999999999999", "1%00", "٣", "0x10", "1.pdf.pdf")
    },
    **{
        f"log before {n}": request(f"/log?show=all&before={n}")
        for n in ("-1", "0", "9223372036854775808", "9" * 400)
    },
    "log of markup": request(f"/log?show={quote(MARK)}"),
    "span of markup": request(f"/history?span={quote(MARK)}"),
    "span with bad UTF-8": request("/history?span=%ff"),
    **{
        f"API {what}": request(f"/api/{what}")
        for what in (
            f"readings?points={'9' * 4000}",
            "readings?points=NaN",
            "readings?points=-5",
            "readings?points=%D9%A3",
            "readings?since=0000-00-00T00:00:00Z",
            "readings?since=999999-01-01T00:00:00Z",
            "readings?since=9999-12-31T23:59:59-23:59",
            "readings?until=0001-01-01T00:00:00%2B23:59",
            "readings?channel=%00",
            "readings?channel=oxygen%27%20OR%201=1--",
            "readings?channel=%ff",
            f"readings?since={quote(MARK)}",
            f"events?limit={quote(MARK)}",
            "events?before=9223372036854775808",
            "events?limit=1e3",
            "tests?before=-1",
            f"ribbon?span={quote(MARK)}",
            "nothing",
        )
    },
    "an endless address": request("/api/events?" + "kind=a&" * 40_000),
    "an endless header": request("/", "X-Long: " + "a" * 300_000),
    "endless headers": request("/", *[f"X-{n}: a" for n in range(20_000)]),
    "an endless cookie": request("/site", "Cookie: dryhold-session=" + "a" * 300_000),
    "NUL in a header": request("/", b"X-A: a\0b"),
    "a header without a colon": request("/", "nonsense"),
    "a header's name with blanks": request("/", "X A : b"),
    "a form too large": form("/site/sign-in", b"who=" + b"a" * 100_000),
    "a form said to be endless": request(
        "/site/sign-in", "Content-Length: 99999999999999", method="POST"
    ),
    "a length below nothing": request("/site/sign-in", "Content-Length: -1", method="POST"),
    "a length of words": request("/site/sign-in", "Content-Length: many", method="POST"),
    "a form of a thousand fields": form("/site/sign-in", b"a=b&" * 15_000),
    "a form of bad UTF-8": form("/site/sign-in", b"who=%ff%fe&code=\xff\xfe\0"),
    "a form in parts that are none": form(
        "/site/sign-in", b"--x\r\n\r\n", "multipart/form-data; boundary=y"
    ),
    "a form in parts without an end": form(
        "/site/sign-in", b"--y\r\nContent-Disposition: form-data", "multipart/form-data; boundary=y"
    ),
    "a form in JSON": form("/site/sign-in", b'{"who": "x"}', "application/json"),
    "a form without a token": form("/site/sign-in", b"who=x&code=12345678"),
    "a form for who is not signed in": form("/site/alerts/acknowledge", b"alert=low_pressure"),
    "a chunk of nonsense": request(
        "/site/sign-in", "Transfer-Encoding: chunked", method="POST", body=b"zz\r\nabc\r\n0\r\n\r\n"
    ),
    "no address": b"GET HTTP/1.1\r\n\r\n",
    "no sense": b"\x16\x03\x01\x02\x00\x01\x00\x01\xfc\x03\x03" + bytes(range(64)) + b"\r\n\r\n",
    "a header that goes on from none": b"GET / HTTP/1.1\r\n x\r\nHost: 127.0.0.1\r\n\r\n",
    "a host that is none": b"GET / HTTP/1.1\r\nHost: 127.0.0...1\r\nConnection: close\r\n\r\n",
    "an address that is no ASCII": request(b"/api/status?\xff"),
    "no host": b"GET / HTTP/1.1\r\nConnection: close\r\n\r\n",
}
"""Each is answered with 4xx."""

HARMLESS: dict[str, bytes] = {
    "an absolute path": request("/static//etc/passwd"),
    "a host of markup": b"GET / HTTP/1.1\r\nHost: "
    + MARK.encode()
    + b"\r\nConnection: close\r\n\r\n",
    "another's host": b"GET / HTTP/1.1\r\nHost: evil.example\r\nConnection: close\r\n\r\n",
    "forwarded headers": request(
        "/site",
        "X-Forwarded-Host: evil.example",
        f"X-Forwarded-For: {MARK}",
        "X-Forwarded-Proto: x",
    ),
    "a forged cookie": request(
        "/site", "Cookie: dryhold-session=abc.def; dryhold-device-technician=abc.def"
    ),
    "a cookie of bad UTF-8": request("/site", b"Cookie: dryhold-session=\xff\xfe\x80"),
    "an unknown parameter": request(f"/?{quote(MARK)}={quote(MARK)}"),
    "an answer never given": request("/site/sign-in?next=" + quote("//evil.example")),
    "a next with a line's end": request("/site/sign-in?next=/site%0d%0aSet-Cookie:%20a=b"),
    "ranges": request("/static/page.css", "Range: bytes=" + ",".join(["0-"] * 500)),
    "a range of huge numbers": request("/static/page.css", f"Range: bytes={'9' * 60}-"),
    "a moment of nonsense": request("/static/page.css", "If-Modified-Since: \xff"),
    "encodings of nonsense": request("/", "Accept-Encoding: gzip;q=nan, *;q=9e999"),
    "a stream from the far end": request("/healthz", f"Last-Event-ID: {'9' * 400}"),
    "kinds by the hundred": request("/api/events?" + "kind=cut_in&" * 300),
}
"""Each may be answered as a plain request would, but never with a fault or with what it brought."""


@dataclass
class Box_:
    """The page's process."""

    process: subprocess.Popen[str]
    port: int
    state: Path
    cookies: dict[str, str] = field(default_factory=dict)

    def raw(self, sent: bytes) -> tuple[int, bytes]:
        """Status and everything that came back; 0 where it was only hung up."""
        deadline = time.monotonic() + WITHIN_S
        got = b""
        with socket.create_connection(("127.0.0.1", self.port), timeout=WITHIN_S) as wire:
            with contextlib.suppress(OSError):  # refused before all was sent: the answer is there
                wire.sendall(sent)
            while True:
                assert time.monotonic() < deadline, f"no end of it: {sent[:80]!r}"
                try:
                    part = wire.recv(65536)
                except ConnectionResetError:
                    break
                if not part:
                    break
                got += part
        found = re.match(rb"HTTP/1\.[01] (\d{3})", got)
        return int(found[1]) if found else 0, got

    def ask(
        self, path: str, given: dict[str, str] | None = None, origin: str | None = "own"
    ) -> tuple[int, str, http.client.HTTPResponse]:
        """As a browser would, with its cookies."""
        wire = http.client.HTTPConnection("127.0.0.1", self.port, timeout=WITHIN_S)
        headers = {"Cookie": "; ".join(f"{k}={v}" for k, v in self.cookies.items())}
        body = None
        if given is not None:
            body = urlencode(given)
            headers["Content-Type"] = "application/x-www-form-urlencoded"
            if origin is not None:
                own = f"http://127.0.0.1:{self.port}"
                headers["Origin"] = own if origin == "own" else origin
        wire.request("GET" if given is None else "POST", path, body, headers)
        answer = wire.getresponse()
        text = answer.read().decode()
        for line in answer.headers.get_all("Set-Cookie") or []:
            name, _, value = line.partition(";")[0].partition("=")
            self.cookies[name] = value
        wire.close()
        return answer.status, text, answer

    def token(self, path: str) -> str:
        found = re.search(r'name="token" value="([^"]+)"', self.ask(path)[1])
        assert found is not None
        return found[1]

    def sign_in(self, who: str) -> int:
        token = self.token("/site/sign-in")
        form = {"token": token, "who": who, "code": CODE, "next": ""}
        return self.ask("/site/sign-in", form)[0]


@pytest.fixture(scope="module")
def page(settings: Settings, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Box_]:
    """The page as it runs on the box; at the end it is alive and has said nothing of a fault."""
    folder = tmp_path_factory.mktemp("hostile")
    saltmarsh = Path(__file__).parents[2] / "edge" / "saltmarsh.toml"
    now = time.time()
    depot.keep(folder, settings, 0.05, until=now)
    depot.show(folder, depot.newest(settings, "act", at=now), saved_at=now + 600.0)
    access.set_code(folder, CODE)
    with start(saltmarsh, folder, "--port", "0") as process:
        assert process.stdout is not None
        assert process.stderr is not None
        line = process.stdout.readline()
        made = Box_(process, int(line.rstrip("/\n").rpartition(":")[2]), folder)
        yield made
        assert made.raw(request("/api/status"))[0] == 200
        process.send_signal(signal.SIGTERM)
        _, said = process.communicate(timeout=30.0)
    assert "Traceback" not in said, said


@pytest.mark.parametrize("name", REFUSED)
def test_what_is_hostile_is_refused(page: Box_, name: str) -> None:
    """4xx, soon, with nothing of the request in it as markup and no header of its making."""
    status, got = page.raw(REFUSED[name])
    assert 400 <= status < 500, got[:300]
    assert MARK.encode() not in got
    assert b"root:" not in got
    assert b"\r\nSet-Cookie: a=b" not in got


@pytest.mark.parametrize("name", HARMLESS)
def test_what_is_odd_does_no_harm(page: Box_, name: str) -> None:
    """Answered or refused, but no fault, and nothing that was brought along comes back."""
    status, got = page.raw(HARMLESS[name])
    assert 200 <= status < 500, got[:300]
    assert MARK.encode() not in got
    assert b"evil.example" not in got.replace(quote("//evil.example").encode(), b"")
    assert b"\r\nSet-Cookie: a=b" not in got


NAMES = [
    MARK,
    '"><img src=x onerror=alert(7)>',
    "{{ 7 * 7 }} ${7*7} %(x)s",
    "O'Brien; DROP TABLE requests;--",
    "Ω≈ç√ 山田 \N{RIGHT-TO-LEFT OVERRIDE}abc",
]


@pytest.mark.parametrize("name", NAMES)
def test_a_technician_of_any_name_is_only_text(page: Box_, name: str) -> None:
    """A name of markup, of templates or of SQL signs in, is shown as it was written, and is kept so in the letterbox."""
    page.cookies.clear()
    assert page.sign_in(name) == 303
    _, room, _ = page.ask("/site/alerts")
    assert name in html.unescape(room)
    assert MARK not in room
    assert "<img src=x" not in room
    sent = {"alert": "leak_growth", "section": "supply", "subject": "", "why": name, "for": "1h"}
    status, _, _ = page.ask("/site/alerts/shelve", {"token": page.token("/site/alerts"), **sent})
    assert status == 303
    box = Box(page.state)
    asked = box.waiting()[-1]
    box.close()
    assert asked.by == f"{name} (127.0.0.1)"
    assert asked.what["why"] == name


def test_what_was_sent_before_or_was_forged_asks_for_nothing(page: Box_) -> None:
    """Replayed, another session's, another site's and mangled forms are 4xx, and the letterbox stays as it was."""
    page.cookies.clear()
    assert page.sign_in("Ana Ruiz") == 303
    good = {"alert": "leak_growth", "section": "supply", "subject": ""}
    token = page.token("/site/alerts")
    assert page.ask("/site/alerts/acknowledge", {"token": token, **good})[0] == 303
    before = _asked(page)

    other = Box_(page.process, page.port, page.state)
    assert other.sign_in("Bo") == 303
    strange = other.token("/site/alerts")
    fresh = page.token("/site/alerts")
    deeds = {
        "replayed": ({"token": token, **good}, "own"),
        "another session's": ({"token": strange, **good}, "own"),
        "without a token": (good, "own"),
        "with a forged token": ({"token": "A" * 32, **good}, "own"),
        "with a token of NUL": ({"token": "\0", **good}, "own"),
        "with an endless token": ({"token": "A" * 60_000, **good}, "own"),
        "from another site": ({"token": fresh, **good}, "http://evil.example"),
        "from nowhere": ({"token": fresh, **good}, None),
        "from a sandbox": ({"token": fresh, **good}, "null"),
    }
    for what, (form, origin) in deeds.items():
        status, text, _ = page.ask("/site/alerts/acknowledge", form, origin)
        assert 400 <= status < 500, what
        assert "evil.example" not in text
    wrong = {
        "/site/alerts/acknowledge": {"alert": MARK, "section": "supply"},
        "/site/alerts/shelve": {**good, "for": "9" * 400, "why": "because"},
        "/site/alerts/working": {"for": MARK, "code": CODE},
        "/site/test/start": {"section": MARK, "method": "supply line"},
        "/site/test/stop": {"section": "../../supply"},
        "/site/test/put-back": {"section": "\0"},
    }
    for path, form in wrong.items():
        status, text, _ = page.ask(path, {"token": page.token("/site/alerts"), **form})
        assert 400 <= status < 500, path
        assert MARK not in text
    forged = Box_(page.process, page.port, page.state, dict(page.cookies))
    ticket = forged.cookies["dryhold-session"]
    forged.cookies["dryhold-session"] = ("B" if ticket[0] == "A" else "A") + ticket[1:]
    assert forged.ask("/site/alerts/acknowledge", {"token": fresh, **good})[0] == 401
    for name in ("a\0b", "a" * 61, " ", "a\x1bb", "a\x7fb"):
        page.cookies.pop("dryhold-session", None)
        assert page.sign_in(name) == 400
    assert _asked(page) == before


def _asked(page: Box_) -> int:
    box = Box(page.state)
    count = len(box.waiting())
    box.close()
    return count


@pytest.mark.parametrize("after", ["//evil.example", "/site\r\nSet-Cookie: a=b", "/site/../../x"])
def test_nobody_is_led_elsewhere(page: Box_, after: str) -> None:
    """Where a sign-in leads to is a room of this side, whatever the form says."""
    page.cookies.clear()
    token = page.token("/site/sign-in")
    form = {"token": token, "who": "Ana Ruiz", "code": CODE, "next": after}
    status, _, answer = page.ask("/site/sign-in", form)
    assert (status, answer.headers["Location"]) == (303, "/site")
    assert "a=b" not in str(answer.headers)
