"""Inputs of a simulated plant (edge.plant), for the demo and for trying settings on a desk.

`simulated` or `simulated:STORY`: channels with the same story look at one plant, which is built
from the settings and stepped by the bench's clock, however fast that runs. What a channel reads
follows from its quantity and from where the settings use it. Seeded noise of about what such an
instrument shows is added here; its size is common practice, no source.
"""

import random
import zlib
from collections.abc import Callable, Mapping
from datetime import datetime

from edge.errors import SensorError
from edge.model import Reading, Status, on_grid
from edge.plant.parameters import PlantParameters, SystemParameters
from edge.plant.plant import Plant
from edge.plant.weather import SyntheticWeather
from edge.sensors.bench import Bench
from edge.settings import Channel, Settings
from edge.story import STORIES

NOISE: Mapping[str, float] = {
    "pressure": 0.07,  # kPa, 0.01 psi
    "barometer": 0.01,
    "oxygen": 0.02,
    "temperature": 0.05,
    "running": 0.0,
}
"""Standard deviation of one reading, in the quantity's unit."""

NO_SENSOR = "simulated: no sensor is read"
"""Why the status is that of an output which is not the process's (NAMUR NE 107)."""

DUTY = 0.17
"""Share of the time that the simulated generator runs when all is well."""


class Stand:
    """One plant, and where its time stands."""

    def __init__(self, story: str, settings: Settings, bench: Bench) -> None:
        self.plant = Plant(_parameters(settings, bench))
        self._story = STORIES[story](self.plant)
        next(self._story)  # what a story begins with was so before anybody looked
        self._steady = bench.steady
        self._at: float | None = None
        self._read: set[str] = set()

    def seen_by(self, channel: str) -> Plant:
        """The plant as `channel` finds it.

        Time moves on when a channel looks again, so that all channels of a tick see one moment.
        """
        if channel in self._read or self._at is None:
            now = self._steady()
            if self._at is not None and now > self._at:
                self.plant.step(now - self._at)
                next(self._story)
            self._at = now
            self._read.clear()
        self._read.add(channel)
        return self.plant


class Simulated:
    """One channel's look at the plant."""

    def __init__(
        self, channel: Channel, stand: Stand, source: Callable[[Plant], float] | None
    ) -> None:
        self.channel = channel.name
        self.quantity = channel.quantity
        self._stand = stand
        self._source = source
        self._noise = NOISE.get(channel.quantity, 0.0)
        self._random = random.Random(zlib.crc32(channel.name.encode()))

    def read(self, so_far: Mapping[str, Reading]) -> Reading:
        plant = self._stand.seen_by(self.channel)
        if self._source is None:
            why = f"the simulated plant has no {self.quantity} that the settings use as this"
            return Reading(self.channel, self.quantity, None, Status.FAILURE, why)
        value = self._source(plant)
        if self._noise:
            value += self._random.gauss(0.0, self._noise)
            if self.quantity == "oxygen":
                value = max(value, 0.0)
        return Reading(
            self.channel, self.quantity, on_grid(value), Status.FUNCTION_CHECK, NO_SENSOR
        )

    def close(self) -> None:
        """Nothing is held."""


def open_sensor(channel: Channel, settings: Settings, bench: Bench) -> Simulated:
    """A sensor for one channel; SensorError for a story that nobody wrote."""
    story = channel.address
    if story not in STORIES:
        names = ", ".join(f"simulated:{name}" if name else "simulated" for name in STORIES)
        raise SensorError(f"{channel.name}: expected one of {names}, found {channel.input}")
    stand = bench.shared(f"simulated:{story}", lambda: Stand(story, settings, bench))
    return Simulated(channel, stand, _source(channel, settings))


def _source(channel: Channel, settings: Settings) -> Callable[[Plant], float] | None:
    name, supply = channel.name, settings.supply
    if channel.quantity == "oxygen":
        return lambda plant: plant.oxygen_shown_pct
    if channel.quantity == "running":
        return lambda plant: float(plant.running)
    if channel.quantity == "barometer":
        return lambda plant: plant.barometer_kpa
    if name == supply.pressure:
        return lambda plant: plant.line_pressure_kpa
    if name == supply.temperature:
        return lambda plant: plant.room_temperature_c
    for system in settings.system:
        of = system.name
        if name == system.pressure:
            return lambda plant: plant.systems[of].pressure_kpa
        if name == system.temperature:
            return lambda plant: plant.systems[of].temperature_c
    return None


def _parameters(settings: Settings, bench: Bench) -> PlantParameters:
    """A plant that fits the site: its volumes, set points and production."""
    supply, usual = settings.supply, PlantParameters()
    production = supply.production_l_min or usual.production_l_min
    local = datetime.fromtimestamp(bench.utc(), settings.site.zone)
    systems = [
        SystemParameters(
            s.name,
            volume_l=s.volume_l or SystemParameters.volume_l,
            regulated_kpa=s.regulated_kpa or 0.75 * supply.cut_in_kpa,
            loss_l_min=0.02 * production,
            device_l_min=2.0 * production,
            bypass_l_min=20.0 * production,
        )
        for s in settings.system
    ]
    return PlantParameters(
        volume_l=supply.volume_l or usual.volume_l,
        cut_in_kpa=supply.cut_in_kpa,
        cut_out_kpa=supply.cut_out_kpa,
        start_delay_s=supply.start_delay_s,
        # Not far above cut-in, so that a watcher soon sees a run.
        start_kpa=supply.cut_in_kpa + 0.05 * (supply.cut_out_kpa - supply.cut_in_kpa),
        production_l_min=production,
        flow_at_2_pct_l_min=1.22 * production,
        loss_l_min=production * (DUTY - 0.02 * len(systems)),
        weather=SyntheticWeather(
            barometer_kpa=settings.site.atmosphere_kpa, start_h=local.hour + local.minute / 60.0
        ),
        systems=systems,
    )
