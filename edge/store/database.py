"""The one door to sqlite-utils."""

import importlib
import logging
import os
import sqlite3
import sys
from collections.abc import Sequence
from contextlib import closing
from functools import lru_cache
from pathlib import Path
from typing import Any

from edge.errors import DamagedError, StoreError

_NOT_HERE = ("numpy", "pandas")

log = logging.getLogger(__name__)


def _without_heavy_companions() -> Any:
    """sqlite-utils, kept from loading numpy and pandas wherever those are installed: they would
    take more memory than the whole daemon may, and nothing here uses them."""
    hidden = [name for name in _NOT_HERE if name not in sys.modules]
    for name in hidden:
        sys.modules[name] = None  # type: ignore[assignment]  # makes its import fail
    try:
        return importlib.import_module("sqlite_utils")
    finally:
        for name in hidden:
            del sys.modules[name]


sqlite_utils = _without_heavy_companions()
Database = sqlite_utils.Database
Migrations = sqlite_utils.Migrations

PAGE_BYTES = 1024
"""Small pages: a batch changes a few hundred bytes, and a card is worn by whole pages."""


READER_CACHE_KB = 512
"""For each connection that reads: the system keeps the file in its own memory anyway."""

BEFORE_UPGRADE = ".before-upgrade"
"""What the name of a database is followed by in that of its copy from before the last upgrade."""

DAMAGED = (sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB)
FAULTS = (sqlite3.Error, UnicodeDecodeError)
"""What the library raises: where a file is damaged even its complaint, which quotes the file, may
be no text."""


def as_store_error(path: Path, expected: str, error: Exception) -> StoreError:
    """A library's error in our words: a DamagedError where the file itself is at fault."""
    code = getattr(error, "sqlite_errorcode", 0) & 0xFF
    no_text = isinstance(error, UnicodeDecodeError) or "decode to UTF-8" in str(error)
    kind = DamagedError if code in DAMAGED or no_text else StoreError
    return kind(f"{path}: expected {expected}, found: {error}")


def open_in_memory(migrations: Any, most_pages: int) -> Any:
    """An empty database of that layout, which is full at `most_pages` of PAGE_BYTES."""
    connection = sqlite3.connect(":memory:")
    connection.execute(f"PRAGMA page_size = {PAGE_BYTES}")
    connection.execute(f"PRAGMA max_page_count = {most_pages}")
    database = Database(connection, execute_plugins=False)
    migrations.apply(database)
    return database


def open_for_writing(
    path: Path, migrations: Any, lasting: bool = False, checked: Sequence[str] = ()
) -> Any:
    """The database at `path`, made or brought up to date; StoreError where that cannot be, a
    DamagedError where what the `checked` tables are in is damaged.

    WAL, so that readers never wait and a batch costs one sequential append; NORMAL durability,
    which after a power cut may lose the newest transactions but never damages the file; FULL
    with `lasting`. Before an older database is changed, a copy is kept beside it, in place of the
    one before.
    """
    connection = None
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        connection = sqlite3.connect(path, timeout=10.0)
        connection.execute(f"PRAGMA page_size = {PAGE_BYTES}")
        connection.execute("PRAGMA journal_mode = WAL")
        connection.execute(f"PRAGMA synchronous = {'FULL' if lasting else 'NORMAL'}")
        connection.execute("PRAGMA foreign_keys = ON")
        connection.execute("PRAGMA wal_autocheckpoint = 2000")  # pages: 2 MB, most of a morning
        connection.execute(f"PRAGMA journal_size_limit = {4 * 1024 * 1024}")
        database = Database(connection, execute_plugins=False)
        if odd := misshapen(connection, migrations):
            raise DamagedError(f"{path}: expected the tables of dryhold, found {odd}")
        _keep_before_upgrade(database, path, migrations)
        migrations.apply(database)
        for table in checked:
            (answer,) = connection.execute(f"PRAGMA quick_check({table})").fetchone()
            if answer != "ok":
                raise DamagedError(f"{path}: expected a sound database, found: {answer}")
            other = f"SELECT 1 FROM {table} WHERE NOT ({typed(connection, table)}) LIMIT 1"
            if connection.execute(other).fetchone():
                raise DamagedError(f"{path}: expected what was written, found another in {table}")
    except (*FAULTS, OSError) as error:
        if connection is not None:
            connection.close()
        if isinstance(error, StoreError):
            raise
        raise as_store_error(path, "a database to write", error) from error
    return database


def applied(connection: sqlite3.Connection, migrations: Any) -> frozenset[str]:
    """The names of its migrations that the database has on record. sqlite3.Error for none."""
    rows = connection.execute(
        "SELECT name FROM _sqlite_migrations WHERE migration_set = ? AND typeof(name) = 'text'",
        (migrations.name,),
    )
    return frozenset(name for (name,) in rows)


