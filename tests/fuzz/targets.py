"""What strangers, damage and bad wires can put in, each as a function of bytes with its contract.

A target returns for whatever input it can use or refuse; what it raises is a finding. The one way
to refuse is the typed error that its docstring names, and is caught here.
"""

import json
import re
import shutil
import sqlite3
import zlib
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from io import BytesIO, StringIO
from itertools import islice
from pathlib import Path
from typing import Any
from urllib.parse import unquote_to_bytes

from flask import Flask
from werkzeug.test import run_wsgi_app

from edge.core import units
from edge.errors import AccessError, RecordingError, SettingsError, StoreError
from edge.judge import Judge
from edge.latest import Latest
from edge.model import Reading, Request, Status, Tick, on_grid
from edge.recording import Recording
from edge.sensors import w1
from edge.sensors.bench import Bench, look, open_sensors
from edge.sensors.i2c import Bus
from edge.settings import Settings, load
from edge.store import read, requests
from edge.store.schema import FILE
from edge.store.write import Writer
from edge.wiring import judge_as_kept
from tests.sensors.sites import site
from web import access, create_app

HOUSE = Path(__file__).parents[2]
EXAMPLE = HOUSE / "edge" / "saltmarsh.toml"
MOST_ROWS = 2000


@dataclass(frozen=True)
class Target:
    """`feed` takes one input; `seeds` are inputs that lead it far in."""

    feed: Callable[[bytes], None]
    seeds: tuple[bytes, ...]


def _settings(scratch: Path) -> Target:
    """A settings file: SettingsError, or settings that a judge can be made of."""
    file = scratch / "site.toml"

    def feed(data: bytes) -> None:
        file.write_bytes(data)
        try:
            settings = load(file)
        except SettingsError:
            return
        judge = Judge(settings)
        judge.look(Tick(0.0, 1.79e9, tuple(None for _ in settings.channel)))
        json.dumps(judge.picture())

    return Target(feed, (EXAMPLE.read_bytes(), _SMALL))


_SMALL = b"""[site]
name = "Saltmarsh Lane depot"
id = "saltmarsh-lane"
[supply]
pressure = "line"
cut_in = "2.6 bar"
cut_out = "3.6 bar"
[[channel]]
name = "line"
quantity = "pressure"
unit = "bar"
input = "simulated"
"""


def _quantity(_scratch: Path) -> Target:
    """A quantity with its unit: ValueError, or a number that is finite."""

    def feed(data: bytes) -> None:
        kind, _, text = data.decode(errors="replace").partition(":")
        if kind not in units.KINDS:
            return
        try:
            value = units.parse(kind, text)
        except ValueError:
            return
        assert value - value == 0.0, text

    seeds = (b"pressure:38 psi", "temperature:-20 °C".encode(), b"flow:45 scfh", b"time:8 s")
    return Target(feed, seeds)


def _recording(scratch: Path) -> Target:
    """A recording: RecordingError, or rows that are judged and rows that are named."""
    settings = load(EXAMPLE)
    file = scratch / "recording.csv"

    def feed(data: bytes) -> None:
        file.write_bytes(data)
        bad: list[str] = []
        try:
            recording = Recording(file, settings, bad.append)
        except RecordingError:
            return
        try:
            try:
                judge = Judge(settings, absent=recording.absent)
            except SettingsError:  # no column for the supply's pressure
                return
            for tick, _ in zip(recording, range(MOST_ROWS), strict=False):
                for event in judge.look(tick):
                    json.dumps(event.as_json(), allow_nan=False)
            json.dumps(judge.picture(), allow_nan=False)
        finally:
            recording.close()

    return Target(feed, (_CSV, _CSV.replace(b",", b";"), b"\xef\xbb\xbf" + _CSV, _CYCLE))


