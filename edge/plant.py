"""A simulated nitrogen supply with its piping, for the demo and for judging the judgement.

On purpose it shares no code and no constant with edge.core or the judge: a mistake made there
cannot hide here. It knows the truth (loss, production, temperature of the gas); noise, steps and
faults of a sensor are added by whoever reads it.

Compressor and membrane fill the supply line through a needle valve; a pressure control starts
and stops them; an air maintenance device lets gas into each system; everything leaks a little.
The gas in the line and in each system is well mixed: what comes in mixes with what is there, and
what goes out is of that mixture, step by step.

Sources: ideal gas, n = PV/RT. Flow through an opening: the ISO 6358 form, choked below the
critical pressure ratio (0.528 for air). Purity against flow: cross-flow solution-diffusion at
selectivity 6 and 100 psig feed, worked out for this project, a table here. Start-up dip, thermal
settling and the stirring of the sample line: common practice, no source.
"""

import math
import random
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import Literal

R = 8.314462618  # kPa·L/(mol·K)
MOL_S_PER_L_MIN = 101.325 / (R * 288.7056) / 60.0  # standard litre a minute, 60 °F and 14.696 psia
ATMOSPHERE_KPA = 101.325
ZERO_C = 273.15
CRITICAL_RATIO = 0.528
AIR_OXYGEN_PCT = 20.95
MOIST_AIR_PCT = 20.71  # at 20 °C and half of saturation, worked out by hand
LONGEST_STEP_S = 10.0
WEATHER_EVERY_S = 60.0

FLOW_AT_OXYGEN = ((1.0, 0.66), (1.5, 0.84), (2.0, 1.0), (3.0, 1.32), (5.0, 2.0))
"""Oxygen in the product (%), product flow as a multiple of the flow at 2 %."""

_LOGS = [(math.log(flow), math.log(oxygen)) for oxygen, flow in FLOW_AT_OXYGEN]


def oxygen_at_flow_pct(ratio: float) -> float:
    """Oxygen in the product, %, when its flow is `ratio` times the flow that gives 2 %.

    Log-log through FLOW_AT_OXYGEN, its end slopes carried on, never more than air.
    """
    if ratio <= 0.0:
        return 0.0
    x = math.log(ratio)
    place = 1
    while place < len(_LOGS) - 1 and x > _LOGS[place][0]:
        place += 1
    (x0, y0), (x1, y1) = _LOGS[place - 1], _LOGS[place]
    return min(AIR_OXYGEN_PCT, math.exp(y0 + (x - x0) * (y1 - y0) / (x1 - x0)))


def opening(downstream_kpa: float, upstream_kpa: float) -> float:
    """Share of the choked flow through an opening, 0..1, from absolute pressures (ISO 6358)."""
    ratio = downstream_kpa / upstream_kpa
    if ratio <= CRITICAL_RATIO:
        return 1.0
    if ratio >= 1.0:
        return 0.0
    part = (ratio - CRITICAL_RATIO) / (1.0 - CRITICAL_RATIO)
    return math.sqrt(1.0 - part * part)


def mixture(oxygen_pct: float, mol: float, coming_pct: float, coming_mol: float) -> float:
    """Oxygen of a gas, %, after another has mixed with it."""
    return (oxygen_pct * mol + coming_pct * coming_mol) / (mol + coming_mol)


class SyntheticWeather:
    """Air temperature (°C) and barometer (kPa) at a second of plant time; the same for one seed.

    A daily wave, warmest at 15 h, under a wandering mean; a barometer that walks about
    0.06 kPa per root hour and comes back within days.
    """

    def __init__(
        self,
        seed: int = 1,
        mean_c: float = 16.0,
        daily_c: float = 5.0,
        wander_c: float = 0.4,
        barometer_kpa: float = ATMOSPHERE_KPA,
        start_h: float = 0.0,
    ) -> None:
        """`daily_c` is half the day's span; `wander_c` the hourly step of the mean."""
        self._random = random.Random(seed)
        self._mean_c, self._daily_c, self._wander_c = mean_c, daily_c, wander_c
        self._barometer_kpa, self._start_h = barometer_kpa, start_h
        self._hours = [(0.0, 0.0)]

    def __call__(self, t_s: float) -> tuple[float, float]:
        """`t_s` from 0 on; (air temperature °C, barometer kPa)."""
        hour = t_s / 3600.0
        whole = int(hour)
        while len(self._hours) < whole + 2:
            warm, high = self._hours[-1]
            self._hours.append(
                (
                    0.98 * warm + self._random.gauss(0.0, self._wander_c),
                    0.98 * high + self._random.gauss(0.0, 0.06),
                )
            )
        part = hour - whole
        (a, p), (b, q) = self._hours[whole], self._hours[whole + 1]
        wave = math.cos((hour + self._start_h - 15.0) * math.tau / 24.0)
        air_c = self._mean_c + self._daily_c * wave + a + (b - a) * part
        return air_c, self._barometer_kpa + p + (q - p) * part


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


