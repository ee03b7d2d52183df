"""Back-ups: one file from which a box can be made anew, and the way back from it.

A gzip'ed tar: manifest.json, whole copies of the databases, and the settings where they were given.
What opens the box (access code, the page's key, passwords) is never in it: a back-up lies about.
"""

import fcntl
import hashlib
import json
import os
import shutil
import sqlite3
import tarfile
import tempfile
import zlib
from collections.abc import Mapping
from contextlib import closing
from io import BytesIO
from pathlib import Path
from typing import Any, NamedTuple

from edge import __version__
from edge.errors import StoreError
from edge.model import iso
from edge.store import requests, schema
from edge.store.database import (
    FAULTS,
    Database,
    applied,
    copy_to,
    misshapen,
    open_for_reading,
)

FORMAT = 1
MANIFEST, SETTINGS = "manifest.json", "site.toml"
LARGEST_TEXT = 1 << 20

REPLACED = "before-restore"
"""The folder, within the state's, of what stood before the last restore."""

EVENTS_LEFT_OUT = 100_000
"""Numbers of events that a restored database leaves out. What happened between back-up and restore
took numbers that receivers have seen, and none may come twice for two events."""

_MIGRATIONS = {schema.FILE: schema.migrations, requests.FILE: requests.migrations}
_SQLITE = b"SQLite format 3\0"
_SHARED_FIRST, _SHARED_SIZE = (
    0x40000002,
    510,
)  # SQLite's file format: what every user of a file holds
_UNREADABLE = (tarfile.TarError, EOFError, zlib.error, OSError, ValueError, KeyError, TypeError)


class Contents(NamedTuple):
    """What is in a back-up."""

    version: str | None  # of dryhold that made it; None for a bare copy of the database
    made_at: str | None
    files: tuple[str, ...]


def take(state: Path, output: Path, settings: Path | None, now: float) -> Contents:
    """Write a back-up of the state folder to `output`, while the daemon goes on.

    `now` is in seconds since 1970 UTC. StoreError where something cannot be read or written; then
    what stood at `output` still stands.
    """
    fresh = output.with_name(f"{output.name}.new")
    try:
        with tempfile.TemporaryDirectory(dir=output.parent, prefix=".dryhold-") as scratch:
            found = _copies(state, settings, Path(scratch))
            made = Contents(__version__, iso(now), tuple(found))
            manifest = {
                "format": FORMAT,
                "version": made.version,
                "made_at": made.made_at,
                "files": {name: _measure(path) for name, path in found.items()},
            }
            private = os.open(fresh, os.O_WRONLY | os.O_CREAT | os.O_TRUNC | os.O_CLOEXEC, 0o600)
            with (
                os.fdopen(private, "wb") as file,
                tarfile.open(fileobj=file, mode="w:gz", compresslevel=3) as tar,
            ):
                text = json.dumps(manifest, indent=1).encode()
                _add(tar, MANIFEST, BytesIO(text), len(text), now)
                for name, path in found.items():
                    with path.open("rb") as content:
                        _add(tar, name, content, path.stat().st_size, now)
            _sync(fresh)
            os.replace(fresh, output)
    except (*FAULTS, OSError) as error:
        fresh.unlink(missing_ok=True)
        if isinstance(error, StoreError):
            raise
        raise StoreError(f"{output}: expected to write a back-up, found: {error}") from error
    return made


def put_back(file: Path, state: Path, settings: Path | None) -> Contents:
    """Put a back-up, or a bare copy of the database, in place of what the state folder has.

    Everything is checked before anything is changed: that it is whole, sound and not made by a newer
    dryhold, and that nobody uses what it replaces; else StoreError. What stood before is kept in
    REPLACED, the settings as FILE.before-restore.
    """
    _refuse_while_used(state)
    try:
        state.mkdir(mode=0o750, parents=True, exist_ok=True)
        with tempfile.TemporaryDirectory(dir=state, prefix=".restore-") as scratch:
            contents = _unpacked(file, Path(scratch))
            for name in contents.files:
                if name in _MIGRATIONS:
                    _check(Path(scratch) / name, name)
            _mend(state, Path(scratch))
            _refuse_while_used(state)
            _exchange(Path(scratch), state, contents)
            if settings is not None and SETTINGS in contents.files:
                _place_settings(Path(scratch) / SETTINGS, settings)
    except (*FAULTS, OSError) as error:
        if isinstance(error, StoreError):
            raise
        raise StoreError(f"{state}: expected to put a back-up there, found: {error}") from error
    return contents


