"""What years of keeping say, for judges that lost their state: read a row at a time."""

import json
import logging
from collections.abc import Iterator
from typing import Any

from edge.store.card import Card

log = logging.getLogger(__name__)


class Past:
    """Questions to the database in use; StoreError where it does not answer."""

    def __init__(self, card: Card) -> None:
        self._card = card

    def calibrations(self) -> list[dict[str, Any]]:
        """Every `calibrated` event, oldest first."""
        rows = self._card.all("SELECT body FROM events WHERE kind = 'calibrated' ORDER BY id")
        return [json.loads(body) for (body,) in rows]

    def records(self) -> Iterator[dict[str, Any]]:
        """The body of every record that can be read and no other supersedes, oldest first."""
        for seq, body in self._card.each(
            "SELECT seq, body FROM records WHERE id NOT IN"
            " (SELECT supersedes FROM records WHERE supersedes IS NOT NULL) ORDER BY seq"
        ):
            try:
                yield json.loads(body)
            except ValueError as error:
                log.error("passed over record %s, which cannot be read: %s", seq, error)

    def runs(self) -> Iterator[tuple[float, float]]:
        """Every whole run that is kept, in order: its end in seconds of UTC, and how long it was
        in seconds."""
        rows = self._card.each(
            "SELECT at_ms, json_extract(body, '$.run_s') FROM events"
            " WHERE kind = 'run_measured' ORDER BY at_ms"
        )
        return ((at_ms / 1000.0, float(run_s)) for at_ms, run_s in rows)

    def first_steady(self) -> float | None:
        """The first steady second that is still known of; None for nothing."""
        row = self._card.one(
            "SELECT min(t) FROM (SELECT min(first_ms) t FROM readings"
            " UNION ALL SELECT min(start_s) * 1000 FROM quarter_hours)"
        )
        return None if row is None or row[0] is None else row[0] / 1000.0
