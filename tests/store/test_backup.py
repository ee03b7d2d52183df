"""Back-ups, the way back from them, and the copy that an upgrade leaves."""

import io
import json
import sqlite3
import subprocess
import sys
import tarfile
from collections.abc import Callable
from contextlib import closing
from pathlib import Path

import pytest

from edge.errors import StoreError
from edge.model import Event, Tick
from edge.settings import Settings
from edge.store import backup, requests, schema
from edge.store.database import BEFORE_UPGRADE, Migrations, open_for_writing
from edge.store.read import Reader
from edge.store.requests import Box
from edge.store.write import Writer

NOW = 1_795_600_000.0


def tick(t: float) -> Tick:
    return Tick(t, NOW, (300.0 + t, 0.0), {})


def event(t: float, text: str) -> Event:
    return Event(NOW + t, "monitor_started", text)


def texts(folder: Path) -> list[str]:
    with Reader(folder) as reader:
        return [e["text"] for e in reversed(reader.events())]


def ids(folder: Path) -> list[str]:
    with Reader(folder) as reader:
        return [e["id"] for e in reversed(reader.events())]


@pytest.fixture
def site(tmp_path: Path) -> Path:
    path = tmp_path / "etc" / "site.toml"
    path.parent.mkdir()
    path.write_text("# as it was\n")
    return path


def kept(state: Path, settings: Settings) -> Writer:
    """A state folder with history, open."""
    writer = Writer(state, settings, ["mqtt here"])
    writer.keep([tick(t) for t in (1.0, 2.0, 3.0)], [event(1.0, "first")], {"a": 1})
    return writer


def test_a_box_is_made_anew_from_a_backup(tmp_path: Path, settings: Settings, site: Path) -> None:
    """Taken while the daemon writes, put into an empty folder: readings, events, notices, the judges' state, the letterbox and the settings are all there."""
    writer = kept(tmp_path / "state", settings)
    box = Box(tmp_path / "state")
    done, waiting = box.post("working", "Ann", {}), box.post("hold_start", "Ann", {})
    box.done(done, "seen")
    (tmp_path / "state" / "access.json").write_text('{"code": "hash of the code"}')
    made = backup.take(tmp_path / "state", tmp_path / "b.tar.gz", site, NOW)
    assert made.files == (schema.FILE, requests.FILE, "site.toml")
    assert (tmp_path / "b.tar.gz").stat().st_mode & 0o777 == 0o600
    writer.keep([tick(4.0)], [event(4.0, "after it")], {"a": 2})
    box.close()
    writer.close()

    anew, place = tmp_path / "anew", tmp_path / "elsewhere.toml"
    found = backup.put_back(tmp_path / "b.tar.gz", anew, place)
    assert found == made
    assert place.read_text() == "# as it was\n"
    assert texts(anew) == ["first"]
    assert not (anew / "access.json").exists()
    with Reader(anew) as reader:
        assert [t.values for t in reader.readings(["line"])] == [(301.0,), (302.0,), (303.0,)]
    again = Writer(anew, settings, ["mqtt here"])
    saved = again.saved()
    assert saved is not None
    assert (saved.state, saved.steady) == ({"a": 1}, 3.0)
    assert [e["text"] for _, e in again.outbox.waiting("mqtt here", 0, 9)] == ["first"]
    again.close()
    box = Box(anew)
    assert box.waiting() == []  # what was asked for before the box broke is not done now
    assert box.answer(waiting) == "set aside by a restore"
    box.close()


def test_no_event_number_is_given_twice_after_a_restore(tmp_path: Path, settings: Settings) -> None:
    """Events after a restore get numbers past all that receivers may have seen, even of what the back-up does not know and the present database does."""
    state = tmp_path / "state"
    writer = kept(state, settings)
    backup.take(state, tmp_path / "b", None, NOW)
    writer.keep([tick(4.0)], [event(4.0, f"told {n}") for n in range(5)], None)
    writer.close()
    seen = set(ids(state))
    backup.put_back(tmp_path / "b", state, None)
    writer = Writer(state, settings, ["mqtt here"])
    writer.keep([tick(9.0)], [event(9.0, "new")], None)
    writer.close()
    old, new = ids(state)
    assert old in seen
    assert new not in seen
    assert int(new.rpartition("-")[2]) > backup.EVENTS_LEFT_OUT
    assert texts(state / backup.REPLACED)[-1] == "told 4"  # what stood before is kept


def test_nothing_is_put_back_under_a_running_daemon(tmp_path: Path, settings: Settings) -> None:
    """While somebody has the database open a restore is refused, and nothing has changed."""
    state = tmp_path / "state"
    writer = kept(state, settings)
    backup.take(state, tmp_path / "b", None, NOW)
    # POSIX locks do not hold against the process that took them: another one must ask.
    with pytest.raises(StoreError, match="systemctl stop dryhold"):
        _in_another_process(tmp_path / "b", state)
    assert not (state / backup.REPLACED).exists()
    writer.close()
    _in_another_process(tmp_path / "b", state)
    assert (state / backup.REPLACED / schema.FILE).exists()


def _in_another_process(file: Path, state: Path) -> None:
    done = subprocess.run(
        [sys.executable, "-m", "edge", "restore", str(file), "--state", str(state)],
        capture_output=True,
        text=True,
        check=False,
        cwd=Path(__file__).parents[2],
    )
    if done.returncode:
        assert done.returncode == 2, done.stderr
        raise StoreError(done.stderr)


def packed(path: Path, manifest: object, **files: bytes) -> Path:
    with tarfile.open(path, "w:gz") as tar:
        for name, content in [("manifest.json", json.dumps(manifest).encode()), *files.items()]:
            entry = tarfile.TarInfo(name)
            entry.size = len(content)
            tar.addfile(entry, io.BytesIO(content))
    return path


