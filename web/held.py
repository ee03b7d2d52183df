"""Hold tests on the technician's side: from the checklist through the course to every valve back."""

from collections.abc import Mapping
from typing import Any

from flask import Blueprint, abort, g, redirect, request, url_for

from edge.errors import StoreError
from edge.hold.offered import methods
from edge.methods import ANY_IS_VOID, void_on_run, void_when
from edge.model import SUPPLY
from web import checklist, course
from web.shown import Local
from web.side import NAME, WHO, Answer, Side
from web.site import Site


class Tests:
    """The hold tests of one site that are under way or over, as the daemon last said."""

    def __init__(self, site: Site) -> None:
        self._site = site
        self.sections = [SUPPLY, *(s.name for s in site.settings.system)]

    def courses(self) -> list[course.Course]:
        """All of them."""
        _, _, local = self._site.view()
        made = [self.course(section, local) for section in self.sections]
        return [c for c in made if c is not None]

    def course(self, section: str, local: Local) -> course.Course | None:
        """That of a section, where there is one."""
        latest, _ = self._site.latest()
        tests = ((latest or {}).get("picture") or {}).get("hold_tests") or []
        # The last one where a section has two.
        test = next((t for t in reversed(tests) if t["section"] == section), None)
        if test is None:
            return None
        return course.course(test, self._site.settings, local, self._number(test))

    def _number(self, test: Mapping[str, Any]) -> int | None:
        if "verdict" not in test:
            return None
        try:
            with self._site.reader() as db:
                kept = db.tests(20)
        except StoreError:
            return None
        return next(
            (k["n"] for k in kept if k["at"] == test["at"] and k["section"] == test["section"]),
            None,
        )


def add(pages: Blueprint, side: Side, tests: Tests) -> None:
    """Put the rooms of the hold test among the technician's pages."""
    site, settings = side.site, side.site.settings

    def _section(given: Mapping[str, str]) -> str:
        section = given.get("section", SUPPLY)
        if section not in tests.sections:
            abort(404)
        return section

    @pages.get("/test")
    @side.inside
    def test() -> Answer:
        return side.page(
            "site_test.html",
            sections=[(s, course.place(s)) for s in tests.sections],
            methods=methods(settings).values(),
            any_is_void=ANY_IS_VOID,
        )

    def _chosen(given: Mapping[str, str]) -> tuple[str, Any, tuple[checklist.Box, ...]]:
        section = _section(given)
        method = methods(settings).get(given.get("method", ""))
        if method is None:
            abort(404)
        return section, method, checklist.valves(section, method, settings)

    @pages.get("/test/checklist")
    @side.inside
    def before() -> Answer:
        section, method, valves = _chosen(request.args)
        return _checklist(section, method, valves, {}, "")

    def _gauge_kpa(section: str) -> float | None:
        """What the section's gauge shows now."""
        latest, _ = site.latest()
        sections = ((latest or {}).get("picture") or {}).get("sections") or {}
        kpa = (sections.get(section) or {}).get("pressure_kpa")
        return None if kpa is None else float(kpa)

    def _checklist(
        section: str, method: Any, valves: Any, form: Mapping[str, str], wrong: str
    ) -> str:
        kpa = _gauge_kpa(section)
        return side.page(
            "site_checklist.html",
            section=section,
            place=course.place(section),
            method=method,
            before=checklist.BEFORE,
            valves=valves,
            form=form,
            wrong=wrong,
            raw=course.RAW,
            limit=checklist.limit(method, settings),
            void_when=void_when(void_on_run(section, method.to_low_limit)),
            now=checklist.pressure_now(kpa, settings),
            off=checklist.off(method, kpa, settings),
            unit=settings.site.units.pressure,
        )

    @pages.post("/test/start")
    @side.inside
    def start() -> Answer:
        section, method, valves = _chosen(request.form)
        form = request.form.to_dict()
        missing = checklist.missing(form, (*checklist.BEFORE, *valves))
        alarm_kpa, not_pressure = checklist.typed_pressure(form.get("alarm", ""), settings)
        by = " ".join(form.get("confirmed_by", "").split())
        _, view, _ = site.view()
        wrong = ""
        if not view.seen.fresh:
            wrong = "The monitor gives no new data, so nothing can be started."
        elif missing:
            wrong = f"Not ticked: {' '.join(missing)}"
        elif not WHO.fullmatch(by):
            wrong = "Say who confirms that all this is done."
        elif not_pressure:
            wrong = not_pressure
        if wrong:
            return _checklist(section, method, valves, form, wrong), 400
        refused = side.tried(g.session, form.get("code", ""))
        if refused is not None:
            return refused
        what = {
            "section": section,
            "method": method.name,
            "note": " ".join(form.get("note", "").split())[:400] or None,
            "alarm_kpa": alarm_kpa,
            "device_proved": form.get("device_proved") == "yes",
            "checklist": {
                "confirmed_by": by,
                "confirmed": [box.text for box in checklist.BEFORE],
                "valves": [box.text for box in valves] + checklist.lines(form.get("others", "")),
            },
        }
        number = side.post("hold_start", what)
        return redirect(url_for(f"{NAME}.follow", section=section, asked=number), 303)

    @pages.get("/test/course")
    @side.inside
    def follow() -> Answer:
        section = _section(request.args)
        latest, _, local = site.view()
        picture = {} if latest is None else latest["picture"]
        return side.page(
            "site_course_live.html" if request.args.get("live") else "site_course.html",
            section=section,
            place=course.place(section),
            course=tests.course(section, local),
            refused=(picture.get("hold_refused") or {}).get(section),
            raw=course.RAW,
            unit=settings.site.units.pressure,
        )

    @pages.post("/test/alarm")
    @side.inside
    def alarm() -> Answer:
        section = _section(request.form)
        kpa, wrong = checklist.typed_pressure(request.form.get("alarm", ""), settings)
        operated = {"yes": True, "no": False}.get(request.form.get("operated", ""))
        if wrong or operated is None:
            return side.refuse(400, "Not taken", wrong or "Say whether the alarm operated.")
        what = {"section": section, "operated": operated, "alarm_kpa": kpa}
        number = side.post("hold_alarm", what)
        return redirect(url_for(f"{NAME}.follow", section=section, asked=number), 303)

    @pages.post("/test/stop")
    @side.inside
    def stop() -> Answer:
        section = _section(request.form)
        number = side.post("hold_stop", {"section": section})
        return redirect(url_for(f"{NAME}.follow", section=section, asked=number), 303)

    @pages.post("/test/put-back")
    @side.inside
    def put_back() -> Answer:
        section = _section(request.form)
        _, _, local = site.view()
        made = tests.course(section, local)
        if made is None or made.phase != "over":
            abort(409)
        boxes = [checklist.Box(f"valve{n}", text) for n, text in enumerate(made.valves)]
        boxes.append(checklist.Box("proved", ""))
        if checklist.missing(request.form.to_dict(), boxes):
            return side.refuse(
                400, "Not every valve is ticked", "Put every valve back, prove it, and tick it."
            )
        number = side.post("hold_put_back", {"section": section, "valves": list(made.valves)})
        return redirect(url_for(f"{NAME}.follow", section=section, asked=number), 303)
