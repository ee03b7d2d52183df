"""Loss of each rest against the truth, under real weather: python -m tests.benchmarks.loss [SITES [SEED]]

The simulated plant of edge.plant feels a real year's hours of air temperature and barometer (see
tests/hold/plant.py); the real judge reads its gauge with 0.02 psi of noise every 10 s, once with
the air temperature measured and once without. Sites: 60 to 1500 gal, 1 to 20 scfh of loss, 0.3 to
1.0 of the gas feeling the air with a lag of 0.3 to 2 h, 21 days each, the barometer not measured.

Then sites that take a day or more for a rest, without a temperature, in that climate and in one
that nothing was worked out from: what they are told may be wide, and must hold.
"""

import sys
from collections.abc import Callable
from datetime import datetime
from itertools import accumulate
from typing import NamedTuple

import numpy as np

from edge.core.units import FOOT3, GALLON
from edge.judge import Judge
from edge.model import Tick, on_grid
from edge.plant.parameters import PlantParameters
from edge.plant.plant import Plant
from edge.settings import Settings, check
from tests.benchmarks.result import Result, tell
from tests.hold.plant import ALASKA, HERE, NOISE_KPA, Array, year

SITES, SEED, DAYS, STEP_S = 16, 7, 21.0, 10.0
SLOW_SITES, SLOW_GAL_PER_SCFH = 6, 200.0
ARMS = (True, False)
"""With the air temperature measured, and without."""


def blow(weather: tuple[Array, Array], start_h: int) -> Callable[[float], tuple[float, float]]:
    """The year's weather from an hour on, straight between hours."""
    air, barometer = (column.tolist() for column in weather)

    def at(t_s: float) -> tuple[float, float]:
        hour, part = divmod(t_s / 3600.0, 1.0)
        i = start_h + int(hour)
        return (
            air[i] + part * (air[i + 1] - air[i]),
            barometer[i] + part * (barometer[i + 1] - barometer[i]),
        )

    return at


class Site(NamedTuple):
    volume_gal: float
    loss_scfh: float
    exposure: float
    lag_h: float
    production: float  # times the loss
    start_h: int

    @classmethod
    def any(cls, rng: np.random.Generator, days: float) -> "Site":
        """One of the sites that there are; runs are never slower than hours."""
        volume = float(np.exp(rng.uniform(np.log(60.0), np.log(1500.0))))
        loss = float(np.exp(rng.uniform(np.log(1.0), np.log(20.0))))
        return cls(
            volume_gal=volume,
            loss_scfh=loss,
            exposure=float(rng.uniform(0.3, 1.0)),
            lag_h=float(np.exp(rng.uniform(np.log(0.3), np.log(2.0)))),
            production=max(float(rng.uniform(4.0, 15.0)), 0.016 * volume / loss),
            start_h=int(rng.integers(0, 8760 - int(24 * days) - 3)),
        )

    def plant(self, weather: tuple[Array, Array]) -> Plant:
        """The plant of this site in that weather."""
        l_min = FOOT3 / 60.0
        return Plant(
            PlantParameters(
                volume_l=self.volume_gal * GALLON,
                loss_l_min=self.loss_scfh * l_min,
                production_l_min=self.production * self.loss_scfh * l_min,
                flow_at_2_pct_l_min=self.production * self.loss_scfh * l_min,
                exposure=self.exposure,
                lag_h=self.lag_h,
                weather=blow(weather, self.start_h),
            )
        )


def settings(*, temperature: bool) -> Settings:
    rows = [("p", "pressure", "kPa"), ("r", "running", ""), ("t", "temperature", "°C")]
    uses = {quantity: name for name, quantity, _ in rows[: 2 + temperature]}
    return check(
        {
            "site": {"name": "Bench", "id": "bench"},
            "supply": {**uses, "cut_in": "262 kPa", "cut_out": "358.5 kPa"},
            "channel": [
                {"name": name, "quantity": quantity, "unit": unit, "input": "simulated"}
                for name, quantity, unit in rows
            ],
        }
    )


class Found(NamedTuple):
    """One rest: hours, and the loss told beside the truth, kPa/h."""

    hours: float
    loss: float
    low: float
    high: float
    truth: float

    @property
    def error(self) -> float:
        return self.loss / self.truth - 1.0

    @property
    def holds(self) -> bool:
        return self.low <= self.truth <= self.high


