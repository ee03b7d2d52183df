"""The one writer of dryhold.db: readings, events, notices and state, in one transaction."""

import json
import time
import uuid
import zlib
from collections.abc import Callable, Collection, Mapping, Sequence
from pathlib import Path
from typing import Any, NamedTuple

from edge.errors import StoreError
from edge.model import Event, Tick
from edge.settings import Settings
from edge.store import chain, codec, standin
from edge.store.card import Card
from edge.store.outbox import LIMIT, Outbox
from edge.store.past import Past
from edge.store.readings import Readings
from edge.store.retention import Retention


class Saved(NamedTuple):
    """The judges' state as last kept, and the steady second up to which it had seen."""

    state: Mapping[str, Any]
    steady: float


class Writer:
    """Store of the readings and events; used from one thread. Every fault is a StoreError."""

    def __init__(
        self,
        folder: Path,
        settings: Settings,
        messengers: Sequence[str],
        outbox_limit: int = LIMIT,
        only: Mapping[str, Collection[str]] = {},
        utc: Callable[[], float] = time.time,
    ) -> None:
        """`only` as in edge.store.outbox, `utc` as in edge.store.card."""
        self._last_request = 0
        self._card = Card(folder, utc, self._begin)
        self.readings = Readings(self._card, settings.channel)
        self._retention = Retention(self._card, settings.keeping)
        self.outbox = Outbox(self._card, messengers, outbox_limit, only)
        self.past = Past(self._card)
        self._card.start(self._look)

    def close(self) -> None:
        self._card.close()

    def troubles(self) -> dict[str, str]:
        """What is wrong with the keeping (see edge.store.card)."""
        return self._card.troubles()

    def free_pct(self) -> float | None:
        """Free share of the disk, in per cent; None when it does not say."""
        return self._card.free_pct()

    def _begin(self, said: Event | None) -> None:
        """Go on in another database, which begins with that event where there is one."""
        self.readings.begin()
        self._last_request = self._card.number("last_request")
        if said is not None:
            with self._card.transaction(lasting=True):
                self._keep_event(said)

    def _look(self) -> None:
        self.readings.resume()
        self._card.one("SELECT data FROM state")
        self.readings.steady()

    # --- what was kept before

    def saved(self) -> Saved | None:
        """The judges' state, None where there is none; StoreError for a damaged one."""
        row = self._card.one("SELECT steady_ms, data FROM state")
        if row is None:
            return None
        try:
            state = json.loads(zlib.decompress(row[1]))
        except (zlib.error, TypeError, ValueError) as error:
            where = self._card.path
            raise StoreError(f"{where}: expected the judges' state, found: {error}") from error
        return Saved(state, row[0] / 1000.0)

    def last_request(self) -> int:
        """The highest number of a request that the judges have seen and whose effect is kept."""
        return self._last_request

    # --- keeping

    def keep(
        self, ticks: Sequence[Tick], events: Sequence[Event], state: Mapping[str, Any] | None
    ) -> None:
        """In one transaction: these readings with the roll-ups they finish, these events with a
        notice for every messenger, and the judges' state after `ticks`.

        With events it returns only once they would survive a power cut; on a card that takes
        nothing, once they are in memory. On StoreError nothing of it was kept, and the same call
        may be made again.
        """
        now_ms = codec.milliseconds(ticks[-1].t) if ticks else None
        self._card.through(lambda: self._keep(ticks, events, state), now_ms)
        if now_ms is not None:
            self._retention.let_go(now_ms, codec.milliseconds(ticks[-1].offset_s))

    def _keep(
        self, ticks: Sequence[Tick], events: Sequence[Event], state: Mapping[str, Any] | None
    ) -> None:
        with self._card.transaction(lasting=bool(events)):
            unfinished = self.readings.keep(ticks)
            for event in events:
                self._keep_event(event)
            last_request = max([self._last_request, *(r.id for t in ticks for r in t.requests)])
            if last_request != self._last_request:
                self._card.set("last_request", str(last_request))
            if state is not None:
                self._keep_state(state, ticks)
        self.readings.settled(unfinished)
        self._last_request = last_request

    def _keep_event(self, event: Event) -> None:
        plain = event.as_json()
        if self._card.standing_in:
            plain = {"id": str(uuid.uuid4()), **plain}
        kept = self._card.do(
            "INSERT INTO events (at_ms, kind, section, body) VALUES (?, ?, ?, ?)",
            (codec.milliseconds(event.at), event.kind, event.section, _text(plain)),
        )
        number = int(kept.lastrowid or 0)
        if event.kind in chain.CHAINED and self._card.standing_in:
            standin.put_by(self._card.conn, number, event.aside)
        elif event.kind in chain.CHAINED:
            linked = chain.append(self._card.conn, self._card.installation, event, number)
            told = _text({**plain, **linked})
            self._card.do("UPDATE events SET body = ? WHERE id = ?", (told, number))
        if event.kind == "hold_test_finished" and event.aside:
            self._keep_test(number, event.aside)
        self.outbox.put(number, event.kind)

    def _keep_test(self, number: int, aside: Mapping[str, Any]) -> None:
        """What a hold test rests on: its readings are kept as long as this is."""
        span = (codec.milliseconds(aside["start_t"]), codec.milliseconds(aside["end_t"]))
        data = zlib.compress(json.dumps(aside, separators=(",", ":")).encode(), 9)
        self._card.do("INSERT INTO tests VALUES (?, ?, ?, ?)", (number, *span, data))

    def _keep_state(self, state: Mapping[str, Any], ticks: Sequence[Tick]) -> None:
        at = codec.milliseconds(ticks[-1].t if ticks else self.readings.steady() or 0.0)
        data = zlib.compress(json.dumps(state, separators=(",", ":")).encode(), 6)
        self._card.do("INSERT OR REPLACE INTO state VALUES (1, ?, ?)", (at, data))


def _text(plain: Mapping[str, Any]) -> str:
    return json.dumps(plain, separators=(",", ":"), ensure_ascii=False)
