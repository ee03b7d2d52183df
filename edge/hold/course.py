"""The course of a hold test: requested, waiting for cut-out, settling, holding, verdict. Pure.

One at a time in each section. Everything is kept, so that a test goes on after a restart.
"""

from collections.abc import Callable, Sequence
from typing import Any

from edge.core.kept import Kept
from edge.hold.account import finished, fit
from edge.hold.alarm import alarm_kpa_of, answered
from edge.hold.holding import Holding, Outcome, leaking, points
from edge.hold.offered import methods
from edge.hold.terms import Section, site, terms
from edge.measure.supply import Supply
from edge.measure.weather import Weather
from edge.methods import SUPPLY_LINE, Method
from edge.model import SUPPLY, Event, Request, iso
from edge.settings import Settings
from edge.words import Words

REQUESTED = "requested"
WAITING, SETTLING, HOLDING = "waiting for cut-out", "settling", "holding"
VERDICT, VOID = "verdict", "void"

SETTLE_S = 300.0
"""After a cut-out that was waited for, before the test's clock starts (common practice, no source)."""

NOT_MEASURED = (
    "raw_drop_kpa",
    "corrected_drop_kpa",
    "loss_kpa_per_h",
    "loss_low_kpa_per_h",
    "loss_high_kpa_per_h",
    "limit_kpa_per_h",
    "confidence",
)
"""What a test that ended before it began says nothing of, and says so."""


