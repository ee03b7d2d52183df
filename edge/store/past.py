"""What years of keeping say to a daemon that starts, and to judges that lost their state."""

import logging
from collections.abc import Iterator
from typing import Any

from edge.errors import DamagedError
from edge.store import codec
from edge.store.card import Card

log = logging.getLogger(__name__)


class Past:
    """Questions to the database in use; StoreError where it does not answer."""

    def __init__(self, card: Card) -> None:
        self._card = card

    def calibrations(self) -> list[dict[str, Any]]:
        """Every `calibrated` event, oldest first."""
        rows = self._card.all("SELECT body FROM events WHERE kind = 'calibrated' ORDER BY id")
        return [plain for (body,) in rows if (plain := _plain(body, "a calibration")) is not None]

    def ended_unasked(self) -> bool:
        """Whether what is kept ends with a start of the monitor, and not with its stop."""
        kinds = "('monitor_started', 'monitor_stopped')"
        row = self._card.one(f"SELECT kind FROM events WHERE kind IN {kinds} ORDER BY id DESC")
        return row is not None and row[0] == "monitor_started"

    def unasked_since(self, utc: float) -> list[float]:
        """At which seconds of UTC after that one the monitor started without a stop before."""
        rows = self._card.all(
            "SELECT at_ms, body FROM events WHERE kind = 'monitor_started' AND at_ms > ?",
            (codec.milliseconds(utc),),
        )
        return [
            at_ms / 1000.0
            for at_ms, body in rows
            if (plain := _plain(body, "a start")) is not None and plain.get("unasked")
        ]

    def records(self) -> Iterator[dict[str, Any]]:
        """The body of every record that can be read and no other supersedes, oldest first."""
        for seq, body in self._card.each(
            "SELECT seq, body FROM records WHERE id NOT IN"
            " (SELECT supersedes FROM records WHERE supersedes IS NOT NULL) ORDER BY seq"
        ):
            plain = _plain(body, f"record {seq}")
            if plain is not None:
                yield plain

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


def _plain(body: str, what: str) -> dict[str, Any] | None:
    try:
        plain = codec.parsed(body)
    except DamagedError as error:
        log.error("passed over %s, which cannot be read: %s", what, error)
        return None
    return plain if isinstance(plain, dict) else None
