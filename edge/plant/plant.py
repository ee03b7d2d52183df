"""The supply itself: control, compressor, membrane and line, with its systems, step by step."""

import math
from typing import Literal

from edge.plant.parameters import PlantParameters
from edge.plant.physics import (
    AIR_OXYGEN_PCT,
    ATMOSPHERE_KPA,
    CRITICAL_RATIO,
    MOL_S_PER_L_MIN,
    ZERO_C,
    R,
    mixture,
    opening,
    oxygen_at_flow_pct,
)
from edge.plant.system import System
from edge.plant.weather import Felt

LONGEST_STEP_S = 10.0


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
        "_calling",
        "_choked_at_reference",
        "_feed_at_reference",
        "_reference_kpa",
        "_settling",
        "_volume_share",
        "_wanted_s",
        "_warm",
        "_weather",
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

        self._weather = Felt(p.weather)
        self.room_temperature_c, self.barometer_kpa = self._weather.at(0.0)
        self.lagged_c = self.room_temperature_c
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
            s.name: System(s, self.lagged_c, self.barometer_kpa, self._reference_kpa)
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

        air_c, barometer_kpa = self._weather.at(t_s)
        self.room_temperature_c, self.barometer_kpa = air_c, barometer_kpa
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
