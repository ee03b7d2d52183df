"""Files that people write and cards damage: settings, recordings, codes, back-ups, databases."""

import hashlib
import json
import shutil
import sqlite3
import tarfile
import zlib
from contextlib import closing
from io import BytesIO
from pathlib import Path
from unittest.mock import patch

from edge import lastgood, values
from edge.core import units
from edge.errors import AccessError, RecordingError, SettingsError, StoreError
from edge.judge import Judge
from edge.model import Tick, on_grid
from edge.recording import Recording
from edge.settings import load
from edge.store import backup, read, requests
from edge.store.read import Reader
from edge.store.schema import FILE
from edge.store.write import Writer
from edge.tell.secrets import password
from edge.wiring import judge_as_kept
from tests.fuzz.place import EXAMPLE, NOW, kept_record, picture, place
from tests.fuzz.target import Target, by_command, by_start, by_tick, target
from web import access, create_app
from web.access import keep_private
from web.roll import Roll
from web.session import ABSOLUTE_S, IDLE_S, Sessions

MOST_ROWS = 2000


@target(by_command("check"))
def settings(scratch: Path) -> Target:
    """A settings file: SettingsError, or settings that a judge can be made of. Broken, the last
    good ones are used; broken too, the file's own faults are told."""
    file = scratch / "site.toml"
    good, bad = scratch / "good", scratch / "bad"
    good.mkdir()
    bad.mkdir()
    shutil.copyfile(EXAMPLE, good / lastgood.FILE)
    # Looking through all time zones takes longer than all the rest, and they stay the same.
    zones = values.available_timezones()
    torn = scratch / "torn.toml"
    torn.write_bytes(b"[site")

    def feed(data: bytes) -> None:
        with patch.object(values, "available_timezones", lambda: zones):
            _feed(data)

    def _feed(data: bytes) -> None:
        file.write_bytes(data)
        try:
            found = load(file)
        except SettingsError:
            assert lastgood.load_or_last(file, good).trouble
            return
        judge = Judge(found)
        judge.look(Tick(0.0, NOW, tuple(None for _ in found.channel)))
        json.dumps(judge.picture())
        (bad / lastgood.FILE).write_bytes(data)
        assert lastgood.load_or_last(torn, bad).settings == found

    return Target(feed, (EXAMPLE.read_bytes(), _SMALL, _TOLD))


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
_TOLD = (
    _SMALL
    + b"""[[mqtt]]
host = "127.0.0.1"
port = 1883
tls = false
[[mail]]
host = "mail.example"
security = "tls"
user = "box"
from = "box@example.org"
quiet = ["22:00-06:00"]
digest_at = "07:00"
[[mail.to]]
address = "one@example.org"
priorities = ["urgent"]
after = "30 min"
[page]
url = "http://box.example/"
reading = "code"
[[work]]
name = "drain the low points"
every = "90 d"
"""
)


@target(by_command("check", at_once=30))
def quantity(_scratch: Path) -> Target:
    """A quantity with its unit (some 30 in a settings file): ValueError, or a finite number."""

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
    return Target(feed, seeds, 512)


@target(by_command("replay"))
def recording(scratch: Path) -> Target:
    """A recording: RecordingError, or rows that are judged and rows that are named."""
    known = load(EXAMPLE)
    file = scratch / "recording.csv"

    def feed(data: bytes) -> None:
        file.write_bytes(data)
        bad: list[str] = []
        try:
            found = Recording(file, known, bad.append)
        except RecordingError:
            return
        try:
            try:
                judge = Judge(known, absent=found.absent)
            except SettingsError:  # no column for the supply's pressure
                return
            for tick, _ in zip(found, range(MOST_ROWS), strict=False):
                for event in judge.look(tick):
                    json.dumps(event.as_json(), allow_nan=False)
            json.dumps(judge.picture(), allow_nan=False)
            assert len(bad) == found.bad
        finally:
            found.close()

    return Target(feed, (_CSV, _CSV.replace(b",", b";"), b"\xef\xbb\xbf" + _CSV, _CYCLE, _SHORT))