class Course(Kept):
    """The test of one section, or none."""

    KEPT = (
        "stage",
        "method",
        "by",
        "note",
        "checklist",
        "to_end",
        "told",
        "requested_t",
        "holding",
        "result",
        "result_t",
        "refused",
    )

    def __init__(self, section: str, settings: Settings, words: Words) -> None:
        self.section = section
        self._settings = settings
        self._words = words
        self._methods = methods(settings)
        self._patience_s = settings.limits.longest_run_s
        self.place = Section.of(section, settings)
        self.stage: str | None = None
        self.method: dict[str, Any] = {}
        self.by = ""
        self.note: str | None = None
        self.checklist: dict[str, Any] | None = None  # what was confirmed before the start, by whom
        self.to_end = False
        self.told: dict[str, Any] = {}  # alarm_kpa, device_proved: as a person said at the start
        self.requested_t = 0.0
        self.holding = Holding()
        self.result: dict[str, Any] | None = None  # the last finished event, as JSON
        self.result_t = 0.0
        self.refused: str | None = None  # why the last request was not followed

    @property
    def running(self) -> bool:
        return self.stage in (REQUESTED, WAITING, SETTLING, HOLDING)

    # --- asked

    def start(self, request: Request, t: float, at: float) -> list[Event]:
        """Begin as asked, or say in `refused` why not."""
        name = str(request.what.get("method") or SUPPLY_LINE)
        method = self._methods.get(name)
        alarm_kpa, wrong = alarm_kpa_of(request.what)
        self.refused = wrong or self._against(name, method, alarm_kpa)
        if self.refused is not None or method is None:
            return []
        self.stage, self.requested_t, self.method = REQUESTED, t, method.plain()
        self.by = request.by
        note = request.what.get("note")
        self.note = None if note is None else str(note)
        checklist = request.what.get("checklist")
        self.checklist = None if checklist is None else dict(checklist)
        self.to_end = bool(request.what.get("to_end", False))
        proved = request.what.get("device_proved") is True
        self.told = {"alarm_kpa": alarm_kpa, "device_proved": proved}
        place = "the supply" if self.section == SUPPLY else self.section
        text = f"{self.by} started a hold test ({method.name}) of {place}."
        numbers = {"method": method.name, **self.given()}
        return [Event(at, "hold_test_started", text, self.section, numbers)]

    def _against(self, name: str, method: Method | None, alarm_kpa: float | None) -> str | None:
        if self.running:
            return "a hold test of this section is under way"
        if method is None:
            return f"expected a method of {', '.join(self._methods)}, found {name}"
        if method.to_low_limit and self.place.floor_kpa is None and alarm_kpa is None:
            return f"{name} needs the alarm's set pressure, or low_pressure in the settings"
        return None

    def stop(self, t: float, stamp: Callable[[float], float]) -> list[Event]:
        """End it now: judged by what there is, or void if it had not begun to hold."""
        if not self.running:
            self.refused = "no hold test of this section is under way"
            return []
        self.refused = None
        if self.stage == HOLDING:
            return [self._end(self.holding.stop(t), stamp)]
        return [self._unstarted(t, "it was stopped before the pressure could be judged", stamp)]

    def answer(self, request: Request, t: float, stamp: Callable[[float], float]) -> list[Event]:
        """A person says whether the low-pressure alarm operated; that it did ends a test under way."""
        operated = request.what.get("operated")
        alarm_kpa, self.refused = alarm_kpa_of(request.what)
        if self.refused is not None:
            return []
        asks = bool(self.method.get("to_low_limit"))
        if not isinstance(operated, bool):
            self.refused = "operated: expected true or false"
        elif self.stage == HOLDING and asks:
            if operated:
                terms = self.holding.terms
                alarm_kpa = terms.get("alarm_kpa") if alarm_kpa is None else alarm_kpa
                self.holding.terms = {**terms, "alarm_kpa": alarm_kpa, "operated": True}
                return [self._end(self.holding.stop(t), stamp)]
            self.refused = (
                "the test is under way: that the alarm did not operate is said at its end"
            )
        elif self.running or self.result is None or not asks or self.result.get("void"):
            self.refused = "no hold test that asks for the low-pressure alarm is over"
        else:
            self.result, event = answered(
                self.result, self.method, operated, alarm_kpa, request.by, stamp(t), self._words
            )
            return [event]
        return []

    def put_back(self, request: Request, at: float) -> list[Event]:
        """A person says which valves are back as they were after the last test."""
        if self.running or self.result is None:
            self.refused = "no hold test of this section is over, so no valve is to be put back"
            return []
        self.refused = None
        valves = [str(valve) for valve in request.what.get("valves", [])]
        done = {"at": iso(at), "by": request.by, "valves": valves}
        self.result = {**self.result, "put_back": done}
        text = f"{request.by} has put every valve back: {'; '.join(valves) or 'none was moved'}."
        numbers = {"test_at": self.result["at"], "valves": valves, "by": request.by}
        return [Event(at, "valves_put_back", text, self.section, numbers)]

    def given(self) -> dict[str, Any]:
        """What the person who asked for it said."""
        given: dict[str, Any] = {"by": self.by, "note": self.note}
        return given if self.checklist is None else {**given, "checklist": self.checklist}

    # --- looked at

    def look(
        self,
        t: float,
        values: Sequence[float | None],
        why: str | None,
        supply: Supply,
        weather: Weather,
        stamp: Callable[[float], float],
    ) -> list[Event]:
        """One tick; `values` are pressure, run contact, temperature and barometer of the section,
        and the pressure of a system's line."""
        if not self.running:
            return []
        if self.stage != HOLDING:
            if not self._ready(t, supply):
                if t - self.requested_t > self._patience_s and self.stage == WAITING:
                    waited = self._words.duration(t - self.requested_t)
                    return [self._unstarted(t, f"no cut-out came within {waited}", stamp)]
                return []
            self._begin(t, supply, weather)
        kpa, contact, celsius, barometer_kpa, line_kpa = values
        outcome = self.holding.look(t, kpa, contact, celsius, barometer_kpa, why, line_kpa)
        return [] if outcome is None else [self._end(outcome, stamp)]

    def _ready(self, t: float, supply: Supply) -> bool:
        """Whether the test's clock may start; a system need not wait for the generator."""
        if self.section != SUPPLY:
            return True
        if supply.running:
            self.stage = WAITING
            return False
        if self.stage == REQUESTED:
            return True
        self.stage = SETTLING
        return supply.since_t is not None and t - supply.since_t >= SETTLE_S

    def _begin(self, t: float, supply: Supply, weather: Weather) -> None:
        told = {"to_end": self.to_end, **self.told}
        held_by = terms(self.place, self.method, told, self._settings, supply)
        self.stage = HOLDING
        self.holding.begin(t, held_by, site(self.place, t, supply, weather))

    def _end(self, outcome: Outcome, stamp: Callable[[float], float]) -> Event:
        holding = self.holding
        start_t = holding.start_t or 0.0
        end_t = start_t + outcome.end_s
        said, numbers = finished(holding, outcome, self._words)
        numbers = {
            "started": iso(stamp(start_t)),
            **numbers,
            **self.given(),
        }
        aside = {
            "start_t": start_t,
            "end_t": round(end_t, 3),
            "terms": holding.terms,
            "site": holding.site,
            "trace": points(holding.bins),
            "fit": fit(outcome.estimate),
        }
        event = Event(stamp(end_t), "hold_test_finished", said, self.section, numbers, aside)
        return self._over(event, end_t, VOID if outcome.void else VERDICT, leaking(outcome))

    def _unstarted(self, t: float, why: str, stamp: Callable[[float], float]) -> Event:
        numbers = {
            "started": iso(stamp(t)),
            "method": self.method["name"],
            "verdict": "cannot tell",
            "why": f"The test does not count: {why}.",
            **dict.fromkeys(NOT_MEASURED),
            "duration_s": 0.0,
            "temperature_used": False,
            **({"code_result": None} if self.method["duration_s"] else {}),
            "void": why,
            **self.given(),
        }
        text = f"The hold test ({self.method['name']}) is void: {why}."
        event = Event(stamp(t), "hold_test_finished", text, self.section, numbers)
        return self._over(event, t, VOID, leaks=False)

    def _over(self, event: Event, t: float, state: str, leaks: bool) -> Event:
        self.stage, self.result_t = state, t
        trace = event.aside.get("trace", [])
        fit = event.aside.get("fit")
        self.result = {
            **event.as_json(), "trace": trace, "fit": fit, "leaks": leaks, "acknowledged": False,
            "asks_alarm": bool(self.method.get("to_low_limit")),
        }  # fmt: skip
        return event