def test_what_is_no_whole_backup_changes_nothing(tmp_path: Path, settings: Settings) -> None:
    """Cut off, altered, foreign or with names of its own: refused with a sentence, and the state folder is as before."""
    state = tmp_path / "state"
    kept(state, settings).close()
    whole = tmp_path / "b"
    backup.take(state, whole, None, NOW)
    data = whole.read_bytes()
    (tmp_path / "cut").write_bytes(data[: len(data) // 2])
    (tmp_path / "altered").write_bytes(data[:-2000] + bytes(2000))
    (tmp_path / "text").write_text("not a back-up")
    listed = {"format": 1, "version": "9", "made_at": "x", "files": {"../escaped": {}}}
    packed(tmp_path / "escape", listed, **{"../escaped": b"x"})
    packed(tmp_path / "other format", {**listed, "format": 2})
    swapped = {"dryhold.db": {"bytes": 1, "sha256": "0" * 64}}
    packed(tmp_path / "swapped", {**listed, "files": swapped}, **{"dryhold.db": b"x"})
    before = {p.name: p.read_bytes() for p in state.iterdir()}
    for name in ("cut", "altered", "text", "escape", "other format", "swapped", "absent"):
        with pytest.raises(StoreError, match="expected a whole back-up"):
            backup.put_back(tmp_path / name, state, None)
        assert {p.name: p.read_bytes() for p in state.iterdir()} == before, name
    assert not (tmp_path / "escaped").exists()


def test_a_damaged_or_a_newer_database_is_not_put_back(tmp_path: Path, settings: Settings) -> None:
    """A copy with a torn page fails its check; one with a migration that this version has never heard of, or with a misnamed column, names it."""
    state = tmp_path / "state"
    kept(state, settings).close()
    torn = bytearray((state / schema.FILE).read_bytes())
    torn[5 * 1024 : 9 * 1024] = b"\xff" * 4096
    (tmp_path / "torn.db").write_bytes(torn)
    with pytest.raises(StoreError, match=r"expected a (sound )?database"):
        backup.put_back(tmp_path / "torn.db", tmp_path / "anew", None)
    (tmp_path / "newer.db").write_bytes((state / schema.FILE).read_bytes())
    with closing(sqlite3.connect(tmp_path / "newer.db")) as db, db:
        db.execute(
            "INSERT INTO _sqlite_migrations (migration_set, name, applied_at)"
            " VALUES ('dryhold', 'from_the_future', '2036')"
        )
    with pytest.raises(StoreError, match="from_the_future"):
        backup.put_back(tmp_path / "newer.db", tmp_path / "anew", None)
    (tmp_path / "misnamed.db").write_bytes((state / schema.FILE).read_bytes())
    with closing(sqlite3.connect(tmp_path / "misnamed.db")) as db, db:
        db.execute("ALTER TABLE epochs RENAME COLUMN offset_ms TO offseu_ms")
    with pytest.raises(StoreError, match=r"epochs\.offset_ms"):
        backup.put_back(tmp_path / "misnamed.db", tmp_path / "anew", None)


def older(first: int) -> Migrations:
    """The migrations as an older version had them."""
    old = Migrations("dryhold")
    everything: list[Callable[[object], None]] = [m.fn for m in schema.migrations._migrations]
    for function in everything[:first]:
        old()(function)
    return old


def test_an_upgrade_keeps_a_copy_and_can_be_taken_back(tmp_path: Path, settings: Settings) -> None:
    """An older database is brought up to date with nothing lost; the copy beside it opens with the older version, one copy is kept, and restore puts it back."""
    state = tmp_path / "state"
    open_for_writing(state / schema.FILE, older(1)).close()
    with closing(sqlite3.connect(state / schema.FILE)) as db, db:
        db.execute("INSERT INTO facts VALUES ('installation', 'the-first')")
    copy = state / f"{schema.FILE}{BEFORE_UPGRADE}"
    assert not copy.exists()  # a new database needs none
    kept(state, settings).close()
    assert texts(state) == ["first"]
    assert ids(state)[0].startswith("the-first-")
    stamp = copy.stat().st_mtime_ns
    Writer(state, settings, []).close()
    assert copy.stat().st_mtime_ns == stamp  # nothing was migrated, nothing copied

    backup.put_back(copy, state, None)
    with closing(sqlite3.connect(state / schema.FILE)) as db:
        tables = {row[0] for row in db.execute("SELECT name FROM sqlite_schema")}
    assert "tests" not in tables
    open_for_writing(state / schema.FILE, older(1)).close()
    assert sorted(p.name for p in state.iterdir() if BEFORE_UPGRADE in p.name) == [copy.name]


def test_the_commands_say_what_they_did(
    tmp_path: Path, settings: Settings, site: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """backup and restore exit with 0, name the files, and say what was left out and where the old ones went."""
    from edge.__main__ import main

    state = tmp_path / "state"
    kept(state, settings).close()
    where = ["--state", str(state), "--settings", str(site)]
    assert main(["backup", *where, "-o", str(tmp_path / "b")]) == 0
    assert "dryhold.db, site.toml" in capsys.readouterr().out
    site.write_text("# changed\n")
    assert main(["restore", str(tmp_path / "b"), *where]) == 0
    assert "before-restore" in capsys.readouterr().out
    assert site.read_text() == "# as it was\n"
    assert site.with_name("site.toml.before-restore").read_text() == "# changed\n"
    assert main(["backup", "--state", str(tmp_path / "none"), "-o", str(tmp_path / "c")]) == 2
    assert not (tmp_path / "c").exists()
