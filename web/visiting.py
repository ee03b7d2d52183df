"""Routes of the commissioning visit and of a calibration on its own, on the technician's side."""

from collections.abc import Mapping
from typing import Any

from flask import Blueprint, abort, g, redirect, request, url_for

from edge.errors import StoreError
from edge.visit.steps import Step
from web import visit
from web.shown import parse_time
from web.side import NAME, Answer, Side


def add(pages: Blueprint, side: Side) -> None:
    """Put the rooms of the visit among the technician's pages."""
    site, settings = side.site, side.site.settings

    def _now() -> tuple[dict[str, Any], dict[str, Any]]:
        """The picture, and each channel's value."""
        latest, _ = site.latest()
        if latest is None:
            return {}, {}
        values = {name: c.get("value") for name, c in (latest.get("channels") or {}).items()}
        return latest["picture"], values

    def _step(given: Mapping[str, str]) -> Step:
        step = visit.find(settings, given.get("step", ""))
        if step is None:
            abort(404)
        return step

    def _fresh() -> str:
        _, view, _ = site.view()
        return "" if view.seen.fresh else "The monitor gives no new data, so nothing can be asked."

    def _record(said: Mapping[str, Any] | None) -> int | None:
        """The number of the record that the signed visit became."""
        made = (said or {}).get("record")
        if not made:
            return None
        try:
            with site.reader() as db:
                kept = db.records.headings(("commissioning",), 5)
        except StoreError:
            return None
        return next((int(k["seq"]) for k in kept if k["made_at"] == made["at"]), None)

    def _said() -> dict[str, Any]:
        picture, values = _now()
        said = picture.get("visit")
        _, _, local = site.view()
        parts = visit.parts(settings, said, local)
        return {
            "visit": said,
            "open": bool(said and said["stage"] == "open"),
            "parts": parts,
            "next": next((p for p in parts if p.state in ("to do", "under way")), None),
            "wrong_now": visit.wrong(said),
            "rows": visit.live(picture, values, settings, None),
            "number": _record(said),
        }

    @pages.get("/visit")
    @side.inside
    def visit_room() -> Answer:
        quiet = request.args.get("live") is not None
        return side.page("site_visit_live.html" if quiet else "site_visit.html", **_said())

    @pages.post("/visit/start")
    @side.inside
    def visit_start() -> Answer:
        if _fresh():
            return side.refuse(409, "Not begun", _fresh())
        number = side.post("visit_start", {})
        return redirect(url_for(f"{NAME}.visit_room", asked=number), 303)

    def _step_page(step: Step, form: Mapping[str, Any] | None, wrong: list[str]) -> str:
        picture, values = _now()
        said = picture.get("visit")
        _, _, local = site.view()
        parts = visit.parts(settings, said, local)
        part = next(p for p in parts if p.step.key == step.key)
        following = [p for p in parts if p.number > part.number]
        quiet = request.args.get("live") is not None
        filling = ((said or {}).get("watch") or {}).get("fills", {}).get(step.section)
        return side.page(
            "site_visit_step_live.html" if quiet else "site_visit_step.html",
            visit=said,
            open=bool(said and said["stage"] == "open"),
            part=part,
            step=step,
            alone=False,
            after=following[0] if following else None,
            entries=visit.entries(step, settings, form or part.answer),
            rows=visit.live(picture, values, settings, step),
            wrong=wrong,
            fills=step.key.startswith("fill "),
            filling=bool(filling and not filling["over"]),
        )

    @pages.get("/visit/step")
    @side.inside
    def visit_step() -> Answer:
        return _step_page(_step(request.args), None, [])

    @pages.post("/visit/step")
    @side.inside
    def visit_answer() -> Answer:
        step, form = _step(request.form), request.form.to_dict()
        if "skip" in form:
            number = side.post("visit_skip", {"step": step.key, "why": form.get("why", "")[:400]})
            return redirect(url_for(f"{NAME}.visit_room", asked=number), 303)
        values, wrong = visit.parse(step, form, settings)
        if _fresh():
            wrong.append(_fresh())
        if wrong:
            return _step_page(step, {"typed": form}, wrong), 400
        what: dict[str, Any] = {"step": step.key, "values": values}
        if "begin" in form:
            what["phase"] = "begin"
        number = side.post("visit_answer", what)
        return redirect(url_for(f"{NAME}.visit_step", step=step.key, asked=number), 303)

    @pages.get("/visit/sign")
    @side.inside
    def visit_sign() -> Answer:
        return side.page("site_visit_sign.html", form={}, wrong="", **_said())

    @pages.post("/visit/sign")
    @side.inside
    def visit_signed() -> Answer:
        form = request.form.to_dict()
        name = " ".join(form.get("name", "").split())[:60]
        wrong = _fresh() or ("" if name else "A signature needs a name.")
        if wrong:
            page = side.page("site_visit_sign.html", form=form, wrong=wrong, **_said())
            return page, 400
        refused = side.tried(g.session, form.get("code", ""))
        if refused is not None:
            return refused
        kind = "visit_abandon" if "abandon" in form else "visit_sign"
        what = {key: form.get(key, "")[:400] for key in ("role", "witness", "note")}
        number = side.post(kind, {"name": name, **what})
        return redirect(url_for(f"{NAME}.visit_room", asked=number), 303)

    def _calibration(given: Mapping[str, str]) -> Step:
        key = given.get("step", visit.CALIBRATIONS[0])
        step = visit.find(settings, key) if key in visit.CALIBRATIONS else None
        if step is None:
            abort(404)
        return step

    def _calibrate_page(step: Step, form: Mapping[str, Any] | None, wrong: list[str]) -> str:
        picture, values = _now()
        quiet = request.args.get("live") is not None
        last = (picture.get("calibrated") or {}).get(settings.supply.oxygen or "")
        return side.page(
            "site_visit_step_live.html" if quiet else "site_visit_step.html",
            visit=picture.get("visit"),
            last=last,
            last_at=None if last is None else parse_time(last["at"]),
            refused=(picture.get("oxygen_sensor") or {}).get("refused"),
            open=True,
            part=None,
            step=step,
            alone=True,
            other=next(k for k in visit.CALIBRATIONS if k != step.key),
            after=None,
            entries=visit.entries(step, settings, form),
            rows=visit.live(picture, values, settings, step),
            wrong=wrong,
            fills=False,
            filling=False,
        )

    @pages.get("/calibrate")
    @side.inside
    def calibrate() -> Answer:
        return _calibrate_page(_calibration(request.args), None, [])

    @pages.post("/calibrate")
    @side.inside
    def calibrated() -> Answer:
        step, form = _calibration(request.form), request.form.to_dict()
        values, wrong = visit.parse(step, form, settings)
        if _fresh():
            wrong.append(_fresh())
        if wrong:
            return _calibrate_page(step, {"typed": form}, wrong), 400
        refused = side.tried(g.session, form.get("code", ""))
        if refused is not None:
            return refused
        number = side.post("calibrate", {"step": step.key, "values": values})
        return redirect(url_for(f"{NAME}.calibrate", step=step.key, asked=number), 303)
