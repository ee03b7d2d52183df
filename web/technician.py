"""The technician's side: behind the access code, and asking only through the letterbox."""

import logging
import re
from collections.abc import Callable, Mapping
from functools import wraps
from typing import Any

from flask import (
    Blueprint,
    abort,
    g,
    make_response,
    redirect,
    render_template,
    request,
    url_for,
)
from werkzeug.wrappers import Response as BaseResponse

from edge.errors import AccessError, StoreError
from edge.hold.methods import methods
from edge.model import SUPPLY
from edge.store.requests import Box
from web import access, checklist, course, gassed, present, visiting, workform
from web import work as periodic
from web.door import FORM_S, Door
from web.session import ABSOLUTE_S, Session, sign
from web.shown import Local, SiteUnits, parse_time
from web.views import Site

log = logging.getLogger(__name__)

NAME = "technician"

SHELVES: Mapping[str, tuple[str, float]] = {
    "1h": ("1 hour", 3600.0),
    "4h": ("4 hours", 4 * 3600.0),
    "24h": ("a day", 86400.0),
    "72h": ("three days", 3 * 86400.0),
    "7d": ("a week", 7 * 86400.0),
}
WORK: Mapping[str, tuple[str, float]] = {
    "1h": ("1 hour", 3600.0),
    "2h": ("2 hours", 2 * 3600.0),
    "4h": ("4 hours", 4 * 3600.0),
    "8h": ("8 hours", 8 * 3600.0),
    "12h": ("12 hours", 12 * 3600.0),
}
_WHO = re.compile(r"[^\x00-\x1f\x7f]{1,60}")
_NEXT = re.compile(r"/site(?:/[a-z-]+){0,2}")

Answer = str | BaseResponse | tuple[str, int]


