"""A whole monitor in one process: the real daemon with its real converter driver on an imitated bus, a
receiver, and a clock, each of which can be made to fail."""

import json
from collections.abc import Mapping
from contextlib import ExitStack
from pathlib import Path
from typing import Any

from edge.settings import Settings, check
from edge.store.read import Reader
from edge.wiring import daemon
from tests.faults import receiver
from tests.faults.bus import FaultyBus
from tests.faults.clock import FaultyClock

T0 = 1_764_072_000.0
EVERY_S = 10.0
PRESSURE, OXYGEN, ROOM = 0, 1, 2  # pins
USUAL = {PRESSURE: 2.3, OXYGEN: 0.16, ROOM: 1.2}  # volts: 45 psi, 2 % oxygen, 20 °C
LOW_V = 1.5  # 25 psi, under the low limit

RAW: dict[str, Any] = {
    "site": {"name": "Saltmarsh Lane depot", "id": "saltmarsh-lane"},
    "supply": {
        "pressure": "line_pressure", "oxygen": "oxygen", "running": "running",
        "temperature": "room", "cut_in": "38 psi", "cut_out": "52 psi",
    },
    "channel": [
        {"name": "line_pressure", "quantity": "pressure", "unit": "psi", "input": "ads1115:0x48/0",
         "reads": {"volts": [0.5, 4.5], "as": [0, 100]}},
        {"name": "oxygen", "quantity": "oxygen", "unit": "%", "input": "ads1115:0x48/1",
         "reads": {"volts": [0.0, 2.0], "as": [0, 25]}},
        {"name": "room", "quantity": "temperature", "unit": "°C", "input": "ads1115:0x48/2",
         "reads": {"volts": [0.0, 2.0], "as": [-40, 60]}},
        {"name": "running", "quantity": "running", "input": "gpio:17"},
    ],
    "keeping": {"every": f"{EVERY_S:g} s", "write_every": "60 s"},
}  # fmt: skip


class Monitor:
    """Started, stopped, killed and ticked by the test."""

    def __init__(self, folder: Path, wall: float | None = None) -> None:
        from gpiozero.pins.mock import MockFactory

        self.state, self.runtime = folder / "state", folder / "runtime"
        self.settings: Settings = check(RAW)
        self.clock = FaultyClock(T0, wall)
        self.bus = FaultyBus(self.clock, *(USUAL[pin] for pin in sorted(USUAL)), 0.0)
        self.pins: Any = MockFactory()
        self.pins.pin(17).drive_high()
        self.troubles: dict[str, str] = {}
        self._opened: ExitStack | None = None
        receiver.put_in_place()

    def start(self) -> None:
        self._opened = ExitStack()

        def pins() -> Any:
            if self.pins is None:
                raise OSError("/dev/gpiochip0: no such device")
            return self.pins

        def clock(last: float | None) -> FaultyClock:
            self.clock.wait_until(0.0 if last is None else last + 1.0)
            return self.clock

        self.daemon = self._opened.enter_context(
            daemon(
                self.settings,
                self.state,
                self.runtime,
                clock,
                lambda _: self.bus.bench(open_pins=pins),
                troubles=self.troubles,
                elapsed=self.clock.steady,
            )
        )

    def stop(self) -> None:
        self.daemon.stop()
        self.kill()

    def kill(self) -> None:
        """What was only in memory is gone."""
        if self._opened is not None:
            self._opened.close()
            self._opened = None

    def tick(self, seconds: float = EVERY_S) -> None:
        end = self.clock.steady() + seconds
        due = self.clock.steady()
        while due < end:
            self.daemon.tick()
            due += EVERY_S
            self.clock.wait_until(due)

    def volts(self, pin: int, volts: float) -> None:
        self.bus.chip.volts[pin] = volts

    # --- what is known of it outside

    def told(self, kind: str | None = None, **numbers: object) -> list[dict[str, Any]]:
        """What the receiver got, of that kind and with these numbers."""
        return [
            event
            for event in receiver.got
            if kind in (None, event["kind"])
            and all(event.get(name) == value for name, value in numbers.items())
        ]

    def alerts(self) -> set[str]:
        """The alerts that the receiver knows to stand: name or name/subject."""
        standing: set[str] = set()
        for event in self.told():
            name = "/".join(filter(None, (event.get("alert"), event.get("subject"))))
            if event["kind"] == "alert_raised":
                standing.add(name)
            elif event["kind"] == "alert_cleared":
                standing.discard(name)
        return standing

    def shown(self) -> Mapping[str, Any]:
        """The newest that the page reads."""
        found: Mapping[str, Any] = json.loads((self.runtime / "latest.json").read_bytes())
        return found

    def kept(self) -> list[dict[str, Any]]:
        with Reader(self.state) as reader:
            return list(reversed(reader.events(100_000)))

    def seconds(self) -> list[float]:
        """The steady seconds that readings are kept of, from the first start."""
        with Reader(self.state) as reader:
            return [round(tick.t - T0) for tick in reader.readings(["line_pressure"])]
