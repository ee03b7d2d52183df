"""What a chart of the pressure is made from, out of the database."""

from collections.abc import Mapping, Sequence
from typing import Any, NamedTuple

from edge.model import SUPPLY
from edge.store.curves import Ribbon
from edge.store.read import Reader, Run
from web.gauge import Gauge
from web.stretches import ALERTS, LONGEST_TEST_S, TESTS, Stretch, under_alert, under_test
from web.window import Window

MOST_EVENTS = 20_000
"""So many events of a window are looked at, the newest."""
LONGEST_ALERT_S = 92 * 86400.0
"""So far after a past window its alerts' ends are looked for."""


class Looked(NamedTuple):
    """A pressure over a window, the generator's runs where it is the supply's, when alerts were open
    and hold tests ran."""

    ribbon: Ribbon
    runs: Sequence[Run] | None
    alerts: Sequence[Stretch]
    tests: Sequence[Stretch]


def standing(latest: Mapping[str, Any] | None) -> list[dict[str, Any]]:
    """The alerts that stand now."""
    found: list[dict[str, Any]] = ((latest or {}).get("picture") or {}).get("alerts") or []
    return found


def look(db: Reader, latest: Mapping[str, Any] | None, w: Window, gauge: Gauge) -> Looked:
    """That pressure over the window, and what stands on its axis: with the supply's every alert,
    with a system's those of its own."""
    end = w.until + LONGEST_ALERT_S if w.fixed else w.until
    told: list[Mapping[str, Any]] = [*db.events(MOST_EVENTS, None, ALERTS, w.since, end)]
    far = LONGEST_TEST_S
    held = db.events(MOST_EVENTS, None, TESTS, w.since - far, w.until + far)
    stand: list[Mapping[str, Any]] = [*standing(latest)]
    whole = gauge.section == SUPPLY
    if not whole:
        told, stand = (
            [a for a in some if a.get("section") == gauge.section] for some in (told, stand)
        )
    return Looked(
        db.ribbon(gauge.channel, w.since, w.until, w.points),
        db.runs(w.since, w.until) if whole else None,
        under_alert(told, stand, w.since, w.until),
        under_test(held, w.since, w.until, gauge.section),
    )
