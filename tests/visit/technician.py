"""A technician on the simulated plant, driven without a process: hands on the valves, and requests
to the judge, tick by tick. The oxygen sensor goes through its correction as in the daemon."""

import tomllib
from collections.abc import Callable, Mapping
from importlib.resources import files
from typing import Any

from edge.core.calibration import Correction
from edge.demo.hands import move
from edge.judge import Judge
from edge.model import Event, Request, Tick, on_grid
from edge.sensors.bench import Bench, look, open_sensors
from edge.sensors.simulated import Stand
from edge.settings import Settings, check

EPOCH = 1.79e9
SYSTEM = "Freezer aisles 1-6"
FILL = f"fill {SYSTEM}"


def depot() -> Settings:
    """The demo's site, its channels on the visit's story."""
    text = files("edge").joinpath("saltmarsh.toml").read_text(encoding="utf-8")
    return check(tomllib.loads(text.replace('"simulated"', '"simulated:visit"')))


class Technician:
    """Two seconds a tick; `hands` as in edge.demo.hands."""

    def __init__(self, step_s: float = 2.0) -> None:
        self.settings = depot()
        self.t, self.step_s = 0.0, step_s
        bench = Bench(steady=lambda: self.t, utc=lambda: EPOCH + self.t)
        self.plant = bench.shared(
            "simulated:visit", lambda: Stand("visit", self.settings, bench)
        ).plant
        self._sensors = open_sensors(self.settings, bench)
        self.judge = Judge(self.settings)
        self.events: list[Event] = []
        self.hands: dict[str, str] = {"device": "shut"}
        self._corrections: dict[str, Correction] = {}
        self._asked = 0

    def restart(self) -> None:
        """What a daemon does: the state as kept, and the calibrations from the database."""
        state = self.judge.state()
        self.judge = Judge(self.settings, state)
        for event in self.events:
            if event.kind == "calibrated":
                self.judge.cells.hear(event.as_json())

    def tick(self, *requests: Request) -> list[Event]:
        self.t += self.step_s
        readings = look(self._sensors)
        values = [
            None
            if r.value is None
            else on_grid(self._corrections.get(r.channel, Correction()).shown(r.value))
            for r in readings
        ]
        events = self.judge.look(Tick(self.t, EPOCH, tuple(values), {}, requests))
        for event in events:
            if event.kind == "calibrated":
                n = event.numbers
                self._corrections[n["channel"]] = Correction(n["gain"], n["offset"])
        self.events += events
        return events

    def put(self, **hands: str) -> None:
        self.hands |= hands
        move(self.plant, self.hands)

    def wait(self, seconds: float) -> None:
        end = self.t + seconds
        while self.t < end:
            self.tick()

    def until(self, what: Callable[[], Any], within_s: float = 4 * 3600.0) -> None:
        end = self.t + within_s
        while not what():
            assert self.t < end, "it never came"
            self.tick()

    def ask(self, kind: str, **what: Any) -> list[Event]:
        self._asked += 1
        return self.tick(Request(self._asked, kind, "T. Quill", what))

    def answer(self, step: str, values: Mapping[str, Any] | None = None, **more: Any) -> list[str]:
        """The names of what the step found."""
        self.ask("visit_answer", step=step, values=dict(values or {}), **more)
        assert self.judge.visit.refused is None, self.judge.visit.refused
        return [f["name"] for f in self.judge.visit.answers.get(step, {}).get("findings", [])]

    # --- the visit, step by step

    def cycle(self) -> None:
        """The line bled to a start, and run to its cut-out."""
        seen = self.judge.visit.watch
        self.put(drain="cracked")
        self.until(lambda: self.plant.running)
        self.put(drain="closed")
        self.until(lambda: seen.turns and seen.turns[-1]["kind"] == "cut_in")
        self.until(lambda: not self.plant.running)
        self.wait(20.0)

    def warm(self, seconds: float = 1500.0) -> None:
        """Keep the generator running by bleeding the line whenever it nears cut-out."""
        end = self.t + seconds
        while self.t < end:
            kpa = self.plant.line_pressure_kpa
            if kpa > 345.0 or not self.plant.running:
                self.put(drain="cracked")
            elif kpa < 290.0:
                self.put(drain="closed")
            self.tick()
        self.put(drain="closed")

    def fill(self, *, turned: bool = True) -> list[str]:
        """In bypass, and with nitrogen for the last psi unless the valve is forgotten."""
        self.put(bypass="bypass", device="open")
        self.answer(FILL, {"normal_kpa": 206.8}, phase="begin")
        stage = self.judge.visit.watch.fills[SYSTEM]
        self.until(lambda: stage["stage"] != "air")
        if turned:
            self.put(bypass="nitrogen", device="works")
        self.wait(300.0)
        self.put(device="works")
        self.until(lambda: stage["normal_s"] is not None)
        self.warm(900.0)
        return self.answer(FILL, {"normal_kpa": 206.8})
