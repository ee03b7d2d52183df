"""The sensors of one site: opened from its settings, looked at together, closed together."""

import contextlib
import importlib
import time
import traceback
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any, TypeVar, cast

from edge.errors import SensorError
from edge.model import Reading, Status
from edge.ports import Sensor
from edge.sensors import KINDS
from edge.settings import Settings

T = TypeVar("T")


class Bench:
    """What the sensors of one site stand on: time, the wires, and whatever they share.

    Everything has the real thing as its default; tests and the demo bring their own. `open_bus`
    returns an `edge.sensors.i2c.Bus`, `open_pins` a gpiozero pin factory; None means the Pi's.
    """

    def __init__(
        self,
        *,
        steady: Callable[[], float] = time.monotonic,
        utc: Callable[[], float] = time.time,
        sleep: Callable[[float], None] = time.sleep,
        open_bus: Callable[[], Any] | None = None,
        open_pins: Callable[[], Any] | None = None,
        w1_folder: Path = Path("/sys/bus/w1/devices"),
    ) -> None:
        self.steady = steady
        self.utc = utc
        self.sleep = sleep
        self.open_bus = open_bus
        self.open_pins = open_pins
        self.w1_folder = w1_folder
        self._shared: dict[str, Any] = {}

    def shared(self, key: str, make: Callable[[], T]) -> T:
        """What several channels use together (a bus, a pin factory, a simulated plant).

        Made by the first that asks, kept for the others, closed with the bench if it can be.
        What `make` raises is passed on, and the next to ask tries again.
        """
        if key not in self._shared:
            self._shared[key] = make()
        return cast(T, self._shared[key])

    def close(self) -> None:
        """Close what was shared. Close the sensors first. Closing again does nothing."""
        while self._shared:
            _, thing = self._shared.popitem()
            if hasattr(thing, "close"):
                thing.close()

    def __enter__(self) -> "Bench":
        return self

    def __exit__(self, *_: object) -> None:
        self.close()


def open_sensors(settings: Settings, bench: Bench) -> list[Sensor]:
    """One sensor for each configured channel, in the settings' order.

    Hardware that is absent or broken raises nothing here: it is a reason in every reading until
    it answers. SensorError only for software that is not installed.
    """
    sensors: list[Sensor] = []
    with contextlib.ExitStack() as opened:
        for channel in settings.channel:
            kind = KINDS[channel.kind]
            try:
                module = importlib.import_module(kind.module)
            except ModuleNotFoundError as error:
                raise SensorError(
                    f"{channel.name}: the input {channel.input} needs the Python package"
                    f" {error.name}, which is not installed (install dryhold with its extra, pi)"
                ) from error
            sensor: Sensor = module.open_sensor(channel, settings, bench)
            opened.callback(sensor.close)
            sensors.append(sensor)
        opened.pop_all()
    return sensors


def look(sensors: Sequence[Sensor]) -> list[Reading]:
    """One reading for each sensor, in their order, whatever happens.

    Voltages are read first, since a ratiometric transducer needs its supply's (the settings
    allow only a voltage channel as a supply, and no ratio in a voltage channel). A fault in the
    program takes its own channel out and says where it is; the others are still watched.
    """
    so_far: dict[str, Reading] = {}
    for sensor in sorted(sensors, key=lambda s: s.quantity != "voltage"):
        try:
            so_far[sensor.channel] = sensor.read(so_far)
        except MemoryError:
            raise  # of the whole process, which is started again
        except Exception as error:
            # Not quiet: the reason goes through channel_failed to everyone who is told.
            where = traceback.extract_tb(error.__traceback__)[-1]
            why = (
                f"fault in the program: {type(error).__name__}: {error}"
                f" ({Path(where.filename).name}, line {where.lineno})"
            )
            so_far[sensor.channel] = Reading(
                sensor.channel, sensor.quantity, None, Status.FAILURE, why
            )
    return [so_far[sensor.channel] for sensor in sensors]
