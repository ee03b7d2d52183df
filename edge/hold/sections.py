"""The hold tests of all sections of a site: what is asked of which, and what they say together. Pure."""

from collections.abc import Callable, Mapping, Sequence
from typing import Any

from edge.core.kept import Kept
from edge.hold import where
from edge.hold.course import Course
from edge.hold.shown import Shown
from edge.measure.supply import Supply
from edge.measure.weather import Weather
from edge.model import SUPPLY, Event, Request
from edge.settings import Settings
from edge.words import Words


class Tests(Kept):
    """The hold tests of all sections of a site."""

    def __init__(self, settings: Settings, words: Words) -> None:
        sections = [SUPPLY, *(s.name for s in settings.system)]
        self.courses = {name: Course(name, settings, words) for name in sections}
        atmosphere = settings.site.atmosphere_kpa
        self._shown = [Shown(course, words, atmosphere) for course in self.courses.values()]
        self.weathers = {s.name: Weather(atmosphere) for s in settings.system}
        barometer = settings.place(settings.site.barometer)
        self._places = {}
        for name, course in self.courses.items():
            keys = ("pressure", "running", "temperature")
            mine = [settings.place(course.place.channels[k]) for k in keys]
            self._places[name] = [*mine, barometer, settings.place(course.place.channels["line"])]

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
        why = faults.get(course.place.channels["pressure"] or "")
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
        shown = [(one.course, one.picture(t, stamp)) for one in self._shown]
        tests = [(c, p) for c, p in shown if p is not None]
        tests.sort(key=lambda pair: (not pair[0].running, -pair[0].result_t))
        return [
            {**picture, "where": self.where()} if picture.get("leaks") else picture
            for _, picture in tests
        ]

    def refused(self) -> dict[str, str]:
        """Why the last request of a section was not followed."""
        return {n: c.refused for n, c in self.courses.items() if c.refused is not None}
