"""Made-up weather, and how the plant feels any weather between the moments it asks for it."""

import math
import random
from collections.abc import Callable

from edge.plant.physics import ATMOSPHERE_KPA

WEATHER_EVERY_S = 60.0


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


class Felt:
    """Weather asked for once a minute of plant time, a straight line between."""

    __slots__ = ("_air_c", "_air_slope", "_barometer_kpa", "_pressure_slope", "_t", "_weather")

    def __init__(self, weather: Callable[[float], tuple[float, float]]) -> None:
        self._weather = weather
        self._t = 0.0
        self._air_c, self._barometer_kpa = weather(0.0)
        self._air_slope = self._pressure_slope = 0.0

    def at(self, t_s: float) -> tuple[float, float]:
        """Air temperature (°C) and barometer (kPa) at a second that is never before the last."""
        if t_s > self._t:
            self._ask(t_s + WEATHER_EVERY_S)
        ahead = t_s - self._t
        return self._air_c + self._air_slope * ahead, (
            self._barometer_kpa + self._pressure_slope * ahead
        )

    def _ask(self, node_s: float) -> None:
        air_c, barometer_kpa = self._weather(node_s)
        span = node_s - self._t
        self._air_slope = (air_c - self._air_c) / span
        self._pressure_slope = (barometer_kpa - self._barometer_kpa) / span
        self._t, self._air_c, self._barometer_kpa = node_s, air_c, barometer_kpa