def blueprint(site: Site, door: Door) -> Blueprint:
    """Every route of the technician's side of one site."""
    pages = Blueprint(NAME, __name__, url_prefix="/site")
    settings = site.settings
    sections = [SUPPLY, *(s.name for s in settings.system)]
    sessions = door.technicians

    # --- who asks

    def _lock() -> access.Lock | None:
        """What is kept, None until there is a technician's code."""
        lock = door.lock()
        return None if lock is None or lock.code is None else lock

    def _refuse(code: int, title: str, text: str) -> tuple[str, int]:
        _, view, _ = site.view()
        page = render_template("site_refused.html", room="", view=view, title=title, text=text)
        return page, code

    @pages.before_request
    def guard() -> Answer | None:
        """Nothing in the clear from afar, and no form that another site's page has sent."""
        if not door.covered():
            return _refuse(
                403,
                "Not in the clear",
                "From another machine the technician's side needs TLS: set page.certificate and"
                " page.key (dryhold access certificate makes them), or come through ssh:"
                " ssh -L 8080:127.0.0.1:8080 BOX. A site whose network is safe without may set"
                " page.plain_sign_in = true.",
            )
        if request.method == "POST" and not door.own_form():
            log.warning("refused a form from elsewhere, sent by %s", door.address())
            return _refuse(403, "Refused", "This form was not sent from this page.")
        return None

    @pages.errorhandler(AccessError)
    def broken(error: AccessError) -> Answer:
        log.error("%s", error)
        return _refuse(
            503, "The access code cannot be read", "Set it anew: dryhold access set --state DIR."
        )

    @pages.errorhandler(StoreError)
    def not_kept(error: StoreError) -> Answer:
        log.error("%s", error)
        return _refuse(503, "Not asked for", f"The letterbox or the database failed: {error}")

    def inside(view: Callable[..., Answer]) -> Callable[..., Answer]:
        """Only for who is signed in; a form must carry its view's token, which is used up."""

        @wraps(view)
        def held(**given: Any) -> Answer:
            quiet = request.args.get("live") is not None  # a page that renews itself, not a person
            session = door.technician(touch=not quiet)
            if session is None:
                if request.method == "POST" or quiet:
                    return _refuse(401, "Signed out", "Sign in again; nothing was asked for.")
                return redirect(url_for(f"{NAME}.sign_in", next=request.path), 303)
            if request.method == "POST" and not sessions.take(
                session, request.form.get("token", "")
            ):
                return _refuse(
                    403,
                    "Refused",
                    "This form is old or was sent before: go back, load the page again and"
                    " look at what became of it.",
                )
            g.session = session
            return view(**given)

        return held

    def _page(template: str, **more: Any) -> str:
        """A room of this side, with a token for its forms unless it only renews itself."""
        latest, view, local = site.view()
        session: Session = g.session
        quiet = request.args.get("live") is not None
        more = {"picture": {} if latest is None else latest["picture"], "local": local, **more}
        return render_template(
            template,
            room="site",
            view=view,
            who=session.who,
            token="" if quiet else sessions.form(session),
            asked=_asked(),
            **more,
        )

    def _tried(session_or_none: Session | None, code: str) -> Answer | None:
        """None when the code is right; else the refusal. Counted by place, before it is hashed."""
        lock = _lock()
        if lock is None:
            return _refuse(403, "No code is set", "Set one first.")
        tried = door.tried(lock, NAME, lambda: access.right(lock, code), session_or_none)
        if tried.wait_s:
            page, _ = _refuse(
                429,
                "Too many tries",
                f"Wait {tried.wait_s} s, then try again; nothing was asked for.",
            )
            answer = make_response(page, 429)
            answer.headers["Retry-After"] = str(tried.wait_s)
            return answer
        if not tried.right:
            return _refuse(401, "Wrong code", "That is not the access code; nothing was asked for.")
        return None

    # --- in and out

    @pages.get("/sign-in")
    def sign_in() -> Answer:
        _, view, _ = site.view()
        lock = _lock()
        if lock is None:
            return render_template("site_unset.html", room="", view=view)
        token, mark = door.form(lock)
        after = request.args.get("next", "")
        answer = make_response(
            render_template(
                "site_sign_in.html",
                room="",
                view=view,
                token=token,
                after=after if _NEXT.fullmatch(after) else "",
            )
        )
        door.set_cookie(answer, "form", mark, FORM_S)
        return answer

    @pages.post("/sign-in")
    def signed_in() -> Answer:
        lock = _lock()
        if lock is None:
            return _refuse(403, "No code is set", "Set one first.")
        if not door.form_came_back(lock):
            return _refuse(403, "Refused", "This form is old: load the page again.")
        who = " ".join(request.form.get("who", "").split())
        if not _WHO.fullmatch(who):
            return _refuse(400, "Who are you?", "A name of up to 60 characters is needed.")
        refused = _tried(None, request.form.get("code", ""))
        if refused is not None:
            return refused
        old = door.technician(touch=False)
        if old is not None:
            sessions.end(old)
        session = sessions.begin(who, door.address(), door.steady())
        log.info("%s signed in", session.by)
        after = request.form.get("next", "")
        answer = redirect(after if _NEXT.fullmatch(after) else url_for(f"{NAME}.desk"), 303)
        door.set_cookie(
            answer, "session", sign(lock.secret, "session", session.number), int(ABSOLUTE_S)
        )
        door.remember_device(answer, lock)
        door.drop_cookie(answer, "form")
        return answer

    @pages.post("/sign-out")
    @inside
    def sign_out() -> Answer:
        sessions.end(g.session)
        log.info("%s signed out", g.session.by)
        answer = redirect(url_for("pages.now"), 303)
        door.drop_cookie(answer, "session")
        return answer

    # --- asking

    def _post(kind: str, what: Mapping[str, Any]) -> int:
        box = Box(site.state_dir, site.clock)
        try:
            number = box.post(kind, g.session.by, what)
        finally:
            box.close()
        log.info("%s asked: %s %s (request %d)", g.session.by, kind, dict(what), number)
        return number

    def _asked() -> str:
        """Whether the daemon has taken up what was asked for last."""
        number = request.args.get("asked", type=int)
        if number is None or not 0 < number < 2**63:
            return ""
        box = Box(site.state_dir, site.clock)
        try:
            seen = box.answer(number)
        finally:
            box.close()
        if seen is None:
            return "Asked for; the monitor has not taken it up yet."
        return "The monitor has taken it up."

    def _section(given: Mapping[str, str]) -> str:
        section = given.get("section", SUPPLY)
        if section not in sections:
            abort(404)
        return section

    def _tests() -> dict[str, dict[str, Any]]:
        """The test of each section that is under way or over, as the daemon last said."""
        latest, _ = site.latest()
        tests = ((latest or {}).get("picture") or {}).get("hold_tests") or []
        return {test["section"]: test for test in tests}

    def _course(section: str, local: Local) -> course.Course | None:
        test = _tests().get(section)
        return None if test is None else course.course(test, settings, local, _number(test))

    def _number(test: Mapping[str, Any]) -> int | None:
        if "verdict" not in test:
            return None
        try:
            with site.reader() as db:
                kept = db.tests(20)
        except StoreError:
            return None
        return next(
            (k["n"] for k in kept if k["at"] == test["at"] and k["section"] == test["section"]),
            None,
        )

    # --- rooms

    @pages.get("")
    @inside
    def desk() -> Answer:
        _, _, local = site.view()
        made = [_course(section, local) for section in sections]
        return _page("site_desk.html", courses=[c for c in made if c is not None])

    @pages.get("/test")
    @inside
    def test() -> Answer:
        return _page(
            "site_test.html",
            sections=[(s, course.place(s)) for s in sections],
            methods=methods(settings).values(),
        )

    def _chosen(given: Mapping[str, str]) -> tuple[str, Any, tuple[checklist.Box, ...]]:
        section = _section(given)
        method = methods(settings).get(given.get("method", ""))
        if method is None:
            abort(404)
        return section, method, checklist.valves(section, method, settings)

    @pages.get("/test/checklist")
    @inside
    def before() -> Answer:
        section, method, valves = _chosen(request.args)
        return _checklist(section, method, valves, {}, "")

    def _checklist(
        section: str, method: Any, valves: Any, form: Mapping[str, str], wrong: str
    ) -> str:
        return _page(
            "site_checklist.html",
            section=section,
            place=course.place(section),
            method=method,
            before=checklist.BEFORE,
            valves=valves,
            form=form,
            wrong=wrong,
            raw=course.RAW,
            limit=checklist.limit(section, method, settings),
        )

    @pages.post("/test/start")
    @inside
    def start() -> Answer:
        section, method, valves = _chosen(request.form)
        form = request.form.to_dict()
        missing = checklist.missing(form, (*checklist.BEFORE, *valves))
        by = " ".join(form.get("confirmed_by", "").split())
        _, view, _ = site.view()
        wrong = ""
        if not view.seen.fresh:
            wrong = "The monitor gives no new data, so nothing can be started."
        elif missing:
            wrong = f"Not ticked: {' '.join(missing)}"
        elif not _WHO.fullmatch(by):
            wrong = "Say who confirms that all this is done."
        if wrong:
            return _checklist(section, method, valves, form, wrong), 400
        refused = _tried(g.session, form.get("code", ""))
        if refused is not None:
            return refused
        what = {
            "section": section,
            "method": method.name,
            "note": " ".join(form.get("note", "").split())[:400] or None,
            "checklist": {
                "confirmed_by": by,
                "confirmed": [box.text for box in checklist.BEFORE],
                "valves": [box.text for box in valves] + checklist.lines(form.get("others", "")),
            },
        }
        number = _post("hold_start", what)
        return redirect(url_for(f"{NAME}.follow", section=section, asked=number), 303)

    @pages.get("/test/course")
    @inside
    def follow() -> Answer:
        section = _section(request.args)
        latest, _, local = site.view()
        picture = {} if latest is None else latest["picture"]
        return _page(
            "site_course_live.html" if request.args.get("live") else "site_course.html",
            section=section,
            place=course.place(section),
            course=_course(section, local),
            refused=(picture.get("hold_refused") or {}).get(section),
            raw=course.RAW,
        )

    @pages.post("/test/stop")
    @inside
    def stop() -> Answer:
        section = _section(request.form)
        number = _post("hold_stop", {"section": section})
        return redirect(url_for(f"{NAME}.follow", section=section, asked=number), 303)

    @pages.post("/test/put-back")
    @inside
    def put_back() -> Answer:
        section = _section(request.form)
        _, _, local = site.view()
        made = _course(section, local)
        if made is None or made.phase != "over":
            abort(409)
        boxes = [checklist.Box(f"valve{n}", text) for n, text in enumerate(made.valves)]
        boxes.append(checklist.Box("proved", ""))
        if checklist.missing(request.form.to_dict(), boxes):
            return _refuse(
                400, "Not every valve is ticked", "Put every valve back, prove it, and tick it."
            )
        number = _post("hold_put_back", {"section": section, "valves": list(made.valves)})
        return redirect(url_for(f"{NAME}.follow", section=section, asked=number), 303)

    @pages.get("/alerts")
    @inside
    def alerts() -> Answer:
        latest, view, local = site.view()
        said = {} if latest is None else latest["picture"]
        working = said.get("working")
        return _page(
            "site_alerts.html",
            alerts=list(zip(said.get("alerts") or [], view.notes, strict=True)),
            shelves=SHELVES,
            work=WORK,
            working=working,
            until=None if not working else local.moment(parse_time(working["until"])),
        )

    def _alert(form: Mapping[str, str]) -> dict[str, Any]:
        """The open alert that a form names, as it stands now."""
        latest, _ = site.latest()
        key = (form.get("alert"), form.get("section") or None, form.get("subject") or None)
        for alert in ((latest or {}).get("picture") or {}).get("alerts") or []:
            if key == tuple(alert.get(k) or None for k in ("alert", "section", "subject")):
                return {k: alert.get(k) for k in ("alert", "section", "subject")}
        return abort(409)

    @pages.post("/alerts/acknowledge")
    @inside
    def acknowledge() -> Answer:
        number = _post("acknowledge", _alert(request.form))
        return redirect(url_for(f"{NAME}.alerts", asked=number), 303)

    @pages.post("/alerts/shelve")
    @inside
    def shelve() -> Answer:
        span = SHELVES.get(request.form.get("for", ""))
        why = " ".join(request.form.get("why", "").split())[:200]
        if span is None or len(why) < 3:
            return _refuse(400, "Not shelved", "Shelving needs a time and a reason.")
        number = _post("shelve", {**_alert(request.form), "for_s": span[1], "why": why})
        return redirect(url_for(f"{NAME}.alerts", asked=number), 303)

    @pages.post("/alerts/working")
    @inside
    def working() -> Answer:
        if request.form.get("end"):
            number = _post("working", {"for_s": 0.0})
            return redirect(url_for(f"{NAME}.alerts", asked=number), 303)
        span = WORK.get(request.form.get("for", ""))
        if span is None:
            return _refuse(400, "Not asked for", "Say for how long.")
        refused = _tried(g.session, request.form.get("code", ""))
        if refused is not None:
            return refused
        number = _post("working", {"for_s": span[1]})
        return redirect(url_for(f"{NAME}.alerts", asked=number), 303)

    def _work(form: Mapping[str, str], wrong: str) -> str:
        latest, _, local = site.view()
        given = [] if latest is None else latest["picture"].get("work") or []
        return _page(
            "site_work.html",
            rows=[periodic.row(item, local) for item in given],
            made=_supersedable(),
            form=form,
            wrong=wrong,
            today=f"{local.at(site.clock()):%Y-%m-%d}",
            example=SiteUnits.of(settings).pressure(settings.supply.cut_in_kpa),
        )

    def _supersedable() -> list[dict[str, Any]]:
        """Records of periodic work that none supersedes yet, the newest first."""
        try:
            with site.reader() as db:
                kept = db.records(["periodic"], 50)
        except StoreError:
            return []
        return [one for one in kept if one["superseded_by"] is None]

    @pages.get("/work")
    @inside
    def work() -> Answer:
        return _work(request.args, "")

    @pages.post("/work")
    @inside
    def work_done() -> Answer:
        form = request.form.to_dict()
        known = {str(one["id"]): str(one["title"]) for one in _supersedable()}
        _, view, _ = site.view()
        if not view.seen.fresh:
            return _work(form, "The monitor gives no new data, so nothing can be recorded."), 400
        try:
            what = workform.request(form, known, settings.site.zone, site.clock())
        except ValueError as error:
            return _work(form, str(error)), 400
        number = _post("work_done", what)
        return redirect(url_for(f"{NAME}.work", asked=number), 303)

    @pages.get("/wiring")
    @inside
    def wiring() -> Answer:
        latest, _, _ = site.view()
        return _page(
            "site_wiring_live.html" if request.args.get("live") else "site_wiring.html",
            channels=present.channel_rows(latest, settings),
        )

    side = visiting.Side(inside, _page, _post, _tried, _refuse)
    visiting.add(pages, site, side)
    gassed.add(pages, site, side)
    return pages