class System:
    """A sprinkler system's state; `oxygen_pct` is that of its gas. `device` and `extra_loss_l_min`
    may be set while it runs."""

    __slots__ = (
        "_choked",
        "_conductance",
        "_loss",
        "_reference_kpa",
        "device",
        "extra_loss_l_min",
        "lagged_c",
        "moles",
        "oxygen_pct",
        "parameters",
        "pressure_kpa",
        "temperature_c",
    )

    def __init__(
        self, p: SystemParameters, air_c: float, barometer_kpa: float, line_kpa: float
    ) -> None:
        self.parameters = p
        self.device: Literal["works", "shut", "open"] = "works"
        self.extra_loss_l_min = 0.0
        self.lagged_c = air_c
        self.temperature_c = p.exposure * air_c + (1.0 - p.exposure) * p.steady_c
        self.pressure_kpa = p.regulated_kpa if p.start_kpa is None else p.start_kpa
        kelvin = self.temperature_c + ZERO_C
        self.moles = (self.pressure_kpa + barometer_kpa) * p.volume_l / (R * kelvin)
        self.oxygen_pct = p.start_oxygen_pct
        self._reference_kpa = p.regulated_kpa + ATMOSPHERE_KPA
        # Flow as given is what really passes at reference pressures, choked or not.
        self._choked = opening(ATMOSPHERE_KPA, self._reference_kpa)
        self._conductance = MOL_S_PER_L_MIN / line_kpa

    def step(
        self,
        dt_s: float,
        t_s: float,
        air_c: float,
        barometer_kpa: float,
        line_kpa: float,
        line_oxygen_pct: float,
    ) -> tuple[float, float]:
        """Advance; (mol taken from the line, mol lost). `line_kpa` is absolute."""
        p = self.parameters
        absolute = self.pressure_kpa + barometer_kpa
        want = (p.regulated_kpa - self.pressure_kpa) / p.droop_kpa
        taken = 0.0
        if self.device == "open":
            flow = p.bypass_l_min
        elif self.device == "shut" or want <= 0.0:
            flow = 0.0
        else:
            flow = p.device_l_min * min(want, 1.0)
        if flow > 0.0:  # a check valve: never back into the line
            taken = flow * self._conductance * line_kpa * opening(absolute, line_kpa) * dt_s
            # not past balance between the two within one step
            room = max(0.0, (line_kpa - absolute) / absolute * self.moles)
            taken = min(taken, 0.5 * room)
        loss_l_min = p.loss_l_min + self.extra_loss_l_min + sum(leak.at(t_s) for leak in p.leaks)
        lost = 0.0
        if absolute > barometer_kpa:
            rate = loss_l_min * MOL_S_PER_L_MIN / (self._reference_kpa * self._choked)
            lost = rate * absolute * opening(barometer_kpa, absolute) * dt_s
            lost = min(lost, self.moles * (1.0 - barometer_kpa / absolute))
        self.oxygen_pct = mixture(self.oxygen_pct, self.moles, line_oxygen_pct, taken)
        self.moles += taken - lost
        self.lagged_c += (air_c - self.lagged_c) * dt_s / (p.lag_h * 3600.0 + dt_s)
        self.temperature_c = p.exposure * self.lagged_c + (1.0 - p.exposure) * p.steady_c
        self.pressure_kpa = (
            self.moles * R * (self.temperature_c + ZERO_C) / p.volume_l - barometer_kpa
        )
        return taken, lost