_CSV = (
    b"time,line_pressure [bar],oxygen,running,room_temperature [\xc2\xb0C]\n"
    b"2026-03-01T00:00:00Z,3.1,1.5,1,18\n2026-03-01T00:00:01+01:00,3.2,,0,\n"
    b'"2026-03-01T00:00:02Z",1e3,nan,2,"-40"\n'
)


def _cycles(minutes: int) -> bytes:
    return b"time,line_pressure [psi],running\n" + b"".join(
        b"2026-03-01T%02d:%02d:00Z,%d,%d\n"
        % (m // 60, m % 60, 52 - m % 20 if m % 25 < 20 else 40 + 2 * (m % 5), m % 25 >= 20)
        for m in range(minutes)
    )


_CYCLE, _SHORT = _cycles(120), _cycles(30)


@target(by_start())
def state(scratch: Path) -> Target:
    """The judges' kept state, damaged on the card: used whole or set aside, never the end.

    It is packed with a checksum (zlib's Adler-32), so that damage does not come out as another
    state. After = comes one that was written so, as by somebody's hand or another version: starting
    with it is never the end, and it is tried for a few ticks; what it does later is not promised.
    """
    known, folder, _ = place(scratch / "kept")
    judge = Judge(known)
    for n in range(200):
        values = tuple(on_grid(300.0 + n) for _ in known.channel)
        judge.look(Tick(float(n * 60), NOW, values))
    whole = judge.state()
    writer = Writer(folder, known, [])
    writer.keep([Tick(12_000.0, NOW, values)], [], whole)
    raw = sqlite3.connect(folder / FILE)

    def feed(data: bytes) -> None:
        packed = zlib.compress(data[1:], 1) if data[:1] == b"=" else data
        with raw:
            raw.execute("UPDATE state SET data = ?", (packed,))
        found, _ = judge_as_kept(known, writer)
        if data == text:
            assert found.state() == json.loads(json.dumps(whole))
        elif data[:1] == b"=":
            return
        for t in (12_060.0, 12_120.0, 99_999.0):
            found.look(Tick(t, NOW, tuple(on_grid(310.0) for _ in known.channel)))
        found.picture()

    text = b"=" + json.dumps(whole, separators=(",", ":")).encode()
    return Target(feed, (text, zlib.compress(text[1:]), b"=[]", b'={"version": 1}', b""))


@target(by_command("access set"))
def code_file(scratch: Path) -> Target:
    """The access code's file: AccessError, or a code that is checked and found wrong."""
    folder = scratch / "access"
    folder.mkdir()
    access.set_code(folder, "kelp-and-samphire")
    good = (folder / access.FILE).read_bytes()

    def feed(data: bytes) -> None:
        access.keep_private(folder / access.FILE, data)
        try:
            lock = access.read(folder)
            if data != good and lock is not None and lock.code is not None and len(lock.code) < 40:
                assert not access.right(lock, "saltwort-and-thrift")
        except AccessError:
            return

    return Target(feed, (good, good.replace(b"argon2id", b"argon2i"), b"{}", b"[]"), 4096)


@target(by_start())
def sessions_file(scratch: Path) -> Target:
    """Who was signed in, as kept over a restart of the page: nobody or whom it names, for no longer
    than a session lasts; nobody gets in by it who has no number, and it can be kept again."""
    roll = Roll(scratch, "technician", lambda: NOW)
    with_one = Sessions(roll, 0.0, IDLE_S, ABSOLUTE_S)
    with_one.begin("Ana", "127.0.0.1", 0.0)
    file = next(scratch.glob("sessions-*"))
    good = file.read_bytes()

    def feed(data: bytes) -> None:
        keep_private(file, data)
        found = Sessions(roll, 1000.0, IDLE_S, ABSOLUTE_S)
        assert found.find("samphire", 1000.0, touch=True) is None
        session, number = found.begin("Ben", "::1", 1000.0)
        assert found.find(number, 1000.0, touch=True) is session
        again = Sessions(roll, 0.0, IDLE_S, ABSOLUTE_S)
        assert again.find(number, 0.0, touch=True) is not None
        assert again.find(number, ABSOLUTE_S + 1.0, touch=True) is None

    seeds = (good, b"{}", b"[]", b'{"at": 0, "sessions": []}')
    odd = tuple(b'{"at": %s, "sessions": []}' % at for at in (b"9" * 400, b"NaN", b"null"))
    return Target(feed, (*seeds, *odd), 8192)


@target(by_start())
def credential(scratch: Path) -> Target:
    """A password's file, as systemd hands it over: OSError, or text without its last line's end."""
    (scratch / "mail_password").write_bytes(b"")

    def feed(data: bytes) -> None:
        (scratch / "mail_password").write_bytes(data)
        try:
            found = password("mail_password", {"CREDENTIALS_DIRECTORY": str(scratch)})
        except OSError:
            return
        assert found is not None
        assert not found.endswith("\n")

    return Target(feed, (b"samphire\n", "zostère".encode(), b"a\nb\r\n", b"\xff\xfe"), 512)


@target(by_tick(why="written once a tick"))
def newest(scratch: Path) -> Target:
    """latest.json cut short or of something else: StoreError, and every room says that it is
    blind (the first view each time, the others in turn).

    One that is whole comes from the daemon, which puts it in place in one step, and is trusted.
    """
    known, kept, runtime = place(scratch / "newest")
    client = create_app(known, kept, runtime, lambda: NOW).test_client()
    file = runtime / read.LATEST
    rooms = ("/now", "/how", "/monitor", "/history", "/api/status", "/metrics")
    good = picture(known)

    def feed(data: bytes) -> None:
        file.write_bytes(data)
        try:
            read.latest(runtime)
            if data != good:
                return
        except StoreError:
            pass
        for room in ("/", rooms[zlib.crc32(data) % len(rooms)]):
            answer = client.get(room)
            assert answer.status_code < 500, (room, answer.status)

    return Target(feed, (good, b"{}", b"[]", b"null", good[: len(good) // 2]), doses=20)


@target(by_command("restore"))
def restored(scratch: Path) -> Target:
    """A back-up of anything: put back whole, so that the daemon can go on with it, or refused as a
    StoreError, and then what stood before stands unchanged.

    The first letter says how the rest comes: T a tar, packed as ours are; D a database, in a
    back-up whose manifest tells the truth about it; any other, the file as it is.
    """
    known, folder, _ = place(scratch / "box")
    database = (folder / FILE).read_bytes()
    requests.Box(folder).close()
    file, site = scratch / "backup", scratch / "site.toml"
    site.write_bytes(_SMALL)
    fresh = scratch / "fresh"
    shutil.copytree(folder, fresh)
    before = _contents(folder)

    def feed(data: bytes) -> None:
        kind, rest = data[:1], data[1:]
        if kind == b"D":
            rest = _tar({FILE: rest})
        file.write_bytes(_packed(rest) if kind in (b"T", b"D") else data)
        try:
            backup.put_back(file, folder, site)
        except StoreError:
            assert _contents(folder) == before
            assert site.read_bytes() == _SMALL
            return
        try:
            writer = Writer(folder, known, [])
            writer.keep([Tick(1.0, NOW, tuple(300.0 for _ in known.channel))], [], {"version": 1})
            writer.close()
        finally:
            shutil.rmtree(folder)
            shutil.copytree(fresh, folder)
            site.write_bytes(_SMALL)

    whole = _tar({FILE: database, backup.SETTINGS: _SMALL})
    up = _tar({FILE: database, "../../up": b"x"})
    # Sound, and of no use: numbers of events cannot go on in it.
    numberless = database.replace(b"sqlite_sequence(name,seq)", b"sqlite_sequence(name,sep)")
    assert numberless != database
    seeds = (b"T" + whole, b"T" + up, b"T" + _linked(database), b"D" + database, database, b"T",
             numberless)  # fmt: skip
    return Target(feed, seeds, 400_000, 30)


def _contents(folder: Path) -> dict[str, bytes]:
    return {str(p.relative_to(folder)): p.read_bytes() for p in folder.rglob("*") if p.is_file()}


def _tar(files: dict[str, bytes]) -> bytes:
    """A back-up before packing, its manifest as `dryhold backup` writes it."""
    listed = {
        name: {"bytes": len(text), "sha256": hashlib.sha256(text).hexdigest()}
        for name, text in files.items()
    }
    told = {"format": 1, "version": "0.1.0", "made_at": "2026-03-01T00:00:00Z", "files": listed}
    out = BytesIO()
    with tarfile.open(fileobj=out, mode="w") as tar:
        for name, text in {backup.MANIFEST: json.dumps(told).encode(), **files}.items():
            entry = tarfile.TarInfo(name)
            entry.size = len(text)
            tar.addfile(entry, BytesIO(text))
    return out.getvalue()


def _linked(database: bytes) -> bytes:
    """A back-up whose database is a link out of the folder."""
    whole = bytearray(_tar({FILE: database}))
    header = bytearray(whole[1024:1536])
    header[156:157] = b"2"
    header[157:168] = b"/etc/passwd"
    header[148:156] = b" " * 8
    header[148:156] = b"%06o\0 " % sum(header)
    whole[1024:1536] = header
    return bytes(whole)


def _packed(tar: bytes) -> bytes:
    packer = zlib.compressobj(1, zlib.DEFLATED, 31)
    return packer.compress(tar) + packer.flush()


@target(by_start())
def database(scratch: Path) -> Target:
    """The database, damaged on the card: the daemon goes on, with this file or a new one, keeps what
    comes, and the page reads it or says that it cannot."""
    known, folder, _ = place(scratch / "box")
    kept_record(known, folder, ["mail"])
    with closing(sqlite3.connect(folder / FILE)) as made:
        made.execute("PRAGMA journal_mode = DELETE")
    whole = (folder / FILE).read_bytes()

    def feed(data: bytes) -> None:
        shutil.rmtree(folder)
        folder.mkdir()
        (folder / FILE).write_bytes(data)
        writer = Writer(folder, known, ["mail"], utc=lambda: NOW)
        judge, _ = judge_as_kept(known, writer)
        tick = Tick(9e6, NOW, tuple(on_grid(300.0) for _ in known.channel))
        writer.keep([tick], judge.look(tick), judge.state())
        try:
            json.dumps(writer.outbox.waiting("mail", 0, 10))
        except StoreError:  # damage that only reading finds; the next keeping sets the file aside
            writer.keep([tick._replace(t=9e6 + 1.0)], [], judge.state())
            json.dumps(writer.outbox.waiting("mail", 0, 10))
            assert "database" in writer.troubles()
        writer.close()
        try:
            db = Reader(folder)
        except StoreError:  # memory stood in
            return
        with db:
            for ask in (
                db.records.all,
                db.tests,
                db.records.chain,
                db.span,
                lambda: db.events(100),
            ):
                try:
                    json.dumps(ask())
                except StoreError:
                    continue

    misnamed = whole.replace(b"CREATE TABLE readings", b"CREATE TABLE \xa7eadings")
    return Target(feed, (whole, b"", whole[:4096], _rewritten(whole), misnamed), 400_000, 15)


def _rewritten(whole: bytes) -> bytes:
    """The same with what it says of itself spoiled."""
    return whole.replace(b'"kind"', b'"kin"').replace(b"[", b"{")
