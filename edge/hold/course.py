"""The course of hold tests: requested, waiting for cut-out, settling, holding, verdict. Pure.

One at a time in each section. Everything is kept, so that a test goes on after a restart.
"""

from collections.abc import Callable, Mapping, Sequence
from math import isfinite
from typing import Any

from edge import __version__
from edge.core.kept import Kept
from edge.hold import where
from edge.hold.account import finished, flows, no_result
from edge.hold.arithmetic import Estimate
from edge.hold.clause import FAIL, by_alarm
from edge.hold.decision import LEAKS, look_s
from edge.hold.holding import VERSION, Holding, Outcome, leaking, points
from edge.hold.methods import SUPPLY_LINE, Method, methods, void_on_run
from edge.measure.supply import Supply
from edge.measure.weather import Weather
from edge.model import SUPPLY, Event, Request, iso
from edge.settings import Settings
from edge.words import Words

REQUESTED = "requested"
WAITING, SETTLING, HOLDING = "waiting for cut-out", "settling", "holding"
VERDICT, VOID = "verdict", "void"

SETTLE_S = 300.0
"""After a cut-out that was waited for, before the test's clock starts (common practice, no source)."""

SHOWN_S = 86400.0
"""How long a verdict stays in the picture."""

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
        given = settings.supply
        own = next((s for s in settings.system if s.name == section), None)
        self._volume_l = given.volume_l if own is None else own.volume_l
        self._floor_kpa = settings.low_pressure_kpa if own is None else own.low_pressure_kpa
        source = given if own is None else own
        self.channels = {
            "pressure": source.pressure,
            "running": given.running,
            "temperature": source.temperature,
            "barometer": settings.site.barometer,
            "line": None if own is None else given.pressure,
        }
        self._regulated_kpa = None if own is None else own.regulated_kpa
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
        self._shown: tuple[float, dict[str, Any]] | None = None

    @property
    def running(self) -> bool:
        return self.stage in (REQUESTED, WAITING, SETTLING, HOLDING)

    # --- asked

    def start(self, request: Request, t: float, at: float) -> list[Event]:
        """Begin as asked, or say in `refused` why not."""
        name = str(request.what.get("method") or SUPPLY_LINE)
        method = self._methods.get(name)
        alarm_kpa, wrong = _alarm_kpa(request.what)
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
        self._shown = None
        place = "the supply" if self.section == SUPPLY else self.section
        text = f"{self.by} started a hold test ({method.name}) of {place}."
        numbers = {"method": method.name, **self._given()}
        return [Event(at, "hold_test_started", text, self.section, numbers)]

    def _against(self, name: str, method: Method | None, alarm_kpa: float | None) -> str | None:
        if self.running:
            return "a hold test of this section is under way"
        if method is None:
            return f"expected a method of {', '.join(self._methods)}, found {name}"
        if method.to_low_limit and self._floor_kpa is None and alarm_kpa is None:
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
        alarm_kpa, self.refused = _alarm_kpa(request.what)
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
            return [self._answered(self.result, operated, alarm_kpa, request.by, stamp(t))]
        return []

    def _answered(
        self, result: dict[str, Any], operated: bool, alarm_kpa: float | None, by: str, at: float
    ) -> Event:
        alarm_kpa = result.get("alarm_kpa") if alarm_kpa is None else alarm_kpa
        whole = float(result["duration_s"]) >= float(self.method["duration_s"])
        code, why = by_alarm(operated, alarm_kpa, result.get("gauge_lowest_kpa"), whole)
        said: dict[str, Any] = {
            "alarm_kpa": alarm_kpa, "alarm_operated": operated, "code_result": code,
        }  # fmt: skip
        if why is not None:
            said["code_why"] = no_result(why, {**result, **said}, self.method, self._words)
        kept = {key: value for key, value in result.items() if key != "code_why"}
        leaks = result["verdict"] == LEAKS or code == FAIL
        self.result = {**kept, **said, "leaks": leaks, "alarm_by": by}
        did = "operated" if operated else "did not operate"
        result_is = f"By the clause it is a {code}" if code else f"It is {said['code_why']}"
        text = (
            f"{by} says that the low-pressure alarm {did} during the hold test"
            f" ({result['method']}). {result_is}."
        )
        numbers = {"test_at": result["at"], "method": result["method"], **said, "by": by}
        numbers["gauge_lowest_kpa"] = result.get("gauge_lowest_kpa")
        return Event(at, "hold_test_answered", text, self.section, numbers)

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

    def _given(self) -> dict[str, Any]:
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
        settling_s = 0.0
        if self.section == SUPPLY and supply.since_known and supply.since_t is not None:
            settling_s = t - supply.since_t
        terms = {
            "section": self.section,
            "method": self.method,
            "hold_loss_kpa_per_h": self._settings.limits.hold_loss_kpa_per_h,
            "floor_kpa": self._floor_kpa,
            "volume_l": self._volume_l,
            "atmosphere_kpa": self._settings.site.atmosphere_kpa,
            "to_end": self.to_end,
            "void_on_run": void_on_run(self.section, bool(self.method["to_low_limit"])),
            "regulated_kpa": self._regulated_kpa,
            "line_band_kpa": self._settings.supply.cut_out_kpa - self._settings.supply.cut_in_kpa,
            "at_rest": _at_rest(supply) if self.section == SUPPLY else None,
            **self.told,
            "channels": self.channels,
            "units": self._settings.site.units.model_dump(),
            "version": VERSION,
            "software": __version__,
        }
        site = {
            "sums": [list(row) for row in weather.sums],
            "lagged": list(weather.lagged),
            "heard_s": round(t - weather.since_t, 3) if weather.lagged else 0.0,
            "settling_since_s": round(settling_s, 3),
        }
        self.stage = HOLDING
        self.holding.begin(t, terms, site)

    def _end(self, outcome: Outcome, stamp: Callable[[float], float]) -> Event:
        holding = self.holding
        start_t = holding.start_t or 0.0
        end_t = start_t + outcome.end_s
        said, numbers = finished(holding, outcome, self._words)
        numbers = {
            "started": iso(stamp(start_t)),
            **numbers,
            **self._given(),
        }
        aside = {
            "start_t": start_t,
            "end_t": round(end_t, 3),
            "terms": holding.terms,
            "site": holding.site,
            "trace": points(holding.bins),
            "fit": _fit(outcome.estimate),
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
            **self._given(),
        }
        text = f"The hold test ({self.method['name']}) is void: {why}."
        event = Event(stamp(t), "hold_test_finished", text, self.section, numbers)
        return self._over(event, t, VOID, leaks=False)

    def _over(self, event: Event, t: float, state: str, leaks: bool) -> Event:
        self.stage, self.result_t, self._shown = state, t, None
        trace = event.aside.get("trace", [])
        fit = event.aside.get("fit")
        self.result = {
            **event.as_json(), "trace": trace, "fit": fit, "leaks": leaks, "acknowledged": False,
            "asks_alarm": bool(self.method.get("to_low_limit")),
        }  # fmt: skip
        return event

    # --- shown

    def picture(self, t: float, stamp: Callable[[float], float]) -> dict[str, Any] | None:
        """The test under way, or the last verdict for a day; None when there is neither."""
        if self.running:
            return self._under_way(t, stamp)
        if self.result is None or t - self.result_t > SHOWN_S:
            return None
        result = self.result
        since = iso(stamp(self.result_t))
        return {**result, "state": self.stage, "since": since, "elapsed_s": result["duration_s"]}

    def _under_way(self, t: float, stamp: Callable[[float], float]) -> dict[str, Any]:
        holding = self.holding
        start_t = self.requested_t if self.stage != HOLDING else holding.start_t or t
        shown: dict[str, Any] = {
            "section": self.section,
            "method": self.method["name"],
            "counts": self.method["counts"],
            "source": self.method["source"],
            "asks_alarm": bool(self.method.get("to_low_limit")),
            "state": self.stage,
            **self._given(),
            "requested": iso(stamp(self.requested_t)),
            "started": iso(stamp(start_t)) if self.stage == HOLDING else None,
            "since": iso(stamp(start_t)),
            "elapsed_s": round(t - start_t, 1),
            "duration_s": self.method["duration_s"],
            "longest_s": self.method["longest_s"],
            "advice": ADVICE[self.stage or REQUESTED],
        }
        if self.stage != HOLDING:
            return shown
        if self._shown is None or t - self._shown[0] >= max(10.0, 0.03 * (t - start_t)):
            self._shown = (t, self._so_far(holding))
        advice = ADVICE[HOLDING]
        if holding.evident is not None and holding.standard:
            advice = (
                f"The evidence already says that the section {holding.evident}; the standard's own"
                " result needs its full time, or the gauge to pass its limit."
            )
        if holding.off_pressure:
            advice += (
                f" This is not the standard's test: begun at"
                f" {self._words.pressure(holding.first_kpa or 0.0)}, the standard says"
                f" {self._words.pressure(self.method['at_kpa'])}."
            )
        if self.method.get("to_low_limit"):
            advice += " If the low-pressure alarm operates, say so at once: that ends the test."
        wait_s = max(look_s(holding.looked) - (t - start_t), 0.0)
        return {**shown, **self._shown[1], "next_look_s": round(wait_s), "advice": advice}

    def _so_far(self, holding: Holding) -> dict[str, Any]:
        loss = holding.estimate() if len(holding.bins) else None
        gauge, first = holding.gauge_kpa, holding.first_kpa
        known = gauge is not None and first is not None
        shown: dict[str, Any] = {
            "limit_kpa_per_h": round(holding.limit_kpa_per_h, 5) if first is not None else None,
            "raw_drop_kpa": round(first - gauge, 4) if known else None,  # type: ignore[operator]
            "loss_kpa_per_h": None if loss is None else round(loss.kpa_per_h, 5),
            "loss_low_kpa_per_h": None if loss is None else round(loss.low, 5),
            "loss_high_kpa_per_h": None if loss is None else round(loss.high, 5),
            "temperature_used": loss is not None and loss.temperature_used,
            "verdict_so_far": holding.evident,
            "trace": points(holding.bins),
            "fit": _fit(loss),
        }
        if loss is not None and self._volume_l is not None:
            shown |= flows(loss, self._volume_l, self._settings.site.atmosphere_kpa)
        return shown


