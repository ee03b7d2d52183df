"""Letting go of what is older than its retention."""

import logging
from collections.abc import Sequence
from typing import Any

from edge.errors import StoreError
from edge.settings import Keeping
from edge.store import codec
from edge.store.card import Card

log = logging.getLogger(__name__)

EVERY_MS = 3600 * 1000
ROWS, TIMES = 240, 40
"""Rows of a kind removed in one transaction, and transactions in an hour: each is short, and
together they are more than the fastest pace adds, so that a change of retention catches up."""

NOTICES_KEPT_MS = 30 * 86_400 * 1000
"""How long it is remembered when a receiver accepted a notice."""

_ROUTINE = "'cut_in', 'cut_out', 'run_measured', 'idle_measured', 'purity_measured'"
"""Events that go with the quarter-hours; all others are kept for good."""


class Retention:
    """Once an hour, in small steps, each a transaction of its own."""

    def __init__(self, card: Card, keeping: Keeping) -> None:
        self._card, self._keeping = card, keeping
        self._done_ms: int | None = None

    def let_go(self, now_ms: int, offset_ms: int) -> None:
        """Remove what is too old at that steady millisecond, if it is time to; the wall clock is
        `offset_ms` ahead of it. A card that does not take it can wait for the next hour."""
        if self._done_ms is not None and now_ms - self._done_ms < EVERY_MS:
            return
        self._done_ms = now_ms
        try:
            self._let_go(now_ms, now_ms + offset_ms)
        except StoreError as error:
            log.warning("could not let go of old readings: %s", error)

    def _let_go(self, now_ms: int, utc_ms: int) -> None:
        keeping = self._keeping
        untested = (
            " AND NOT EXISTS (SELECT 1 FROM tests WHERE tests.first_ms <= readings.last_ms"
            " AND tests.last_ms >= readings.first_ms)"
        )
        for table, key, oldest, free in (
            ("readings", "first_ms", now_ms - codec.milliseconds(keeping.readings_s), untested),
            ("minutes", "start_s", now_ms // 1000 - int(keeping.minutes_s), ""),
            ("quarter_hours", "start_s", now_ms // 1000 - int(keeping.quarter_hours_s), ""),
        ):
            self._remove(
                f"DELETE FROM {table} WHERE {key} IN (SELECT {key} FROM {table}"
                f" WHERE {key} < ?{free} ORDER BY {key} LIMIT {ROWS})",
                (oldest,),
            )
        self._remove(
            "DELETE FROM outbox WHERE (messenger, event_id) IN (SELECT messenger, event_id"
            f" FROM outbox WHERE accepted_ms < ? LIMIT {ROWS})",
            (utc_ms - NOTICES_KEPT_MS,),
        )
        self._remove(
            f"DELETE FROM events WHERE id IN (SELECT id FROM events WHERE kind IN ({_ROUTINE})"
            " AND at_ms < ? AND NOT EXISTS (SELECT 1 FROM outbox WHERE event_id = events.id)"
            f" LIMIT {ROWS})",
            (utc_ms - codec.milliseconds(keeping.quarter_hours_s),),
        )

    def _remove(self, sql: str, given: Sequence[Any]) -> None:
        for _ in range(TIMES):
            with self._card.transaction():
                removed = self._card.do(sql, given).rowcount
            if removed < ROWS:
                return