_CSV = (
    b"time,line_pressure [bar],oxygen,running,room_temperature [\xc2\xb0C]\n"
    b"2026-03-01T00:00:00Z,3.1,1.5,1,18\n2026-03-01T00:00:01+01:00,3.2,,0,\n"
    b'"2026-03-01T00:00:02Z",1e3,nan,2,"-40"\n'
)
_CYCLE = b"time,line_pressure [psi],running\n" + b"".join(
    b"2026-03-01T%02d:%02d:00Z,%d,%d\n"
    % (m // 60, m % 60, 52 - m % 20 if m % 25 < 20 else 40 + 2 * (m % 5), m % 25 >= 20)
    for m in range(300)
)


def _request(_scratch: Path) -> Target:
    """A request to the judge: whatever it asks, judging goes on and its state can be kept."""
    settings = load(EXAMPLE)
    channels = len(settings.channel)
    fresh = Judge(settings)
    for n in range(60):
        fresh.look(Tick(float(n), 1.79e9, tuple(on_grid(300.0) for _ in range(channels))))
    kept = json.dumps(fresh.state())

    def feed(data: bytes) -> None:
        kind, _, body = data.partition(b" ")
        try:
            what = json.loads(body)
        except (ValueError, RecursionError):
            return
        if not isinstance(what, dict):
            return
        judge = Judge(settings, json.loads(kept))
        asked = Request(1, kind.decode(errors="replace"), "somebody", what)
        values = tuple(on_grid(300.0) for _ in range(channels))
        for t, waiting in ((60.0, (asked,)), (61.0, ()), (4000.0, ())):
            for event in judge.look(Tick(t, 1.79e9, values, requests=waiting)):
                json.dumps(event.as_json(), allow_nan=False)
        state = json.loads(json.dumps(judge.state(), allow_nan=False))
        json.dumps(Judge(settings, state).picture(), allow_nan=False)

    bodies = (
        b"{}",
        b'{"section": "supply", "method": "supply line", "note": "x"}',
        b'{"section": "supply", "alert": "low_pressure", "for_s": 3600}',
        b'{"loss_kpa_per_h": 1.5, "sd": 0.1}',
        b'{"for_s": 3600.0}',
        b'{"for_s": -1e308, "loss_kpa_per_h": null, "section": ["supply"]}',
    )
    kinds = [kind.encode() for kind in requests.KINDS]
    return Target(feed, tuple(kind + b" " + body for kind in kinds for body in bodies))


def _letterbox(scratch: Path) -> Target:
    """A letterbox with anything in its rows: StoreError at most, and the good row is still read."""
    folder = scratch / "box"
    folder.mkdir()
    box = requests.Box(folder)

    def feed(data: bytes) -> None:
        kind, _, what = data.partition(b" ")
        texts = (kind.decode(errors="replace"), what.decode(errors="replace"))
        raw = sqlite3.connect(folder / requests.FILE)
        with raw:
            raw.execute("DELETE FROM requests")
            raw.execute(
                "INSERT INTO requests (posted_ms, kind, by, what) VALUES (0, ?, 'x', ?)", texts
            )
        raw.close()
        mine = box.post("baseline_learn", "desk", {})
        assert mine in [request.id for request in box.waiting()]

    return Target(feed, (b"hold_start {}", b'shelve {"for_s": 1}', b"x [1, 2]", b"x {"))


def _state(scratch: Path) -> Target:
    """The judges' kept state, damaged on the card: used whole or set aside, never the end."""
    settings, folder, _ = _place(scratch / "kept")
    judge = Judge(settings)
    for n in range(200):
        values = tuple(on_grid(300.0 + n) for _ in settings.channel)
        judge.look(Tick(float(n * 60), 1.79e9, values))
    whole = judge.state()
    writer = Writer(folder, settings, [])
    writer.keep([Tick(12_000.0, 1.79e9, values)], [], whole)
    raw = sqlite3.connect(folder / FILE)
    good: bytes = raw.execute("SELECT data FROM state").fetchone()[0]

    def feed(data: bytes) -> None:
        with raw:
            raw.execute("UPDATE state SET data = ?", (data,))
        found, _ = judge_as_kept(settings, writer)
        if data == good:
            assert found.state() == json.loads(json.dumps(whole))
        for t in (12_060.0, 12_120.0, 99_999.0):
            found.look(Tick(t, 1.79e9, tuple(on_grid(310.0) for _ in settings.channel)))
        found.picture()

    return Target(feed, (good, zlib.compress(b"[]"), zlib.compress(b'{"version": 1}'), b""))


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


def _i2c(_scratch: Path) -> Target:
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
                else:
                    assert abs(reading.value) < 1e4
        assert now[0] - began < 2.0, "the wire held the loop up"

    good = bytes.fromhex("8583 c583 4000") * 6
    return Target(feed, (good, b"", b"\xee\x79" * 8, b"\xff" * 40, good[1:]))


def _w1(_scratch: Path) -> Target:
    """What a 1-Wire file says: a temperature the probe can have, or a reason."""

    def feed(data: bytes) -> None:
        answer = w1.parse(data.decode("ascii", errors="replace"))
        if answer.celsius is None:
            assert answer.why

    good = b"50 05 4b 46 7f ff 0c 10 1c : crc=1c YES\n50 05 4b 46 7f ff 0c 10 1c t=%s\n"
    return Target(feed, (good % b"85000", good % b"-1250", good.replace(b"YES", b"NO") % b"1"))


def _access(scratch: Path) -> Target:
    """The access code's file: AccessError, or a code that is checked and found wrong."""
    folder = scratch / "access"
    folder.mkdir()
    access.set_code(folder, "kelp-and-samphire")
    good = (folder / access.FILE).read_bytes()

    def feed(data: bytes) -> None:
        access.keep_private(folder / access.FILE, data)
        try:
            lock = access.read(folder)
            if data != good and lock is not None and len(lock.code) < 40:
                assert not access.right(lock, "saltwort-and-thrift")
        except AccessError:
            return

    return Target(feed, (good, good.replace(b"argon2id", b"argon2i"), b"{}", b"[]"))


def _newest(scratch: Path) -> Target:
    """latest.json cut short or of something else: StoreError, and every room says that it is blind.

    One that is whole comes from the daemon, which puts it in place in one step, and is trusted.
    """
    settings, state, runtime = _place(scratch / "newest")
    client = create_app(settings, state, runtime, lambda: 1.79e9).test_client()
    file = runtime / read.LATEST
    good = _picture(settings)

    def feed(data: bytes) -> None:
        file.write_bytes(data)
        try:
            read.latest(runtime)
            if data != good:
                return
        except StoreError:
            pass
        for room in ("/", "/now", "/how", "/monitor", "/history", "/api/status", "/metrics"):
            answer = client.get(room)
            assert answer.status_code < 500, (room, answer.status)

    return Target(feed, (good, b"{}", b"[]", b"null", good[: len(good) // 2]))


def _http(scratch: Path) -> Target:
    """A request to the page: method, address, headers and body; never a failure of ours."""
    settings, state, runtime = _place(scratch / "http")
    (runtime / read.LATEST).write_bytes(_picture(settings))
    access.set_code(state, "kelp-and-samphire")
    app = create_app(settings, state, runtime, lambda: 1.79e9)
    app.testing = True  # what fails inside comes out with its trace
    routes = sorted({rule.rule for rule in app.url_map.iter_rules()})

    def feed(data: bytes) -> None:
        _knock(app, data)

    seeds = [f"GET {route}\n\n".encode() for route in routes]
    seeds += [f"POST {route}\ncontent-type: {_FORM}\n\ncode=x&name=y".encode() for route in routes]
    seeds.append(b"GET /api/events?since=2026-01-01T00:00:00Z&limit=5&kind=cut_in\n\n")
    seeds.append(b"GET /history?span=year&at=2026-01-01\ncookie: session=abc.def\n\n")
    return Target(feed, tuple(seeds))


_FORM = "application/x-www-form-urlencoded"


_REQUEST_LINE = re.compile(r"[A-Za-z-]{1,20} /[^\x00-\x20\x7f]*")


def _knock(app: Flask, data: bytes) -> None:
    """One request as a server hands it over: bytes as latin-1, the path already unquoted."""
    head, _, body = data.partition(b"\n\n")
    first, *lines = head.decode("latin-1").split("\n")
    method, _, target = first.partition(" ")
    if not _REQUEST_LINE.fullmatch(first) or "\r" in head.decode("latin-1"):
        return  # no server takes it for a request
    path, _, query = target.partition("?")
    environ: dict[str, Any] = {
        "REQUEST_METHOD": method,
        "SCRIPT_NAME": "",
        "PATH_INFO": unquote_to_bytes(path.encode("latin-1")).decode("latin-1"),
        "QUERY_STRING": query,
        "SERVER_NAME": "127.0.0.1",
        "SERVER_PORT": "8080",
        "SERVER_PROTOCOL": "HTTP/1.1",
        "REMOTE_ADDR": "127.0.0.1",
        "CONTENT_LENGTH": str(len(body)),
        "wsgi.version": (1, 0),
        "wsgi.url_scheme": "http",
        "wsgi.input": BytesIO(body),
        "wsgi.errors": StringIO(),
        "wsgi.multithread": True,
        "wsgi.multiprocess": False,
        "wsgi.run_once": False,
    }
    for line in lines:
        name, colon, value = line.partition(": ")
        key = name.upper().replace("-", "_")
        if colon:
            environ[key if key == "CONTENT_TYPE" else f"HTTP_{key}"] = value
    parts, status, headers = run_wsgi_app(app, environ)
    live = headers.get("Content-Type", "").startswith("text/event-stream")
    for _ in islice(parts, 1 if live else None):  # a live one has no end
        pass
    if hasattr(parts, "close"):
        parts.close()
    # Its monitors are told by a 503 that the daemon is silent here.
    assert int(status[:3]) < 500 or environ["PATH_INFO"].strip("/") == "healthz", status


def _place(folder: Path) -> tuple[Settings, Path, Path]:
    """A site with an empty history."""
    settings, state, runtime = load(EXAMPLE), folder / "state", folder / "run"
    state.mkdir(parents=True)
    runtime.mkdir()
    Writer(state, settings, []).close()
    return settings, state, runtime


def _picture(settings: Settings) -> bytes:
    """latest.json as the daemon would write it after ten minutes."""
    judge, latest = Judge(settings), Latest()
    values = tuple(on_grid(300.0) for _ in settings.channel)
    readings = [Reading(c.name, c.quantity, 300.0, Status.GOOD) for c in settings.channel]
    for n in range(600):
        tick = Tick(float(n), 1.79e9, values)
        judge.look(tick)
        latest.see(tick, readings)
    monitor = {"not_kept": None, "readings_lost": 0, "events_lost": 0, "messengers": {}}
    said = latest.compose(tick, readings, 1.79e9 + 600.0, judge.picture(), monitor)
    return json.dumps(said).encode()


MAKERS: Mapping[str, Callable[[Path], Target]] = {
    "settings": _settings,
    "quantity": _quantity,
    "recording": _recording,
    "request": _request,
    "letterbox": _letterbox,
    "state": _state,
    "i2c": _i2c,
    "w1": _w1,
    "access": _access,
    "newest": _newest,
    "http": _http,
}
"""To add one: a function that makes a Target in a scratch folder, and a line."""


def make(name: str, scratch: Path) -> Target:
    shutil.rmtree(scratch, ignore_errors=True)
    scratch.mkdir(parents=True)
    return MAKERS[name](scratch)