ADVICE: Mapping[str, str] = {
    REQUESTED: "Leave every valve as it is.",
    WAITING: "The generator is running: the test begins after it has stopped and the gas settled.",
    SETTLING: "The gas is settling after the run. Leave every valve as it is.",
    HOLDING: "Leave every valve as it is until the verdict.",
}


def _fit(loss: Estimate | None) -> dict[str, float] | None:
    """The line to draw: gauge kPa at a second, its slopes, and from where readings were used."""
    if loss is None:
        return None
    return {
        "at_s": round(loss.middle_s, 1),
        "kpa": round(loss.line_kpa, 4),
        "kpa_per_h": round(-loss.kpa_per_h, 5),
        "low_kpa_per_h": round(-loss.high, 5),
        "high_kpa_per_h": round(-loss.low, 5),
        "from_s": round(loss.skipped_s, 1),
    }


def _at_rest(supply: Supply) -> dict[str, float] | None:
    """The loss of the line's last rest, its standard deviation and the absolute pressure that it
    goes with; None where there was none, or where it showed no loss."""
    rest = supply.loss
    if rest is None or rest["loss_low_kpa_per_h"] <= 0.0:
        return None
    share = rest["loss_at_reference_kpa_per_h"] / rest["loss_kpa_per_h"]
    spread = rest["loss_high_kpa_per_h"] - rest["loss_low_kpa_per_h"]
    return {
        "kpa_per_h": rest["loss_kpa_per_h"],
        "sd_kpa_per_h": spread / 4.0,
        "absolute_kpa": supply.reference_absolute_kpa / share,
    }