# --- making one


def _copies(state: Path, settings: Path | None, scratch: Path) -> dict[str, Path]:
    """The letterbox after the database, so that no request done by then seems to wait."""
    found = {}
    for name in _MIGRATIONS:
        if name != schema.FILE and not (state / name).exists():
            continue
        with closing(open_for_reading(state / name)) as source:
            copy_to(source, scratch / name)
        found[name] = scratch / name
    if settings is not None:
        found[SETTINGS] = settings
    return found


def _measure(path: Path) -> dict[str, Any]:
    with path.open("rb") as file:
        return {
            "bytes": path.stat().st_size,
            "sha256": hashlib.file_digest(file, "sha256").hexdigest(),
        }


def _add(tar: tarfile.TarFile, name: str, content: Any, size: int, now: float) -> None:
    entry = tarfile.TarInfo(name)
    entry.size, entry.mode, entry.mtime = size, 0o640, int(now)
    tar.addfile(entry, content)


# --- reading one


def _unpacked(file: Path, scratch: Path) -> Contents:
    try:
        with file.open("rb") as start:
            bare = start.read(len(_SQLITE)) == _SQLITE
        if bare:
            shutil.copyfile(file, scratch / schema.FILE)
            return Contents(None, None, (schema.FILE,))
        with tarfile.open(file, "r:gz") as tar:
            return _unpack(tar, scratch)
    except StoreError:
        raise
    except _UNREADABLE as error:
        raise StoreError(f"{file}: expected a whole back-up, found: {error}") from error


def _unpack(tar: tarfile.TarFile, scratch: Path) -> Contents:
    """Only what the manifest lists, byte for byte, under our own names: nothing else is followed."""
    first = tar.next()
    if first is None or first.name != MANIFEST or first.size > LARGEST_TEXT:
        raise ValueError("no manifest")
    told = json.loads(_open(tar, first).read())
    if told["format"] != FORMAT:
        raise ValueError(f"format {told['format']}, of dryhold {told['version']}")
    files: Mapping[str, Any] = told["files"]
    unknown = set(files) - {*_MIGRATIONS, SETTINGS}
    if unknown or schema.FILE not in files:
        raise ValueError(f"a list of files with {', '.join(sorted(files)) or 'nothing'}")
    for name in files:
        entry = tar.next()
        if entry is None or entry.name != name or entry.size != files[name]["bytes"]:
            raise ValueError(f"no {name} of the size that the manifest says")
        with (scratch / name).open("wb") as out:
            shutil.copyfileobj(_open(tar, entry), out)
        if _measure(scratch / name) != files[name]:
            raise ValueError(f"another {name} than was put in")
    return Contents(str(told["version"]), str(told["made_at"]), tuple(files))


def _open(tar: tarfile.TarFile, entry: tarfile.TarInfo) -> Any:
    content = tar.extractfile(entry) if entry.isreg() else None
    if content is None:
        raise ValueError(f"{entry.name} is no file")
    return content


def _check(path: Path, name: str) -> None:
    known = _MIGRATIONS[name]
    ours = {m.name for m in known.pending(Database(memory=True, execute_plugins=False))}
    with closing(sqlite3.connect(path)) as made:
        try:
            sound = made.execute("PRAGMA quick_check(1)").fetchone()[0]
            recorded = applied(made, known)
            odd = misshapen(made, known)
        except FAULTS as error:
            raise StoreError(f"{name}: expected a database of ours, found: {error}") from error
    if sound != "ok":
        raise StoreError(f"{name}: expected a sound database, found: {sound}")
    newer = sorted(recorded - ours)
    if newer or not recorded:
        raise StoreError(
            f"{name}: expected a database that dryhold {__version__} knows, found one with"
            f" {', '.join(newer) or 'no tables of ours'}: install the version that made it first"
        )
    if odd:
        raise StoreError(f"{name}: expected the tables of dryhold, found {odd}")


