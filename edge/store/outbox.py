"""The outbox: what each messenger still has to tell, in the order of becoming known."""

import json
import logging
from collections.abc import Collection, Mapping, Sequence
from typing import Any

from edge.errors import DamagedError
from edge.store import codec
from edge.store.card import Card

log = logging.getLogger(__name__)

LIMIT = 100_000
"""The most notices that may wait for one messenger: years of a quiet site, weeks of a bad one."""


class Outbox:
    """The notices in the database in use; its ways are those of edge.ports.Outbox."""

    def __init__(
        self,
        card: Card,
        messengers: Sequence[str],
        limit: int = LIMIT,
        only: Mapping[str, Collection[str]] = {},
    ) -> None:
        """`only` names the kinds of events that a messenger is told, for those not told all."""
        self._card = card
        self._messengers, self._limit, self._only = tuple(messengers), limit, only
        self._counted: tuple[int, dict[str, int], dict[str, int]] = (0, {}, {})

    def put(self, number: int, kind: str) -> None:
        """A notice of that event for every messenger that is told of its kind, within the event's
        own transaction."""
        for messenger in self._messengers:
            if kind not in self._only.get(messenger, (kind,)):
                continue
            self._card.do("INSERT INTO outbox VALUES (?, ?, NULL)", (messenger, number))
            self._waiting.pop(messenger, None)
            self._bound(messenger)

    def waiting(self, messenger: str, after: int, limit: int) -> list[tuple[int, dict[str, Any]]]:
        """The oldest events that the messenger has not had accepted, past the number `after`:
        the number and the event as receivers see it, id included."""
        rows = self._card.all(
            "SELECT id, body FROM outbox JOIN events ON events.id = event_id"
            " WHERE messenger = ? AND accepted_ms IS NULL AND event_id > ?"
            " ORDER BY event_id LIMIT ?",
            (messenger, self._card.moved.get(after, after), limit),
        )
        installation = self._card.installation
        found, spoiled = [], []
        for n, body in rows:
            try:
                found.append((n, {"id": f"{installation}-{n}", **codec.parsed(body)}))
            except DamagedError as error:
                log.error("event %d cannot be told: %s", n, error)
                spoiled.append(n)
        if spoiled:
            self._give_up(messenger, spoiled)
        return found

    def accepted(
        self,
        messenger: str,
        numbers: Sequence[int],
        at: float,
        memory: Mapping[str, Any] | None = None,
    ) -> None:
        """Mark these as accepted by the receiver at that second of UTC, and in the same
        transaction keep what the messenger must remember, where it is given."""
        self._waiting.pop(messenger, None)
        with self._card.transaction():
            if memory is not None:
                text = json.dumps(memory, separators=(",", ":"), ensure_ascii=False)
                self._card.do("INSERT OR REPLACE INTO memories VALUES (?, ?)", (messenger, text))
            for number in numbers:
                self._card.do(
                    "UPDATE outbox SET accepted_ms = ? WHERE messenger = ? AND event_id = ?",
                    (codec.milliseconds(at), messenger, self._card.moved.get(number, number)),
                )

    def doubt(self, messenger: str, since: float | None, span_s: float) -> None:
        """Let what was accepted within `span_s` before the second `since` of UTC (before the
        newest acceptance where None) wait again: the receiver may have lost it."""
        self._waiting.pop(messenger, None)
        newest = None if since is None else codec.milliseconds(since)
        with self._card.transaction():
            self._card.do(
                "UPDATE outbox SET accepted_ms = NULL WHERE messenger = ? AND accepted_ms >="
                " coalesce(?, (SELECT max(accepted_ms) FROM outbox WHERE messenger = ?)) - ?",
                (messenger, newest, messenger, codec.milliseconds(span_s)),
            )

    def memory(self, messenger: str) -> dict[str, Any]:
        """What the messenger asked to be remembered; empty where it never did."""
        row = self._card.one("SELECT data FROM memories WHERE messenger = ?", (messenger,))
        try:
            return {} if row is None else dict(codec.parsed(row[0]))
        except DamagedError as error:
            log.error("what %s asked to be remembered is lost: %s", messenger, error)
            return {}

    def backlog(self, messenger: str) -> int:
        """How many notices wait for the messenger."""
        if messenger not in self._waiting:
            row = self._card.one(
                "SELECT count(*) FROM outbox WHERE messenger = ? AND accepted_ms IS NULL",
                (messenger,),
            )
            self._waiting[messenger] = int(row[0])
        return self._waiting[messenger]

    def dropped(self, messenger: str) -> int:
        """How many of the oldest notices were given up since the beginning, for want of room."""
        if messenger not in self._given_up:
            self._given_up[messenger] = self._card.number(f"dropped {messenger}")
        return self._given_up[messenger]

    def _give_up(self, messenger: str, numbers: Sequence[int]) -> None:
        """Let go of notices of events that can be read no more: they would wait for ever."""
        with self._card.transaction():
            for n in numbers:
                sql = "DELETE FROM outbox WHERE messenger = ? AND event_id = ?"
                self._card.do(sql, (messenger, n))
            lost = self.dropped(messenger) + len(numbers)
            self._card.set(f"dropped {messenger}", str(lost))
        self._waiting.pop(messenger, None)
        self._given_up.pop(messenger, None)

    def _bound(self, messenger: str) -> None:
        over = self.backlog(messenger) - self._limit
        if over <= 0:
            return
        self._card.do(
            "DELETE FROM outbox WHERE messenger = ? AND event_id IN (SELECT event_id FROM outbox"
            " WHERE messenger = ? AND accepted_ms IS NULL ORDER BY event_id LIMIT ?)",
            (messenger, messenger, over),
        )
        self._waiting.pop(messenger, None)
        self._card.set(f"dropped {messenger}", str(self.dropped(messenger) + over))
        self._given_up.pop(messenger)

    # Counting is slow and asked for once a tick, so counts are kept while the database stays so.

    @property
    def _waiting(self) -> dict[str, int]:
        return self._counts()[1]

    @property
    def _given_up(self) -> dict[str, int]:
        return self._counts()[2]

    def _counts(self) -> tuple[int, dict[str, int], dict[str, int]]:
        if self._counted[0] != self._card.age:
            self._counted = (self._card.age, {}, {})
        return self._counted
