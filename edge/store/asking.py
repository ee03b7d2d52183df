"""One read-only connection to a database of the daemon's, and its answers."""

import sqlite3
from collections.abc import Sequence
from pathlib import Path
from types import TracebackType
from typing import Any, Self

from edge.errors import StoreError
from edge.store.database import FAULTS, open_for_reading


class Questions:
    """A read-only connection; use as a context manager, one for each request or thread."""

    def __init__(self, path: Path) -> None:
        """StoreError where there is no database, or none of ours."""
        self.path = path
        self.connection = open_for_reading(path)

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()

    def close(self) -> None:
        self.connection.close()

    def ask(self, sql: str, given: Sequence[Any] = ()) -> "Answer":
        """StoreError where it cannot be answered."""
        try:
            return Answer(self.path, self.connection.execute(sql, given))
        except FAULTS as error:
            raise StoreError(f"{self.path}: expected an answer, found: {error}") from error


class Answer:
    """The rows of an answer, each read when it is asked for; StoreError where one cannot be."""

    def __init__(self, path: Path, cursor: sqlite3.Cursor) -> None:
        self._path, self._cursor = path, cursor

    def __iter__(self) -> Self:
        return self

    def __next__(self) -> Any:
        row = self.fetchone()
        if row is None:
            raise StopIteration
        return row

    def fetchone(self) -> Any:
        try:
            return self._cursor.fetchone()
        except FAULTS as error:
            raise StoreError(f"{self._path}: expected an answer, found: {error}") from error

    def fetchall(self) -> list[Any]:
        return list(self)
