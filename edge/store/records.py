"""Read-only questions to the table of records and its chain."""

import json
from collections.abc import Sequence
from typing import Any

from edge.errors import StoreError
from edge.store import chain
from edge.store.asking import Questions
from edge.store.database import FAULTS

HEADING = ("id", "kind", "made_at", "title", "section", "by", "findings", "simulated")
"""What a list of records shows of each."""


class Records:
    """The records that a database holds, by its connection."""

    def __init__(self, db: Questions) -> None:
        self._db = db

    def all(self, kinds: Sequence[str] = (), limit: int = -1) -> list[dict[str, Any]]:
        """The newest records first: each row's body with its "seq", "hash", "event" (the number of
        the event that told of it) and "superseded_by" (an id or None)."""
        where = f"WHERE kind IN ({', '.join('?' * len(kinds))})" if kinds else ""
        rows = self._db.ask(
            "SELECT seq, hash, event, body, (SELECT max(id) FROM records later"
            f" WHERE later.supersedes = records.id) FROM records {where}"
            " ORDER BY seq DESC LIMIT ?",
            (*kinds, limit),
        )
        return [_record(row) for row in rows]

    def headings(self, kinds: Sequence[str], limit: int) -> list[dict[str, Any]]:
        """As `all`, but of each body no more than a list of them shows (HEADING, None where it
        is not said): chapters and figures stay unread."""
        parts = ", ".join(f"'{name}', json_extract(body, '$.{name}')" for name in HEADING)
        rows = self._db.ask(
            f"SELECT seq, hash, event, json_object({parts}), (SELECT max(id) FROM records later"
            " WHERE later.supersedes = records.id) FROM records"
            f" WHERE kind IN ({', '.join('?' * len(kinds))}) ORDER BY seq DESC LIMIT ?",
            (*kinds, limit),
        )
        return [_record(row) for row in rows]

    def kind_of(self, seq: int) -> str | None:
        """The kind of the record of that number; None for none."""
        row = self._db.ask("SELECT kind FROM records WHERE seq = ?", (seq,)).fetchone()
        return None if row is None else str(row[0])

    def one(self, seq: int) -> dict[str, Any]:
        """One record by its number, as `all` gives them; StoreError for none."""
        row = self._db.ask(
            "SELECT seq, hash, event, body, (SELECT max(id) FROM records later"
            " WHERE later.supersedes = records.id) FROM records WHERE seq = ?",
            (seq,),
        ).fetchone()
        if row is None:
            raise StoreError(f"{self._db.path}: expected a record of number {seq}, found none")
        return _record(row)

    def rows(self) -> list[chain.Row]:
        """The chain as it stands in the table, oldest first."""
        rows = self._db.ask(f"SELECT {chain.COLUMNS} FROM records ORDER BY seq")
        return [chain.row_of(row) for row in rows]

    def hash_of(self, event: int) -> str:
        """The hash of the record that an event made; "" for none."""
        row = self._db.ask("SELECT hash FROM records WHERE event = ?", (event,)).fetchone()
        return "" if row is None else str(row[0])

    def chain(self, told: Sequence[str] = ()) -> chain.Chain:
        """Whether the records are what was recorded, all of them and in their order, and whether
        every hash that was `told` elsewhere is among them."""
        try:
            return chain.inspect(self._db.connection, told)
        except FAULTS as error:
            raise StoreError(f"{self._db.path}: expected the records, found: {error}") from error


def _record(row: tuple[int, str, int | None, str, str | None]) -> dict[str, Any]:
    seq, made, event, body, later = row
    try:
        plain = json.loads(body)
        # Half a character, spelt out, is JSON and yet can be told to nobody.
        json.dumps(plain, ensure_ascii=False).encode()
    except (ValueError, RecursionError) as error:
        raise StoreError(f"record {seq}: expected its content, found: {error}") from error
    if not isinstance(plain, dict):
        raise StoreError(f"record {seq}: expected its content, found none")
    return {**plain, "seq": seq, "hash": made, "event_number": event, "superseded_by": later}
