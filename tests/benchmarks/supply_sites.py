"""Simulated supplies of every size under the real judge, for the figures of causes and of a year.

The plant (edge/plant/) shares no code with the judge; noise and rounding are added here.
"""

import math
import random
from collections.abc import Callable, Iterator
from typing import Any, NamedTuple

from edge.judge import Judge
from edge.model import Event, Tick, on_grid
from edge.plant.parameters import PlantParameters, SystemParameters
from edge.plant.plant import Plant
from edge.plant.weather import SyntheticWeather
from edge.settings import Settings, check

SCFH = 28.316846592 / 60.0  # standard litres a minute
GAL, PSI = 3.785411784, 6.894757293
NOISE_KPA = 0.02 * PSI
START = 1.7e9  # any moment; seconds since 1970 UTC

Weather = Callable[[float], tuple[float, float]]


class Ranges(NamedTuple):
    """Within which sites are drawn, evenly on a logarithmic scale."""

    volume_gal: tuple[float, float] = (20.0, 2000.0)
    loss_scfh: tuple[float, float] = (0.2, 30.0)
    production_scfh: tuple[float, float] = (15.0, 150.0)
    band_psi: tuple[float, float] = (5.0, 40.0)
    least_ratio: float = 2.5  # production over loss
    longest_cycle_h: float = 150.0


class Site(NamedTuple):
    """One supply: what it is made of and what its judge is told."""

    parameters: PlantParameters
    settings: Settings
    idle_h: float  # at its healthy loss
    run_h: float
    step_s: float

    @property
    def loss_l_min(self) -> float:
        return self.parameters.loss_l_min


def draw(
    r: random.Random,
    ranges: Ranges,
    *,
    contact: bool = True,
    oxygen: bool = True,
    temperature: bool = True,
    system: bool = False,
    weather: Weather | None = None,
) -> Site:
    """A site within the ranges, with limits that fit it as a technician would set them."""

    def within(least: float, most: float) -> float:
        return math.exp(r.uniform(math.log(least), math.log(most)))

    while True:
        volume = within(*ranges.volume_gal) * GAL
        loss = within(*ranges.loss_scfh) * SCFH
        production = within(*ranges.production_scfh) * SCFH
        band = within(*ranges.band_psi) * PSI
        cut_in = r.uniform(20.0, 60.0) * PSI
        decay = loss / volume * 60.0 * 101.325  # kPa/h
        rise = production / volume * 60.0 * 101.325 - decay
        if production > ranges.least_ratio * loss and (
            band / decay + band / rise < ranges.longest_cycle_h
        ):
            break
    systems = ()
    if system:
        systems = (
            SystemParameters(
                "Aisles",
                volume_l=within(100.0, 1000.0) * GAL,
                regulated_kpa=cut_in - r.uniform(5.0, 10.0) * PSI,
                loss_l_min=within(0.5, 5.0) * SCFH,
                steady_c=10.0,
            ),
        )
    seed = r.randrange(2**32)
    parameters = PlantParameters(
        volume_l=volume,
        cut_in_kpa=cut_in,
        cut_out_kpa=cut_in + band,
        production_l_min=production,
        flow_at_2_pct_l_min=production * r.uniform(1.4, 1.8),
        loss_l_min=loss,
        exposure=r.uniform(0.3, 1.0),
        lag_h=within(0.3, 2.0),
        settle_c=1.0,
        weather=weather or SyntheticWeather(seed=seed, daily_c=r.uniform(2.0, 8.0)),
        systems=systems,
    )
    run_h, idle_h = band / rise, band / decay
    settings = _settings(parameters, run_h, idle_h, contact, oxygen, temperature)
    step_s = min(10.0, max(1.0, run_h * 180.0))
    return Site(parameters, settings, idle_h, run_h, step_s)