def misshapen(connection: sqlite3.Connection, migrations: Any) -> str | None:
    """What is not as the migrations on record have made it: a flipped bit may make another name of
    a table's, a column's or a type's, which SQLite's own check takes for sound. Tables and columns
    of a newer version may be there too."""
    have = _columns(connection)
    if not have:
        return None
    try:
        made = _made_by(migrations, applied(connection, migrations))
    except sqlite3.OperationalError as error:
        return str(error)
    odd = (have & (made | _made_by(migrations, None))) ^ made
    return f"lost or too early: {', '.join(sorted(odd))}" if odd else None


@lru_cache
def _made_by(migrations: Any, recorded: frozenset[str] | None) -> frozenset[str]:
    """The columns that these migrations make, or all of them."""
    database = Database(memory=True, execute_plugins=False)
    names = {migration.name for migration in migrations.pending(database)}
    migrations.apply(database, stop_before=set() if recorded is None else names - recorded)
    try:
        return _columns(database.conn)
    finally:
        database.close()


def _columns(connection: sqlite3.Connection) -> frozenset[str]:
    """Every column with all that is declared of it."""
    rows = connection.execute(
        "SELECT m.name || '.' || c.name || ' ' || c.type || iif(c.\"notnull\", ' NOT NULL', '')"
        "   || iif(c.pk, ' key ' || c.pk, '') || coalesce(' DEFAULT ' || c.dflt_value, '')"
        "  FROM sqlite_schema AS m JOIN pragma_table_info(m.name) AS c WHERE m.type = 'table'"
        " UNION ALL SELECT m.name || '.' || f.\"from\" || ' REFERENCES ' || f.\"table\" || '.' || f.\"to\""
        "  FROM sqlite_schema AS m JOIN pragma_foreign_key_list(m.name) AS f WHERE m.type = 'table'"
    )
    return frozenset(told for (told,) in rows)


_TYPES = {"INTEGER": "integer", "TEXT": "text", "BLOB": "blob"}


def typed(connection: sqlite3.Connection, table: str) -> str:
    """The SQL condition that each cell of a row is of its column's type. SQLite keeps whatever a
    flipped bit makes of a cell, and its own check takes it for sound."""
    columns = connection.execute(f"PRAGMA table_info({table})").fetchall()
    return " AND ".join(
        f"typeof({name}) IN ('{_TYPES[declared]}'{'' if needed or key else ', ' + repr('null')})"
        for _, name, declared, needed, _, key in columns
        if declared in _TYPES
    )


def set_aside(path: Path, stamp: str) -> Path:
    """Rename a damaged database and its log to a name with the date; where it is now. OSError."""
    aside = path.with_name(f"{path.stem}.damaged-{stamp}{path.suffix}")
    path.rename(aside)
    wal = path.with_name(path.name + "-wal")
    if wal.exists():
        wal.rename(f"{aside}-wal")
    path.with_name(path.name + "-shm").unlink(missing_ok=True)
    return aside


def open_for_reading(path: Path) -> sqlite3.Connection:
    """A connection that refuses every write. StoreError where there is nothing to read yet."""
    try:
        connection = sqlite3.connect(f"{path.absolute().as_uri()}?mode=ro", uri=True, timeout=5.0)
        connection.execute("PRAGMA query_only = ON")
        connection.execute(f"PRAGMA cache_size = -{READER_CACHE_KB}")
        connection.execute("SELECT 1 FROM sqlite_schema LIMIT 1")
    except FAULTS as error:
        raise StoreError(f"{path}: expected a database to read, found: {error}") from error
    return connection


def copy_to(source: sqlite3.Connection, path: Path) -> None:
    """A whole copy in one file, put in place in one step, while others go on reading and writing.

    sqlite3.Error and OSError as they come; then nothing stands at `path` that did not before.
    """
    fresh = path.with_name(f"{path.name}.new")
    fresh.unlink(missing_ok=True)
    try:
        with closing(sqlite3.connect(fresh)) as made:
            source.backup(made)
            made.execute("PRAGMA journal_mode = DELETE")
        with fresh.open("rb") as file:
            os.fsync(file.fileno())
        os.replace(fresh, path)
    finally:
        fresh.unlink(missing_ok=True)


def _keep_before_upgrade(database: Any, path: Path, migrations: Any) -> None:
    if not migrations.applied(database) or not migrations.pending(database):
        return
    copy = path.with_name(f"{path.name}{BEFORE_UPGRADE}")
    try:
        copy_to(database.conn, copy)
    except (*FAULTS, OSError) as error:
        # A monitor that does not start would be worse than one that cannot be taken back.
        log.error("%s is brought up to date without a copy as it was: %s", path, error)
    else:
        log.info("%s as it was before this upgrade is kept as %s", path, copy)
