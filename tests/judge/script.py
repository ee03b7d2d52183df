"""A scripted supply: rates and faults by the hour, and what its channels then read.

Straight lines and a little noise, so that what must be found is known beforehand. Nothing is
shared with the plant of edge.plant.
"""

import random
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date
from typing import Any

from edge.model import Request, Tick, on_grid
from edge.settings import Settings, check

EPOCH = 1.79e9
STEP_S = 10.0
CUT_IN, CUT_OUT = 262.0, 358.5
SYSTEM = "Freezer aisles"
CHANNELS = (
    ("line", "pressure", "psi"),
    ("oxygen", "oxygen", "%"),
    ("contact", "running", ""),
    ("room", "temperature", "°F"),
    ("aisles", "pressure", "psi"),
)


def site(
    *,
    limits: Mapping[str, Any] | None = None,
    unit: str = "psi",
    supply: Mapping[str, Any] | None = None,
    calibrated: date | None = None,
    periodic: Sequence[Mapping[str, Any]] = (),
) -> Settings:
    """A supply with every channel and one system, told in `unit`."""
    channels: list[dict[str, Any]] = [
        {"name": name, "quantity": quantity, "unit": its, "input": "simulated"}
        for name, quantity, its in CHANNELS
    ]
    if calibrated is not None:
        channels[1]["calibrated"] = calibrated
    return check(
        {
            "periodic": list(periodic),
            "site": {"name": "Scripted", "id": "scripted", "units": {"pressure": unit}},
            "supply": {
                "pressure": "line",
                "oxygen": "oxygen",
                "running": "contact",
                "temperature": "room",
                "cut_in": f"{CUT_IN} kPa",
                "cut_out": f"{CUT_OUT} kPa",
                "warm_up": "5 min",
                "volume": "310 gal",
                **(supply or {}),
            },
            "system": [
                {
                    "name": SYSTEM,
                    "pressure": "aisles",
                    "regulated": "206.8 kPa",
                    "low_pressure": "180 kPa",
                    "volume": "640 gal",
                }
            ],
            "limits": dict(limits or {}),
            "channel": channels,
        }
    )


@dataclass
class World:
    """What the supply does now; a phase of a story sets these."""

    loss: float = 40.0  # kPa/h
    production: float = 440.0  # kPa/h
    oxygen: float = 1.5  # % of the product
    cut_in: float = CUT_IN
    cut_out: float = CUT_OUT
    power: bool = True
    stops: bool = True
    aisles_move: float = 0.0  # kPa/h
    room_c: float = 18.0
    free_pct: float | None = 60.0
    troubles: Mapping[str, str] | None = None
    frozen: bool = False
    silent: tuple[str, ...] = ()
    offset_s: float = EPOCH
    kpa: float = 330.0
    aisles_kpa: float = 206.8
    running: bool = False


@dataclass(frozen=True)
class Phase:
    """So many hours with these changes to the world, and a request at their beginning."""

    hours: float
    changes: Mapping[str, Any] = field(default_factory=dict)
    request: tuple[str, Mapping[str, Any]] | None = None


def play(story: list[Phase], seed: int = 1, step_s: float = STEP_S) -> Iterator[Tick]:
    """The ticks of a story."""
    rng, world, t, asked = random.Random(seed), World(), 0.0, 0
    held: tuple[float | None, ...] | None = None
    sample = 20.9
    for phase in story:
        for name, value in phase.changes.items():
            setattr(world, name, value)
        requests: tuple[Request, ...] = ()
        if phase.request is not None:
            asked += 1
            requests = (Request(asked, phase.request[0], "a technician", phase.request[1]),)
        for _ in range(round(phase.hours * 3600.0 / step_s)):
            t += step_s
            if world.running and world.stops and world.kpa >= world.cut_out:
                world.running = False
            elif not world.running and world.kpa <= world.cut_in:
                world.running = True
            on = world.running and world.power
            world.kpa += (world.production * on - world.loss) * step_s / 3600.0
            world.kpa = max(world.kpa, 0.0)
            world.aisles_kpa += world.aisles_move * step_s / 3600.0
            target = world.oxygen if on else 20.9
            sample += (target - sample) * step_s / (60.0 if on else 5400.0)
            values: tuple[float | None, ...] = (
                on_grid(world.kpa + rng.gauss(0.0, 0.1)),
                on_grid(sample + rng.gauss(0.0, 0.01)),
                float(on),
                on_grid(world.room_c + rng.gauss(0.0, 0.02)),
                on_grid(world.aisles_kpa + rng.gauss(0.0, 0.05)),
            )
            if world.frozen:
                held = values if held is None else held
                values = (held[0], *values[1:])
            else:
                held = None
            faults = {}
            if world.silent:
                faults = dict.fromkeys(world.silent, "open circuit")
                values = tuple(
                    None if channel[0] in world.silent else value
                    for channel, value in zip(CHANNELS, values, strict=True)
                )
            yield Tick(t, world.offset_s, values, faults, requests, world.free_pct, world.troubles)
            requests = ()