def _settings(
    p: PlantParameters,
    run_h: float,
    idle_h: float,
    contact: bool,
    oxygen: bool,
    temperature: bool,
) -> Settings:
    band = p.cut_out_kpa - p.cut_in_kpa
    cycle_h = run_h + idle_h
    decay_kpa_per_min = band / idle_h / 60.0
    supply: dict[str, Any] = {
        "pressure": "line",
        "cut_in": f"{p.cut_in_kpa:.4f} kPa",
        "cut_out": f"{p.cut_out_kpa:.4f} kPa",
        "tolerance": f"{min(10.0, 0.15 * band):.4f} kPa",
        "volume": f"{p.volume_l:.3f} L",
        "production": f"{p.production_l_min:.3f} L/min",
    }
    channels = [{"name": "line", "quantity": "pressure", "unit": "kPa", "input": "simulated"}]
    for wanted, key, quantity, unit in (
        (oxygen, "oxygen", "oxygen", "%"),
        (contact, "running", "running", ""),
        (temperature, "temperature", "temperature", "°C"),
    ):
        if wanted:
            supply[key] = key
            channels.append({"name": key, "quantity": quantity, "unit": unit, "input": "simulated"})
    raw: dict[str, Any] = {
        "site": {"name": "Bench", "id": "bench"},
        "supply": supply,
        "channel": channels,
        "limits": {
            "starts_per_hour": min(max(6, math.ceil(4.0 / cycle_h)), 120),
            "runtime_per_day": f"{min(max(6.0, 60.0 * run_h / cycle_h), 23.9):.2f} h",
            "longest_run": f"{max(3.0, 4.0 * run_h):.2f} h",
            "fast_drop": f"{max(20.7, 8.0 * decay_kpa_per_min):.3f} kPa/min",
        },
    }
    if p.systems:
        channels.append(
            {"name": "aisles", "quantity": "pressure", "unit": "kPa", "input": "simulated"}
        )
        regulated = p.systems[0].regulated_kpa
        raw["system"] = [
            {
                "name": "Aisles",
                "pressure": "aisles",
                "regulated": f"{regulated:.4f} kPa",
                "low_pressure": f"{0.8 * regulated:.4f} kPa",
            }
        ]
    return check(raw)


class Watch:
    """A site's plant and its judge, going on together."""

    def __init__(self, site: Site, seed: int) -> None:
        self.site = site
        self.plant = Plant(site.parameters)
        self.judge = Judge(site.settings)
        self._noise = random.Random(seed).gauss
        self._see = [c.name for c in site.settings.channel]

    def _value(self, name: str) -> float:
        plant, noise = self.plant, self._noise
        if name == "line":
            return on_grid(plant.line_pressure_kpa + noise(0.0, NOISE_KPA))
        if name == "oxygen":
            return on_grid(plant.oxygen_pct + noise(0.0, 0.02))
        if name == "running":
            return float(plant.running)
        if name == "temperature":
            return on_grid(plant.room_temperature_c + noise(0.0, 0.05))
        return on_grid(plant.systems["Aisles"].pressure_kpa + noise(0.0, NOISE_KPA))

    def on(self, until_s: float) -> Iterator[Event]:
        """What becomes known up to a second of plant time."""
        plant, step = self.plant, self.site.step_s
        while plant.t_s < until_s:
            plant.step(step)
            values = tuple(self._value(name) for name in self._see)
            yield from self.judge.look(Tick(START + plant.t_s, 0.0, values))

    def commissioned(self, within_s: float) -> list[Event]:
        """Go on until loss, rise and (where a run can show it) purity are learned; the alerts raised."""
        alerts: list[Event] = []
        while self.plant.t_s < within_s:
            for event in self.on(self.plant.t_s + 600.0):
                if event.kind == "alert_raised":
                    alerts.append(event)
            base = self.judge.baseline
            warm = self.site.run_h * 3600.0 > 1.2 * self.site.settings.supply.warm_up_s
            known = base.loss is not None and base.rise is not None
            if known and (base.nitrogen_pct is not None or not warm or "oxygen" not in self._see):
                return alerts
        raise RuntimeError(f"no baseline within {within_s / 86400.0:g} days at {self.site}")
