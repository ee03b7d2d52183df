"""Ticks in, facts out: the one judgement, the same live and replayed."""

from collections.abc import Collection, Iterator
from importlib import import_module
from math import isfinite
from typing import Any

from edge.alarms import Desk
from edge.core.kept import Kept
from edge.detect import KINDS
from edge.detect.base import Detector, Now
from edge.hold.sections import Tests
from edge.measure.baseline import Baseline, at_reference
from edge.measure.cells import Cells
from edge.measure.channels import Channels
from edge.measure.gas import BYPASS, RESTART, Gas
from edge.measure.supply import Supply
from edge.measure.system import System
from edge.measure.trend import Trend
from edge.model import SUPPLY, Event, Request, Tick, iso
from edge.picture import draw
from edge.record import Figure, marked
from edge.settings import Settings
from edge.visit.course import Visit
from edge.words import Words
from edge.work import Work

VERSION = 1
"""Of the state; one of another version is judged afresh."""


def detectors(settings: Settings) -> Iterator[Detector]:
    """Every registered detector, at every place of this site that it can judge."""
    for path in KINDS.values():
        module, _, name = path.partition(":")
        yield from getattr(import_module(module), name).over(settings)


class Judge(Kept):
    """Judges one site. Pure: time, readings and requests come with each tick."""

    KEPT = (
        "supply",
        "systems",
        "channels",
        "baseline",
        "trend",
        "desk",
        "tests",
        "gas",
        "visit",
        "work",
    )

    def __init__(
        self,
        settings: Settings,
        state: dict[str, Any] | None = None,
        absent: Collection[str] = (),
        simulated: Collection[str] = (),
    ) -> None:
        """`state` is what `state()` gave; `absent` names channels that a recording lacks,
        `simulated` those that read no sensor: then picture, alerts and records say so.

        Raises ValueError or KeyError for a state of another version or make.
        """
        self.settings = settings = settings.without(absent)
        words = Words(settings)
        self.supply = Supply(settings, words)
        self.systems = {s.name: System(s) for s in settings.system}
        self.channels = Channels(settings, absent)
        self.baseline = Baseline()
        self.trend = Trend()
        self.tests = Tests(settings, words)
        self.gas = Gas(settings, words)
        self.cells = Cells()
        self.visit = Visit(settings, words, self.cells)
        self.work = Work(settings)
        self.desk = Desk(detectors(settings))
        self.values: tuple[float | None, ...] = ()
        self._now = Now(
            settings,
            words,
            self.supply,
            self.systems,
            self.channels,
            self.baseline,
            self.trend,
            self.tests,
            self.gas,
            self.visit,
            self.work,
            cells=self.cells,
            simulated=tuple(simulated),
        )
        place = settings.place
        given = settings.supply
        self._places = (
            place(given.pressure),
            place(given.running),
            place(given.oxygen),
            place(given.temperature),
            place(settings.site.barometer),
        )
        self._system_places = [(self.systems[s.name], place(s.pressure)) for s in settings.system]
        if state is not None:
            if state.get("version") != VERSION:
                raise ValueError(f"a state of version {VERSION}, found {state.get('version')}")
            self.restore(state)

    def state(self) -> dict[str, Any]:
        return {"version": VERSION, **super().state()}

    def restore(self, state: dict[str, Any]) -> None:
        for name, system in self.systems.items():
            if name in state.get("systems", {}):
                system.restore(state["systems"][name])
        for name in self.KEPT:
            if name != "systems" and name in state:
                getattr(self, name).restore(state[name])

    def look(self, tick: Tick) -> list[Event]:
        """The facts that one tick made known, in order."""
        t = tick.t
        values = (*tick.values, None)
        pressure, running, oxygen, temperature, barometer = self._places
        supply, now = self.supply, self._now
        supply.offset_s = tick.offset_s
        facts = self.channels.look(tick, supply.stamp)
        facts += supply.look(
            t,
            values[-1 if pressure is None else pressure],
            values[-1 if running is None else running],
            values[-1 if oxygen is None else oxygen],
            values[-1 if temperature is None else temperature],
            values[-1 if barometer is None else barometer],
        )
        for system, place in self._system_places:
            system.look(t, values[-1 if place is None else place])
        for fact in facts:
            self.baseline.learn(fact, supply.purity.marks_pct)
            self.trend.learn(fact)
        now.kpa = supply.kpa if supply.t == t else None
        now.t, now.at, now.facts, now.values = t, supply.stamp(t), facts, values
        now.troubles = tick.troubles
        if tick.storage_free_pct is not None:
            now.storage_free_pct = tick.storage_free_pct
        self.work.look(t, supply.running is True)
        tests = self.tests.look(t, values, tick.faults, supply)
        self.visit.look(tick, values, supply, facts + tests)
        events = facts + tests + self.desk.look(now, supply.stamp)
        events += self.gas.look(t, values, supply, self.systems, events)
        for request in tick.requests:
            try:
                asked = self.tests.ask(request, t, values, tick.faults, supply)
                self.visit.hear(asked, supply)
                events += asked + self._visit(request, t)
                events += self._ask(request, t)
            except (ArithmeticError, AttributeError, LookupError, TypeError, ValueError):
                # A request that makes no sense asks for nothing, and must not end the watching:
                # it would be found again after each restart.
                continue
        for event in events:
            self.work.hear(event)
        if now.simulated:
            return [marked(event, now.simulated) for event in events]
        return events

    def _visit(self, request: Request, t: float) -> list[Event]:
        events, more = self.visit.ask(request, t, self.supply), list[Event]()
        for event in events:
            if event.kind == "calibrated":
                self.cells.hear(event.as_json())
                self.visit.watch.corrected_anew()
            if event.kind == "fill_begun" and event.section in self.gas.vessels:
                what = {"section": event.section, "why": BYPASS}
                more += self.gas.ask(request._replace(kind=RESTART, what=what), event.at)
            if event.kind == "record_made" and request.kind == "visit_sign":
                self._handed_over(event)
        return events + more

    def _handed_over(self, event: Event) -> None:
        """What the visit found is what later cycles are compared with; where it left nothing to
        compare with, it is learned anew."""
        self.baseline.forget()
        self.trend.forget()
        found = self.visit.handed_over
        if found is None:
            return
        loss, sd = at_reference(found)
        nitrogen = self.supply.purity.now_pct
        self.baseline.set(loss, sd, event.at, str(event.numbers["by"]), nitrogen)

    def _seen(self, t: float) -> list[Figure]:
        """What the channels show at this tick, for a record."""
        at, given = iso(self.supply.stamp(t)), self.settings
        shown = []
        gauges = [(SUPPLY, given.supply.pressure), *((s.name, s.pressure) for s in given.system)]
        for name, channel in gauges:
            place = given.place(channel)
            kpa = None if place is None else self._now.values[place]
            source = f"channel {channel}"
            text = "" if kpa is not None else "not read"
            shown.append(Figure(f"pressure, {name}", kpa, "pressure", text, at, source))
        oxygen = given.place(given.supply.oxygen)
        if oxygen is not None:
            pct = self._now.values[oxygen]
            source, text = f"channel {given.supply.oxygen}", "" if pct is not None else "not read"
            shown.append(Figure("oxygen", pct, "fraction", text, at, source))
        return shown

    def _ask(self, request: Request, t: float) -> list[Event]:
        at = self.supply.stamp(t)
        if request.kind == "work_done":
            return self.work.ask(request, t, at, self._seen(t))
        if request.kind == "baseline_learn":
            self.baseline.forget()
        elif request.kind == "baseline_set":
            loss = float(request.what["loss_kpa_per_h"])
            sd = float(request.what.get("sd", 0.05 * loss))
            if not (isfinite(loss) and isfinite(sd)):
                raise ValueError("loss_kpa_per_h: expected a number")
            self.baseline.set(loss, sd, at, request.by)
        elif request.kind == RESTART:
            return self.gas.ask(request, at)
        return self.desk.ask(request, t, at)

    def picture(self) -> dict[str, Any]:
        return draw(self._now, self.desk)
