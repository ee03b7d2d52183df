"""One sprinkler system behind its air maintenance device, as it stands and a step later."""

from typing import Literal

from edge.plant.parameters import SystemParameters
from edge.plant.physics import ATMOSPHERE_KPA, MOL_S_PER_L_MIN, ZERO_C, R, mixture, opening


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
