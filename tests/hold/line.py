"""A small site with one system, and ticks of it."""

from collections.abc import Callable, Iterator, Mapping
from typing import Any

import numpy as np

from edge.core.units import PSI
from edge.judge import Judge
from edge.model import Event, Request, Tick, on_grid

RAW: dict[str, Any] = {
    "site": {"name": "Saltmarsh Lane depot", "id": "saltmarsh-lane"},
    "supply": {
        "pressure": "line",
        "running": "run",
        "temperature": "room",
        "cut_in": "38 psi",
        "cut_out": "52 psi",
        "volume": "310 gal",
    },
    "system": [
        {
            "name": "Freezer",
            "pressure": "aisle",
            "regulated": "30 psi",
            "low_pressure": "26 psi",
            "volume": "640 gal",
        }
    ],
    "method": [
        {"name": "ours", "duration": "1 h", "drop": "0.5 psi", "note": "the owner's insurer"}
    ],
    "limits": {"hold_loss": "1 psi/h"},
    "channel": [
        {"name": "line", "quantity": "pressure", "unit": "psi", "input": "simulated"},
        {"name": "run", "quantity": "running", "input": "simulated"},
        {"name": "room", "quantity": "temperature", "unit": "°F", "input": "simulated"},
        {"name": "aisle", "quantity": "pressure", "unit": "psi", "input": "simulated"},
    ],
}

START = 1_760_000_000.0
Change = Callable[[float, dict[str, float | None]], dict[str, float | None] | None]


def ticks(
    seconds: float,
    loss_psi_per_h: float = 0.0,
    step_s: float = 2.0,
    from_s: float = 0.0,
    change: Change | None = None,
    aisle_loss_psi_per_h: float = 0.0,
    seed: int = 7,
    line_psi: float = 51.0,
    aisle_psi: float = 40.0,
) -> Iterator[Tick]:
    """Readings of a resting line and of a system behind it; `change` alters a moment's, or drops it."""
    rng = np.random.default_rng([seed, int(from_s)])
    for s in np.arange(from_s, from_s + seconds, step_s).tolist():
        hours = s / 3600.0
        values: dict[str, float | None] = {
            "line": (line_psi - loss_psi_per_h * hours) * PSI + float(rng.normal(0.0, 0.1)),
            "run": 0.0,
            "room": 18.0 + float(rng.normal(0.0, 0.02)),
            "aisle": (aisle_psi - aisle_loss_psi_per_h * hours) * PSI + float(rng.normal(0.0, 0.1)),
        }
        if change is not None:
            changed = change(s, values)
            if changed is None:
                continue
            values = changed
        yield Tick(
            START + s,
            0.0,
            tuple(None if v is None else on_grid(v) for v in values.values()),
            {name: "unplugged" for name, v in values.items() if v is None},
        )


def asked(tick: Tick, kind: str = "hold_start", number: int = 1, **what: Any) -> Tick:
    """The tick with a request in it."""
    return tick._replace(requests=(*tick.requests, Request(number, kind, "R. Fenwick", what)))


def through(judge: Judge, given: Iterator[Tick]) -> list[Event]:
    """Every event of these ticks."""
    return [event for tick in given for event in judge.look(tick)]


def outcome(events: list[Event]) -> Mapping[str, Any]:
    """The one finished test among these events."""
    (found,) = [e for e in events if e.kind == "hold_test_finished"]
    return found.as_json()


def begun(given: Iterator[Tick], at_s: float = 600.0, **what: Any) -> Iterator[Tick]:
    """The ticks, with a test asked for in the first from `at_s` on."""
    waiting = True
    for tick in given:
        if waiting and tick.t - START >= at_s:
            waiting = False
            yield asked(tick, **what)
        else:
            yield tick
