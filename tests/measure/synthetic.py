"""Made-up pressures with known turns: straight rests and runs between cut-in and cut-out.

Nothing here is shared with the plant of edge.plant: a supply is given by its two rates, and
what a sensor, a clock and the weather do to it is laid over.
"""

import random
from collections.abc import Callable, Iterator
from typing import NamedTuple

from edge.judge import Judge
from edge.model import Event, Tick, on_grid
from edge.settings import Settings, check

CUT_IN, CUT_OUT = 262.0, 358.5
BAND = CUT_OUT - CUT_IN
EPOCH = 1.79e9


def site(*, contact: bool, **limits: str) -> Settings:
    """A supply with a pressure channel and, if so, a run contact."""
    channels = [{"name": "p", "quantity": "pressure", "unit": "kPa", "input": "simulated"}]
    supply = {"pressure": "p", "cut_in": f"{CUT_IN} kPa", "cut_out": f"{CUT_OUT} kPa"}
    if contact:
        channels.append({"name": "r", "quantity": "running", "input": "simulated"})
        supply["running"] = "r"
    return check(
        {
            "site": {"name": "Made up", "id": "made-up"},
            "supply": supply,
            "channel": channels,
            "limits": limits,
        }
    )


class Turn(NamedTuple):
    t: float
    kpa: float
    running: bool


class Supply(NamedTuple):
    """A supply by its rates in kPa/h; `start` is where in the cycle it is first seen, 0..1 of the
    rest."""

    loss: float
    rise: float
    start: float = 0.3

    @property
    def run_s(self) -> float:
        return BAND / self.rise * 3600.0

    @property
    def rest_s(self) -> float:
        return BAND / self.loss * 3600.0

    def at(self, t: float) -> tuple[float, bool]:
        """Pressure and whether it runs, `t` seconds from the start."""
        phase = (t + self.start * self.rest_s) % (self.rest_s + self.run_s)
        if phase < self.rest_s:
            return CUT_OUT - self.loss * phase / 3600.0, False
        return CUT_IN + self.rise * (phase - self.rest_s) / 3600.0, True

    def turns(self, until: float) -> list[Turn]:
        """Every turn before `until`."""
        found, t = [], (1.0 - self.start) * self.rest_s
        while t < until:
            found.append(Turn(t, CUT_IN, True))
            t += self.run_s
            if t < until:
                found.append(Turn(t, CUT_OUT, False))
            t += self.rest_s
        return found


def ticks(
    at: Callable[[float], tuple[float, bool]],
    times: Iterator[float],
    noise_kpa: float = 0.0,
    seed: int = 1,
    *,
    contact: bool = False,
) -> Iterator[Tick]:
    """What the channels read at those times."""
    rng = random.Random(seed)
    for t in times:
        kpa, running = at(t)
        value = on_grid(kpa + rng.gauss(0.0, noise_kpa))
        yield Tick(t, EPOCH, (value, float(running)) if contact else (value,))


def even(step_s: float, until: float) -> Iterator[float]:
    return (i * step_s for i in range(int(until / step_s) + 1))


def uneven(step_s: float, until: float, seed: int = 3) -> Iterator[float]:
    """Steps from a tenth to twice of the mean."""
    rng, t = random.Random(seed), 0.0
    while t <= until:
        yield t
        t += step_s * rng.uniform(0.1, 1.9)


def judged(settings: Settings, rows: Iterator[Tick]) -> list[Event]:
    judge = Judge(settings)
    return [event for tick in rows for event in judge.look(tick)]


def turns(events: list[Event]) -> list[Turn]:
    """The turns told, in seconds from the start."""
    return [
        Turn(e.at - EPOCH, e.numbers["pressure_kpa"], e.kind == "cut_in")
        for e in events
        if e.kind in ("cut_in", "cut_out")
    ]
