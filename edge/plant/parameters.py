"""What a plant is built as: its supply, its systems, its leaks. Pressures are gauge, flows standard."""

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

from edge.plant.physics import AIR_OXYGEN_PCT
from edge.plant.weather import SyntheticWeather


@dataclass(frozen=True)
class Leak:
    """An extra opening, from `start_s` until `end_s` of plant time.

    `l_min` is its flow at the reference pressure (middle of the band) in standard litres a
    minute; it grows by `growth_per_day` of itself each day, in a straight line.
    """

    l_min: float
    start_s: float = 0.0
    end_s: float = math.inf
    growth_per_day: float = 0.0

    def at(self, t_s: float) -> float:
        """Flow at the reference pressure at a second of plant time, standard litres a minute."""
        if not self.start_s <= t_s < self.end_s:
            return 0.0
        return self.l_min * (1.0 + self.growth_per_day * (t_s - self.start_s) / 86400.0)


@dataclass(frozen=True)
class SystemParameters:
    """One sprinkler system behind its air maintenance device."""

    name: str
    volume_l: float = 2422.0  # 640 gal
    regulated_kpa: float = 206.8  # 30 psi
    start_kpa: float | None = None  # as regulated
    start_oxygen_pct: float = AIR_OXYGEN_PCT  # of the gas that is in it at the beginning
    loss_l_min: float = 0.4  # at the regulated pressure
    device_l_min: float = 40.0  # through the restriction, wide open, from the line at its reference
    bypass_l_min: float = 400.0  # through the device's own bypass valve
    droop_kpa: float = 4.0  # fall under the set pressure at which the regulator is wide open
    steady_c: float = -18.0  # what the part of the gas that does not follow the weather is at
    exposure: float = 0.1
    lag_h: float = 2.0
    leaks: Sequence[Leak] = ()


@dataclass(frozen=True)
class PlantParameters:
    """The supply up to the air maintenance devices. Pressures are gauge, flows standard."""

    volume_l: float = 1173.0  # 310 gal
    cut_in_kpa: float = 262.0  # 38 psi
    cut_out_kpa: float = 358.5  # 52 psi
    start_delay_s: float = 8.0
    start_kpa: float | None = None  # the middle of the band
    start_oxygen_pct: float = AIR_OXYGEN_PCT  # of the gas that is in the line at the beginning
    production_l_min: float = 21.24  # 45 scfh, at the reference pressure and 20 °C
    flow_at_2_pct_l_min: float = 26.0  # the membrane's product flow that would hold 2 % oxygen
    feed_kpa: float = 690.0  # 100 psi, before the needle valve
    production_per_c: float = -0.002
    capacity_per_c: float = 0.005
    bypass_flow: float = 2.2  # flow of plain air as a multiple of product flow
    loss_l_min: float = 1.7  # at the reference pressure, the middle of the band
    leaks: Sequence[Leak] = ()
    pipe_open_l_min: float = 3000.0
    exposure: float = 0.7  # share of the gas that feels the air's temperature
    lag_h: float = 1.0
    steady_c: float = 20.0  # what the rest of it is at
    settle_c: float = 2.0  # how much a long run warms the gas
    settle_s: float = 180.0
    dip_pct: float = 4.0  # oxygen above steady at a cold start
    warm_s: float = 110.0  # time constant of the dip
    cool_s: float = 2400.0  # how long the membrane stays warm and filled
    sample_s: float = 35.0  # lag of the analyzer while gas flows past it
    stale_s: float = 5400.0  # air finding its way back into a resting sample line
    cut_in_drift_kpa_per_day: float = 0.0
    cut_out_drift_kpa_per_day: float = 0.0
    weather: Callable[[float], tuple[float, float]] = field(default_factory=SyntheticWeather)
    systems: Sequence[SystemParameters] = ()