# --- putting it in place


def _refuse_while_used(state: Path) -> None:
    """SQLite holds a shared lock on a file for as long as it is open in WAL mode."""
    path = state / schema.FILE
    try:
        with path.open("r+b") as file:
            fcntl.lockf(file, fcntl.LOCK_EX | fcntl.LOCK_NB, _SHARED_SIZE, _SHARED_FIRST)
    except FileNotFoundError:
        return
    except BlockingIOError as error:
        raise StoreError(
            f"{path}: expected nobody to use it, found that somebody does; stop the services first:"
            " systemctl stop dryhold dryhold-page"
        ) from error


def _mend(state: Path, scratch: Path) -> None:
    """What must not be as it was: numbers of events go on past all that were given, and nothing
    that somebody asked for then is done now."""
    if (scratch / requests.FILE).exists():
        with closing(sqlite3.connect(scratch / requests.FILE)) as made, made:
            made.execute(
                "UPDATE requests SET done_ms = posted_ms, answer = 'set aside by a restore'"
                " WHERE done_ms IS NULL"
            )
    theirs = _last_number(scratch / schema.FILE)
    with closing(sqlite3.connect(scratch / schema.FILE)) as made, made:
        made.execute("DELETE FROM sqlite_sequence WHERE name = 'events'")
        made.execute(
            "INSERT INTO sqlite_sequence (name, seq) VALUES ('events', ?)",
            (theirs + EVENTS_LEFT_OUT,),
        )
        # SQLite puts files of its own beside what it reads, so ours is read only once all else
        # has been done: what is refused leaves no trace.
        made.execute(
            "UPDATE sqlite_sequence SET seq = max(seq, ?) WHERE name = 'events'",
            (_last_number(state / schema.FILE) + EVENTS_LEFT_OUT,),
        )


def _last_number(path: Path) -> int:
    """The newest event's number; 0 where there is none, or where the file is what needs mending."""
    try:
        with closing(open_for_reading(path)) as found:
            row = found.execute("SELECT seq FROM sqlite_sequence WHERE name = 'events'").fetchone()
    except (*FAULTS, StoreError):
        return 0
    return 0 if row is None else int(row[0])


def _exchange(scratch: Path, state: Path, contents: Contents) -> None:
    aside = state / REPLACED
    if aside.exists():
        shutil.rmtree(aside)
    aside.mkdir(mode=0o750)
    for name in contents.files:
        if name not in _MIGRATIONS:
            continue
        for old in (name, f"{name}-wal", f"{name}-shm"):
            if (state / old).exists():
                os.replace(state / old, aside / old)
        (scratch / name).chmod(0o640)
        _sync(scratch / name)
        os.replace(scratch / name, state / name)
        _as_its_folder(state / name)
    _as_its_folder(aside)
    _sync(state)


def _place_settings(found: Path, settings: Path) -> None:
    if settings.exists():
        os.replace(settings, settings.with_name(f"{settings.name}.before-restore"))
    fresh = settings.with_name(f"{settings.name}.new")
    shutil.copyfile(found, fresh)
    fresh.chmod(0o640)
    _as_its_folder(fresh)
    _sync(fresh)
    os.replace(fresh, settings)
    _sync(settings.parent)


def _as_its_folder(path: Path) -> None:
    """What root puts into a folder belongs to whom the folder does."""
    if os.geteuid() == 0:
        owner = path.parent.stat()
        os.chown(path, owner.st_uid, owner.st_gid)


def _sync(path: Path) -> None:
    file = os.open(path, os.O_RDONLY | os.O_CLOEXEC)
    try:
        os.fsync(file)
    finally:
        os.close(file)
