"""What helps to find a fault from afar, gathered from a box: bounded, and clean of secrets."""

import importlib.metadata
import json
import os
import platform
import shutil
import sqlite3
import subprocess
import tomllib
import zipfile
from collections.abc import Callable, Iterator, Mapping
from contextlib import closing, suppress
from pathlib import Path
from typing import Any

from edge import __version__, redact
from edge.errors import DryholdError, StoreError
from edge.model import iso
from edge.settings import check
from edge.store import requests, schema
from edge.store.database import open_for_reading
from edge.store.read import LATEST, Reader
from edge.tell.secrets import spellings

UNITS = ("dryhold.service", "dryhold-page.service")
EVENTS, JOURNAL_LINES, REQUESTS = 500, 2000, 100
LARGEST = 4 << 20
"""Of each part, in characters; the newest end of a longer one is kept."""

TOLD = """What is in this bundle, and what is not.

about.json     versions of dryhold, Python, SQLite and every package; machine, memory, disk
settings.json  the settings, with log-ins, addresses of people and every unknown key hidden
faults.txt     what `dryhold check` says of them
health.json    the newest that the daemon wrote: readings, alerts, trouble with card and messages
events.json    the newest events
requests.json  the newest requests from page, button and shell
database.json  integrity, tables, sizes, what waits to be told
journal.txt    the newest lines of both services
units.txt      state and restarts of both services

Never in it: passwords, the access code, keys, certificates, the kept readings.
{names}
Look through it before you give it to anybody.
"""


def gather(state: Path, runtime: Path, settings: Path, names: bool, now: float) -> dict[str, str]:
    """Every part by its file's name, clean. `names`: hide site, people and places too.

    What cannot be had says why in its place; `now` is in seconds since 1970 UTC.
    """
    raw, unreadable, told = _raw(settings)
    shown = redact.Found(raw, names)
    parts: dict[str, Callable[[], Any]] = {
        "about.json": lambda: _about(state, now),
        "settings.json": lambda: unreadable or shown.shown,
        "faults.txt": lambda: unreadable or _faults(raw),
        "health.json": lambda: _health(runtime, now),
        "events.json": lambda: _events(state),
        "requests.json": lambda: _requests(state),
        "database.json": lambda: _database(state),
        "journal.txt": _journal,
        "units.txt": _units,
    }
    found = {name: _tried(part) for name, part in parts.items()}
    secrets = {form for text in _secrets(state, settings, raw) for form in spellings(text)}
    secrets |= shown.hidden | told
    if names:
        secrets |= set(redact.people([found["events.json"], found["requests.json"]]))
        secrets.add(platform.node())
    pattern = redact.cleaner(secrets)
    read_me = TOLD.format(
        names="Names of site, people and places were taken out as well."
        if names
        else "Names of site and people are in it (--without-names takes them out)."
    )
    clean = {name: _text(redact.clean(part, pattern))[-LARGEST:] for name, part in found.items()}
    return {"READ_ME.txt": read_me, **clean}


def write(parts: Mapping[str, str], output: Path) -> None:
    """Put them in one zip that only its owner reads; StoreError where that cannot be."""
    fresh = output.with_name(f"{output.name}.new")
    try:
        file = os.open(fresh, os.O_WRONLY | os.O_CREAT | os.O_TRUNC | os.O_CLOEXEC, 0o600)
        with (
            os.fdopen(file, "wb") as out,
            zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as archive,
        ):
            for name, text in parts.items():
                archive.writestr(name, text)
        os.replace(fresh, output)
    except OSError as error:
        fresh.unlink(missing_ok=True)
        raise StoreError(f"{output}: expected to write a bundle, found: {error}") from error


def _text(part: Any) -> str:
    return part if isinstance(part, str) else json.dumps(part, indent=1, ensure_ascii=False)


def _tried(part: Callable[[], Any]) -> Any:
    """The part, or why there is none: a bundle is asked for when something is broken."""
    try:
        return part()
    except (DryholdError, OSError, sqlite3.Error, subprocess.SubprocessError, ValueError) as error:
        return f"not to be had: {error}"


def _raw(settings: Path) -> tuple[dict[str, Any], str | None, set[str]]:
    """The settings as TOML, or why they are none; and what of a broken file may be secret."""
    text = ""
    try:
        text = settings.read_bytes().decode(errors="replace")
        return tomllib.loads(text), None, set()
    except OSError as error:
        return {}, f"not to be had: {settings}: {error.strerror}", set()
    except tomllib.TOMLDecodeError as error:
        return {}, f"not TOML: {error}", set(redact.told_in(text))