def watch(
    site: Site,
    weather: tuple[Array, Array],
    days: float,
    seed: int,
    arms: tuple[bool, ...] = ARMS,
    step_s: float = STEP_S,
) -> list[list[Found]]:
    """Judge one site for some days; what was found in each arm."""
    rng = np.random.default_rng(seed)
    plant = site.plant(weather)
    steps = int(days * 86400.0 / step_s)
    noise = rng.normal(0.0, NOISE_KPA, steps).tolist()
    judges = [Judge(settings(temperature=measured)) for measured in arms]
    losses, rests = [0.0], [[] for _ in arms]
    for i in range(steps):
        plant.step(step_s)
        losses.append(plant.loss_kpa_per_h)
        values = (
            on_grid(plant.line_pressure_kpa + noise[i]),
            float(plant.running),
            on_grid(plant.room_temperature_c),
        )
        tick = Tick(plant.t_s, 0.0, values)
        for judge, found in zip(judges, rests, strict=True):
            found += [e for e in judge.look(tick) if e.kind == "idle_measured"]
    total = list(accumulate(losses))

    def truth(start_s: float, end_s: float) -> float:
        a, b = round(start_s / step_s), round(end_s / step_s)
        return (total[b] - total[a]) / (b - a)

    return [
        [
            Found(
                e.numbers["idle_s"] / 3600.0,
                e.numbers["loss_kpa_per_h"],
                e.numbers["loss_low_kpa_per_h"],
                e.numbers["loss_high_kpa_per_h"],
                truth(datetime.fromisoformat(e.numbers["started"]).timestamp(), e.at),
            )
            for e in found
        ]
        for found in rests
    ]


def rms(found: list[Found]) -> float:
    return float(np.sqrt(np.mean([f.error**2 for f in found])))


def held(found: list[Found]) -> float:
    """Share of the 95 % intervals that hold the truth."""
    return sum(f.holds for f in found) / len(found)


def table(sites: int, seed: int) -> list[list[list[Found]]]:
    """Every site's findings in each arm, printed as they come."""
    rng, weather = np.random.default_rng(seed), year()
    print("volume  loss  felt  lag  rests  hours |  with temperature    |  without")
    print("   gal  scfh          h               |  rms  median  held   |  rms  median  held")
    every = []
    for n in range(sites):
        site = Site.any(rng, DAYS)
        arms = watch(site, weather, DAYS, seed + n)
        every.append(arms)
        cells = "  | ".join(
            f"{rms(arm):5.1%}  {np.median([abs(f.error) for f in arm]):5.1%}  {held(arm):4.0%}"
            if arm
            else "no rest was measured "
            for arm in arms
        )
        hours = float(np.median([f.hours for f in arms[0]])) if arms[0] else 0.0
        print(
            f"{site.volume_gal:6.0f} {site.loss_scfh:5.1f} {site.exposure:5.2f} {site.lag_h:4.2f}"
            f" {len(arms[0]):6d} {hours:6.1f} | {cells}",
            flush=True,
        )
    return every


def slow(station: str, sites: int, seed: int) -> list[list[Found]]:
    """Sites with days of rest, without a temperature, in the air of a station; printed as they come."""
    rng, barometer = np.random.default_rng(seed), year()[1]
    air, _ = year(station)
    every = []
    while len(every) < sites:
        site = Site.any(rng, DAYS)
        if site.volume_gal < SLOW_GAL_PER_SCFH * site.loss_scfh:
            continue
        (arm,) = watch(site, (air, barometer), DAYS, seed + len(every), (False,), 3 * STEP_S)
        every.append(arm)
        print(
            f"{site.volume_gal:6.0f} {site.loss_scfh:5.1f} {site.exposure:5.2f} {site.lag_h:4.2f}"
            f" {len(arm):6d} {float(np.median([f.hours for f in arm])):6.1f} | {station:20s}  |"
            f" {rms(arm):5.1%}  {np.median([abs(f.error) for f in arm]):5.1%}  {held(arm):4.0%}",
            flush=True,
        )
    return every


def measure(sites: int = SITES, seed: int = SEED) -> list[Result]:
    """Median site's error, and the share of all intervals that hold the truth."""
    every = table(sites, seed)
    results = []
    for i, name in enumerate(("with temperature", "without")):
        arms = [arms[i] for arms in every if arms[i]]
        of_sites = float(np.mean([held(arm) for arm in arms]))
        error = float(np.median([rms(arm) for arm in arms]))
        results += [
            Result(
                f"rms error of a rest's loss, median site, {name}",
                100 * error,
                "%",
                2.0 if i == 0 else 15.0,
            ),
            Result(
                f"95 % intervals that hold the truth, mean of sites, {name}",
                100 * of_sites,
                "%",
                90.0,
                least=True,
            ),
            Result(
                f"95 % intervals that hold the truth, mean of sites, {name}",
                100 * of_sites,
                "%",
                98.0,
            ),
        ]
    for station in (HERE, ALASKA):
        slowly = [held(arm) for arm in slow(station, SLOW_SITES, seed)]
        what = f"95 % intervals that hold, mean of slow sites without temperature, {station[:6]}"
        results.append(Result(what, 100 * float(np.mean(slowly)), "%", 93.0, least=True))
        what = f"the same, the worst site, {station[:6]}"
        results.append(Result(what, 100 * min(slowly), "%", 80.0, least=True))
    return results


if __name__ == "__main__":
    raise SystemExit(tell("loss", measure(*map(int, sys.argv[1:]))) > 0)
