"""Hold tests on a simulated section under a real year of weather. Shares no code and no constant
with edge: what is true here is known without it.

Gas in a pipe: p V = n R T. Part of it follows the outdoor air with a lag, the rest stays as it is;
after a run or a valve's move it settles by a few kelvin within minutes; a choked leak goes with the
absolute pressure. The gauge reads against the weather's own barometer, with 0.02 psi of noise.

Weather: hourly, station 723170 (Greensboro, North Carolina) of TMY3, National Renewable Energy
Laboratory, public domain; it lies in the wheel of pvlib.
"""

import csv
import importlib.util
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

PSI = 6.894757
NOISE_KPA = 0.02 * PSI
Array = np.ndarray[Any, np.dtype[np.float64]]


HERE, ALASKA = "723170TYA.CSV", "703165TY.csv"
"""Greensboro; and Sand Point, which nothing in edge was worked out from (its barometer is constant)."""


def year(station: str = HERE) -> tuple[Array, Array]:
    """Air temperature (°C) and barometer (kPa) of every hour."""
    spec = importlib.util.find_spec("pvlib")
    assert spec is not None
    assert spec.origin is not None
    path = Path(spec.origin).parent / "data" / station
    with path.open(newline="") as file:
        rows = list(csv.reader(file))
    head = rows[1]
    air, barometer = head.index("Dry-bulb (C)"), head.index("Pressure (mbar)")
    table = np.array([[float(row[air]), float(row[barometer]) / 10.0] for row in rows[2:]])
    return table[:, 0], table[:, 1]


@dataclass(frozen=True)
class Section:
    """A section and the hour of the year at which its story begins."""

    volume_gal: float
    exposure: float
    lag_h: float
    steady_c: float
    settles_k: float
    settles_s: float
    start_h: int

    @classmethod
    def any(cls, rng: np.random.Generator, days: float) -> "Section":
        """One of the volumes, pipes and days of the year that there are."""
        return cls(
            volume_gal=float(np.exp(rng.uniform(np.log(5.0), np.log(2000.0)))),
            exposure=float(rng.uniform(0.3, 1.0)),
            lag_h=float(np.exp(rng.uniform(np.log(0.1), np.log(2.0)))),
            steady_c=float(rng.uniform(5.0, 22.0)),
            settles_k=float(rng.uniform(0.0, 3.0)),
            settles_s=float(rng.uniform(60.0, 300.0)),
            start_h=int(rng.integers(0, 8760 - int(24 * days) - 2)),
        )


class Story:
    """A section's weather from its first hour on, and tests in it."""

    def __init__(
        self, section: Section, weather: tuple[Array, Array], days: float, step_s: float
    ) -> None:
        self.section, self.step_s = section, step_s
        self.t = np.arange(int(days * 86400.0 / step_s) + 1) * step_s
        hours = np.arange(int(24 * days) + 2)
        air, barometer = weather
        rows = section.start_h + hours
        self.air_c = np.interp(self.t / 3600.0, hours, air[rows])
        self.barometer_kpa = np.interp(self.t / 3600.0, hours, barometer[rows])
        follow = 1.0 - np.exp(-step_s / 3600.0 / section.lag_h)
        lagged = np.empty_like(self.air_c)
        x = float(self.air_c[0])
        for i, c in enumerate(self.air_c.tolist()):
            x += (c - x) * follow
            lagged[i] = x
        self.gas_k = section.exposure * lagged + (1 - section.exposure) * section.steady_c + 273.15

    def hold(
        self,
        rng: np.random.Generator,
        at_s: float,
        duration_s: float,
        loss_kpa_per_h: float,
        undisturbed_s: float,
        start_kpa: float,
    ) -> "Held":
        """Gauge readings of a stretch that begins `undisturbed_s` after a run or a valve's move.

        `loss_kpa_per_h` is the loss at the start; it falls with the pressure.
        """
        first = round(at_s / self.step_s)
        part = slice(first, first + int(duration_s / self.step_s) + 1)
        past = self.t[part] - self.t[first]
        settling = self.section.settles_k * np.exp(-(past + undisturbed_s) / self.section.settles_s)
        kelvin = self.gas_k[part] + settling
        start_absolute = start_kpa + self.barometer_kpa[first]
        share_left = np.exp(-loss_kpa_per_h / start_absolute * past / 3600.0)
        gauge = start_absolute * share_left * kelvin / kelvin[0] - self.barometer_kpa[part]
        gauge = gauge + rng.normal(0.0, NOISE_KPA, len(past))
        settled = self.gas_k[part] / kelvin[0]
        truth = np.cumsum(loss_kpa_per_h * share_left * settled) / np.arange(1, len(past) + 1)
        return Held(past, gauge, self.air_c[part], self.barometer_kpa[part], truth)


@dataclass(frozen=True)
class Held:
    """Seconds from the start, gauge kPa, air °C, barometer kPa, and the true mean loss up to each
    second at constant temperature and barometer, kPa/h."""

    past_s: Array
    gauge_kpa: Array
    air_c: Array
    barometer_kpa: Array
    truth_kpa_per_h: Array