def _secrets(state: Path, settings: Path, raw: Mapping[str, Any]) -> Iterator[str]:
    """Every secret that can be known here, so that none slips through in what others wrote."""
    servers = [one for kind in ("mqtt", "mail") for one in _tables(raw.get(kind))]
    named = {"mqtt_password", "mail_password", *(str(s.get("password_name")) for s in servers)}
    for name in named:
        with suppress(KeyError):
            yield os.environ[f"DRYHOLD_{name.upper()}"]
        for folder in (os.environ.get("CREDENTIALS_DIRECTORY"), settings.parent):
            if folder is not None:
                with suppress(OSError, UnicodeDecodeError):
                    yield (Path(folder) / name).read_text().rstrip("\n")
    with suppress(OSError, ValueError, TypeError):
        yield from redact.texts(json.loads((state / "access.json").read_bytes()))


def _tables(value: Any) -> list[Mapping[str, Any]]:
    return [one for one in value if isinstance(one, Mapping)] if isinstance(value, list) else []


def _faults(raw: Mapping[str, Any]) -> str:
    try:
        check(raw)
    except DryholdError as error:
        return str(error)
    return "no fault found"


def _about(state: Path, now: float) -> dict[str, Any]:
    disk = shutil.disk_usage(state)
    meminfo: list[str] = []
    with suppress(OSError):
        meminfo = Path("/proc/meminfo").read_text().splitlines()[:3]
    return {
        "made_at": iso(now),
        "dryhold": __version__,
        "python": platform.python_version(),
        "sqlite": sqlite3.sqlite_version,
        "system": platform.platform(),
        "machine": _file("/proc/device-tree/model"),
        "os": _file("/etc/os-release"),
        "uptime_s": _file("/proc/uptime").split(" ")[0],
        "memory": meminfo,
        "load": os.getloadavg(),
        "disk": {"total": disk.total, "free": disk.free},
        "packages": {
            d.name: d.version
            for d in sorted(importlib.metadata.distributions(), key=lambda d: d.name.lower())
        },
    }


def _file(path: str) -> str:
    try:
        return Path(path).read_text(errors="replace").strip("\0\n")
    except OSError as error:
        return f"not to be had: {error.strerror}"


def _health(runtime: Path, now: float) -> dict[str, Any]:
    path = runtime / LATEST
    return {
        "age_s": round(now - path.stat().st_mtime, 1),
        "latest": json.loads(path.read_bytes()),
    }


def _events(state: Path) -> list[dict[str, Any]]:
    with Reader(state) as reader:
        return reader.events(EVENTS)


def _requests(state: Path) -> list[dict[str, Any]]:
    with closing(open_for_reading(state / requests.FILE)) as box:
        rows = box.execute(
            "SELECT id, posted_ms, kind, by, what, done_ms, answer FROM requests"
            " ORDER BY id DESC LIMIT ?",
            (REQUESTS,),
        )
        return [
            {
                "id": number,
                "posted_at": iso(posted / 1000.0),
                "kind": kind,
                "by": by,
                "what": json.loads(what),
                "done_at": None if done is None else iso(done / 1000.0),
                "answer": answer,
            }
            for number, posted, kind, by, what, done, answer in rows
        ]


def _database(state: Path) -> dict[str, Any]:
    """Whether it is sound, how large, and what waits; of each file in the folder its size only."""
    found: dict[str, Any] = {
        "files": {
            str(path.relative_to(state)): path.stat().st_size
            for path in sorted(state.rglob("*"))
            if path.is_file()
        }
    }
    for name in (schema.FILE, requests.FILE):
        found[name] = _tried(lambda name=name: _one_database(state / name))  # type: ignore[misc]
    return found


def _one_database(path: Path) -> dict[str, Any]:
    with closing(open_for_reading(path)) as db:
        tables = [
            row[0] for row in db.execute("SELECT name FROM sqlite_schema WHERE type = 'table'")
        ]
        found: dict[str, Any] = {
            "integrity": [row[0] for row in db.execute("PRAGMA quick_check(20)")],
            "pages": db.execute("PRAGMA page_count").fetchone()[0],
            "rows": {
                table: db.execute(f'SELECT count(*) FROM "{table}"').fetchone()[0]
                for table in tables
            },
        }
        if "_sqlite_migrations" in tables:
            found["migrations"] = db.execute(
                "SELECT name, applied_at FROM _sqlite_migrations ORDER BY id"
            ).fetchall()
        if "outbox" in tables:
            found["waiting"] = dict(
                db.execute(
                    "SELECT messenger, count(*) FROM outbox WHERE accepted_ms IS NULL GROUP BY 1"
                ).fetchall()
            )
        return found


def _journal() -> str:
    units = [word for unit in UNITS for word in ("-u", unit)]
    return _said(
        "journalctl", *units, "-n", str(JOURNAL_LINES), "--no-pager", "-o", "short-iso", "-q"
    )


def _units() -> str:
    wanted = "Id,ActiveState,SubState,Result,NRestarts,ExecMainStatus,MemoryCurrent,MemoryPeak"
    return _said("systemctl", "show", *UNITS, f"--property={wanted}", "--no-pager")


def _said(*words: str) -> str:
    said = subprocess.run(
        words, capture_output=True, text=True, errors="replace", timeout=60.0, check=False
    )
    return said.stdout or f"not to be had: {said.stderr.strip() or 'nothing was said'}"