class Plant:
    """The whole of it, advanced by `step`. What a sensor could see:

    line_pressure_kpa (gauge), oxygen_pct (at the analyzer), running (0 or 1),
    room_temperature_c, barometer_kpa; systems[name].pressure_kpa, .temperature_c.

    The truth behind it: loss_l_min, loss_kpa_per_h, production_l_min, gas_temperature_c, product_oxygen_pct,
    produced_mol, lost_mol, and of these the oxygen (produced_oxygen_mol, lost_oxygen_mol); held_oxygen_pct of
    the gas in the line, systems[name].oxygen_pct of that in a system.

    Faults, to be set at any moment: power, overload, bypass, needle (1 as set, 0 shut),
    strength (1 new, less when compressor or membrane is tired), volume_share (under 1 when a
    part is valved off), pipe_open, control, extra_loss_l_min, cut_in_kpa, cut_out_kpa; and each
    system's device. The oxygen sensor has a cell (its output, 1 when new) and stands somewhere
    (probe: None in the sample line, else the oxygen in % of what it is held in).
    """

    __slots__ = (
        "_air_slope",
        "_calling",
        "_choked_at_reference",
        "_feed_at_reference",
        "_node_air_c",
        "_node_barometer_kpa",
        "_node_t",
        "_pressure_slope",
        "_reference_kpa",
        "_settling",
        "_volume_share",
        "_wanted_s",
        "_warm",
        "barometer_kpa",
        "bypass",
        "cell",
        "control",
        "cut_in_kpa",
        "cut_out_kpa",
        "extra_loss_l_min",
        "gas_temperature_c",
        "held_oxygen_pct",
        "lagged_c",
        "line_pressure_kpa",
        "loss_l_min",
        "lost_mol",
        "lost_oxygen_mol",
        "moles",
        "needle",
        "overload",
        "oxygen_pct",
        "parameters",
        "pipe_open",
        "power",
        "probe",
        "produced_mol",
        "produced_oxygen_mol",
        "product_oxygen_pct",
        "production_l_min",
        "room_temperature_c",
        "running",
        "strength",
        "systems",
        "t_s",
        "trapped_mol",
        "trapped_oxygen_pct",
    )

    def __init__(self, parameters: PlantParameters | None = None) -> None:
        p = self.parameters = PlantParameters() if parameters is None else parameters
        self.t_s = 0.0
        self.power = True
        self.overload = False
        self.bypass = False
        self.cell = 1.0
        self.probe: float | None = None
        self.needle = 1.0
        self.strength = 1.0
        self.pipe_open = False
        self.control: Literal["works", "never_stops", "never_starts"] = "works"
        self.extra_loss_l_min = 0.0
        self.cut_in_kpa = p.cut_in_kpa
        self.cut_out_kpa = p.cut_out_kpa

        self.running = 0
        self.oxygen_pct = AIR_OXYGEN_PCT
        self.product_oxygen_pct = AIR_OXYGEN_PCT
        self.loss_l_min = self.production_l_min = 0.0
        self.produced_mol = self.lost_mol = self.trapped_mol = 0.0
        self.produced_oxygen_mol = self.lost_oxygen_mol = 0.0
        self.held_oxygen_pct = self.trapped_oxygen_pct = p.start_oxygen_pct
        self._volume_share = 1.0
        self._calling = False
        self._wanted_s = 0.0
        self._warm = 0.0
        self._settling = 0.0

        self._node_t = 0.0
        self._node_air_c, self._node_barometer_kpa = p.weather(0.0)
        self._air_slope = self._pressure_slope = 0.0
        self.room_temperature_c = self.lagged_c = self._node_air_c
        self.barometer_kpa = self._node_barometer_kpa
        self.gas_temperature_c = p.exposure * self.lagged_c + (1.0 - p.exposure) * p.steady_c
        middle = 0.5 * (p.cut_in_kpa + p.cut_out_kpa)
        self._reference_kpa = middle + ATMOSPHERE_KPA
        # Flows are given as they really are at the reference pressure, choked or not.
        self._choked_at_reference = opening(ATMOSPHERE_KPA, self._reference_kpa)
        self._feed_at_reference = opening(self._reference_kpa, p.feed_kpa + ATMOSPHERE_KPA)
        self.line_pressure_kpa = middle if p.start_kpa is None else p.start_kpa
        absolute = self.line_pressure_kpa + self.barometer_kpa
        self.moles = absolute * p.volume_l / (R * (self.gas_temperature_c + ZERO_C))
        self.systems = {
            s.name: System(s, self._node_air_c, self.barometer_kpa, self._reference_kpa)
            for s in p.systems
        }

    @property
    def loss_kpa_per_h(self) -> float:
        """The truth: how fast the loss alone would let the line's pressure fall, now."""
        kelvin = self.gas_temperature_c + ZERO_C
        volume = self.parameters.volume_l * self._volume_share
        return 3600.0 * self.loss_l_min * MOL_S_PER_L_MIN * R * kelvin / volume

    @property
    def oxygen_shown_pct(self) -> float:
        """What the oxygen sensor says before anybody has calibrated it."""
        return self.cell * (self.oxygen_pct if self.probe is None else self.probe)

    @property
    def volume_share(self) -> float:
        """How much of the volume the line's gauge still sees, 0 < share <= 1."""
        return self._volume_share

    @volume_share.setter
    def volume_share(self, share: float) -> None:
        """Valve off a part, with the gas in it, or open it again: its gas comes back."""
        if not 0.0 < share <= 1.0:
            raise ValueError(f"a share above 0 and not above 1, not {share}")
        before = self._volume_share
        if share < before:
            shut_in = self.moles * (1.0 - share / before)
            self.trapped_oxygen_pct = mixture(
                self.trapped_oxygen_pct, self.trapped_mol, self.held_oxygen_pct, shut_in
            )
        elif before < 1.0:
            shut_in = -self.trapped_mol * (share - before) / (1.0 - before)
            self.held_oxygen_pct = mixture(
                self.held_oxygen_pct, self.moles, self.trapped_oxygen_pct, -shut_in
            )
        else:
            return
        self.moles -= shut_in
        self.trapped_mol += shut_in
        self._volume_share = share

    def step(self, dt_s: float) -> None:
        """Advance by `dt_s` seconds, in parts of at most LONGEST_STEP_S."""
        if dt_s <= LONGEST_STEP_S:
            self._advance(dt_s)
        else:
            parts = math.ceil(dt_s / LONGEST_STEP_S)
            for _ in range(parts):
                self._advance(dt_s / parts)

    def _advance(self, dt_s: float) -> None:
        p = self.parameters
        t_s = self.t_s = self.t_s + dt_s

        # Weather: asked for once a minute of plant time, a straight line between.
        if t_s > self._node_t:
            self._next_weather(t_s)
        ahead = t_s - self._node_t
        air_c = self.room_temperature_c = self._node_air_c + self._air_slope * ahead
        barometer_kpa = self.barometer_kpa = self._node_barometer_kpa + self._pressure_slope * ahead

        running = self._decide(dt_s)
        absolute = self.line_pressure_kpa + barometer_kpa

        if running:
            self._settling += (p.settle_c - self._settling) * dt_s / (p.settle_s + dt_s)
            produced = self._produce(dt_s, absolute, air_c)
        else:
            self._settling -= self._settling * dt_s / (p.settle_s + dt_s)
            self._warm -= self._warm * dt_s / (p.cool_s + dt_s)
            self.oxygen_pct += (AIR_OXYGEN_PCT - self.oxygen_pct) * dt_s / (p.stale_s + dt_s)
            self.production_l_min = produced = 0.0

        # Loss goes with absolute pressure while choked.
        loss_l_min = p.loss_l_min + self.extra_loss_l_min
        for leak in p.leaks:
            loss_l_min += leak.at(t_s)
        if self.pipe_open:
            loss_l_min += p.pipe_open_l_min
        share = barometer_kpa / absolute
        if share <= CRITICAL_RATIO:
            passing = 1.0
        elif share < 1.0:
            passing = opening(barometer_kpa, absolute)
        else:
            passing = 0.0
        loss_l_min *= absolute / self._reference_kpa * passing / self._choked_at_reference
        self.loss_l_min = loss_l_min
        lost = loss_l_min * MOL_S_PER_L_MIN * dt_s
        # Second order, as the loss falls with the pressure within the step.
        lost *= 1.0 - 0.5 * lost / self.moles
        if lost > self.moles * (1.0 - share):
            lost = max(0.0, self.moles * (1.0 - share))

        if produced:
            self.held_oxygen_pct = mixture(
                self.held_oxygen_pct, self.moles, self.product_oxygen_pct, produced
            )
            self.produced_oxygen_mol += produced * self.product_oxygen_pct / 100.0
        inside_pct = self.held_oxygen_pct
        self.moles += produced - lost
        self.produced_mol += produced
        self.lost_mol += lost
        self.lost_oxygen_mol += lost * inside_pct / 100.0
        for system in self.systems.values():
            taken, leaked = system.step(dt_s, t_s, air_c, barometer_kpa, absolute, inside_pct)
            self.moles -= taken
            self.lost_mol += leaked
            self.lost_oxygen_mol += leaked * system.oxygen_pct / 100.0

        self.lagged_c += (air_c - self.lagged_c) * dt_s / (p.lag_h * 3600.0 + dt_s)
        self.gas_temperature_c = gas_c = (
            p.exposure * self.lagged_c + (1.0 - p.exposure) * p.steady_c + self._settling
        )
        self.line_pressure_kpa = (
            self.moles * R * (gas_c + ZERO_C) / (p.volume_l * self._volume_share) - barometer_kpa
        )

    def _next_weather(self, t_s: float) -> None:
        node = t_s + WEATHER_EVERY_S
        air_c, barometer_kpa = self.parameters.weather(node)
        span = node - self._node_t
        self._air_slope = (air_c - self._node_air_c) / span
        self._pressure_slope = (barometer_kpa - self._node_barometer_kpa) / span
        self._node_t, self._node_air_c, self._node_barometer_kpa = node, air_c, barometer_kpa

    def _decide(self, dt_s: float) -> int:
        """The pressure control and what may keep the compressor from following it."""
        p = self.parameters
        if p.cut_in_drift_kpa_per_day or p.cut_out_drift_kpa_per_day:
            self.cut_in_kpa += p.cut_in_drift_kpa_per_day * dt_s / 86400.0
            self.cut_out_kpa += p.cut_out_drift_kpa_per_day * dt_s / 86400.0
        pressure = self.line_pressure_kpa
        if self._calling:
            if pressure >= self.cut_out_kpa and self.control != "never_stops":
                self._calling = False
                self._wanted_s = 0.0
        elif pressure <= self.cut_in_kpa and self.control != "never_starts":
            self._wanted_s += dt_s
            if self._wanted_s >= p.start_delay_s:
                self._calling = True
        else:
            self._wanted_s = 0.0
        if self._calling and self.control == "never_starts":
            self._calling = False
        self.running = 1 if self._calling and self.power and not self.overload else 0
        return self.running

    def _produce(self, dt_s: float, absolute: float, air_c: float) -> float:
        """Moles into the line in this step; sets production and oxygen."""
        p = self.parameters
        warmer = air_c - 20.0
        feed = p.feed_kpa + ATMOSPHERE_KPA
        through = opening(absolute, feed) / self._feed_at_reference
        flow = p.production_l_min * self.strength * through * (1.0 + p.production_per_c * warmer)
        self._warm += (1.0 - self._warm) * dt_s / (p.warm_s + dt_s)
        if self.bypass:
            flow *= p.bypass_flow
            oxygen = AIR_OXYGEN_PCT
        else:
            flow *= self.needle
            # Less feed pressure costs separation as well as flow, so purity falls with strength.
            capacity = p.flow_at_2_pct_l_min * self.strength**1.5
            capacity *= 1.0 + p.capacity_per_c * warmer
            oxygen = oxygen_at_flow_pct(flow / capacity) + p.dip_pct * (1.0 - self._warm)
            oxygen = min(oxygen, AIR_OXYGEN_PCT)
        self.product_oxygen_pct = oxygen
        self.production_l_min = flow
        self.oxygen_pct += (oxygen - self.oxygen_pct) * dt_s / (p.sample_s + dt_s)
        return flow * MOL_S_PER_L_MIN * dt_s