def _alarm_kpa(what: Mapping[str, Any]) -> tuple[float | None, str | None]:
    """The low-pressure alarm's set pressure as asked, None where none is told; or why it is none."""
    given = what.get("alarm_kpa")
    if given is None:
        return None, None
    if isinstance(given, bool) or not isinstance(given, int | float) or not isfinite(given):
        return None, f"alarm_kpa: expected a pressure, found {given!r}"
    return float(given), None


class Tests(Kept):
    """The hold tests of all sections of a site."""

    def __init__(self, settings: Settings, words: Words) -> None:
        sections = [SUPPLY, *(s.name for s in settings.system)]
        self.courses = {name: Course(name, settings, words) for name in sections}
        atmosphere = settings.site.atmosphere_kpa
        self.weathers = {s.name: Weather(atmosphere) for s in settings.system}
        barometer = settings.place(settings.site.barometer)
        self._places = {}
        for name, course in self.courses.items():
            keys = ("pressure", "running", "temperature")
            mine = [settings.place(course.channels[k]) for k in keys]
            self._places[name] = [*mine, barometer, settings.place(course.channels["line"])]

    def state(self) -> dict[str, Any]:
        return {
            "courses": {name: course.state() for name, course in self.courses.items()},
            "weathers": {name: weather.state() for name, weather in self.weathers.items()},
        }

    def restore(self, state: dict[str, Any]) -> None:
        """A section that is no more is dropped."""
        for mine, kept in (
            (self.courses, state.get("courses", {})),
            (self.weathers, state.get("weathers", {})),
        ):
            for name, part in mine.items():
                if name in kept:
                    part.restore(kept[name])

    def look(
        self,
        t: float,
        values: Sequence[float | None],
        faults: Mapping[str, str],
        supply: Supply,
    ) -> list[Event]:
        """One tick; `values` as in the tick, with None behind them."""
        events: list[Event] = []
        for name, weather in self.weathers.items():
            place = self._places[name][2]
            if place is not None:
                weather.hear(t, values[place])
        for name, course in self.courses.items():
            if course.running:
                events += self._look(name, t, values, faults, supply)
        return events

    def _look(
        self,
        name: str,
        t: float,
        values: Sequence[float | None],
        faults: Mapping[str, str],
        supply: Supply,
    ) -> list[Event]:
        course = self.courses[name]
        places = self._places[name]
        mine = [values[-1 if place is None else place] for place in places]
        why = faults.get(course.channels["pressure"] or "")
        weather = supply.weather if name == SUPPLY else self.weathers[name]
        return course.look(t, mine, why, supply, weather, supply.stamp)

    def ask(
        self,
        request: Request,
        t: float,
        values: Sequence[float | None],
        faults: Mapping[str, str],
        supply: Supply,
    ) -> list[Event]:
        """Start or stop a test, hear that valves are back or what the alarm did, or take a verdict
        as seen.

        The tick's readings begin a test."""
        section = request.what.get("section")
        if request.kind in ("hold_start", "hold_stop", "hold_put_back", "hold_alarm"):
            course = self.courses.get(str(section or SUPPLY))
            if course is None:
                self.courses[SUPPLY].refused = f"no section is called {section}"
                return []
            if request.kind == "hold_stop":
                return course.stop(t, supply.stamp)
            if request.kind == "hold_put_back":
                return course.put_back(request, supply.stamp(t))
            if request.kind == "hold_alarm":
                return course.answer(request, t, supply.stamp)
            events = course.start(request, t, supply.stamp(t))
            return events + (
                self._look(course.section, t, values, faults, supply) if events else []
            )
        if request.kind == "acknowledge" and request.what.get("alert") in (
            None,
            "hold_test_failed",
        ):
            for name, course in self.courses.items():
                if section in (None, name) and course.result is not None:
                    course.result = {**course.result, "acknowledged": True}
        return []

    def failed(self, section: str) -> dict[str, Any] | None:
        """The last outcome of a section that leaks, unless a person has seen it."""
        result = self.courses[section].result
        if result is None or not result["leaks"] or result["acknowledged"]:
            return None
        return result

    def where(self) -> list[str]:
        """Where to look, by all verdicts."""
        tested = {
            name: where.Last.of(course.result)
            for name, course in self.courses.items()
            if course.result is not None
        }
        return where.look(tested, list(self.courses))

    def picture(self, t: float, stamp: Callable[[float], float]) -> list[dict[str, Any]]:
        """Every section's test, those under way first, then the newest verdict."""
        shown = [(course, course.picture(t, stamp)) for course in self.courses.values()]
        tests = [(c, p) for c, p in shown if p is not None]
        tests.sort(key=lambda pair: (not pair[0].running, -pair[0].result_t))
        return [
            {**picture, "where": self.where()} if picture.get("leaks") else picture
            for _, picture in tests
        ]

    def refused(self) -> dict[str, str]:
        """Why the last request of a section was not followed."""
        return {n: c.refused for n, c in self.courses.items() if c.refused is not None}
