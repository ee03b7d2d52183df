"""The technician's side: behind the access code, and asking only through the letterbox. Its door and
its desk; the other rooms are added by files of their own."""

import logging
import re

from flask import Blueprint, g, make_response, redirect, render_template, request, url_for

from edge.errors import AccessError, StoreError
from web import gassed, health, held, quiet, visiting, worked
from web.door import FORM_S, Door
from web.side import NAME, WHO, Answer, Side
from web.site import Site

log = logging.getLogger(__name__)

_NEXT = re.compile(r"/site(?:/[a-z-]+){0,2}")


def blueprint(site: Site, door: Door) -> Blueprint:
    """Every route of the technician's side of one site."""
    pages = Blueprint(NAME, __name__, url_prefix="/site")
    side = Side(site, door)
    tests = held.Tests(site)

    @pages.before_request
    def guard() -> Answer | None:
        """Nothing in the clear from afar, and no form that another site's page has sent."""
        if not door.covered():
            return side.refuse(
                403,
                "Not in the clear",
                "From another machine the technician's side needs TLS: set page.certificate and"
                " page.key (dryhold access certificate makes them), or come through ssh:"
                " ssh -L 8080:127.0.0.1:8080 BOX. A site whose network is safe without may set"
                " page.plain_sign_in = true.",
            )
        if request.method == "POST" and not door.own_form():
            log.warning("refused a form from elsewhere, sent by %s", door.address())
            return side.refuse(403, "Refused", "This form was not sent from this page.")
        return None

    @pages.errorhandler(AccessError)
    def broken(error: AccessError) -> Answer:
        log.error("%s", error)
        return side.refuse(
            503, "The access code cannot be read", "Set it anew: dryhold access set --state DIR."
        )

    @pages.errorhandler(StoreError)
    def not_kept(error: StoreError) -> Answer:
        log.error("%s", error)
        return side.refuse(503, "Not asked for", f"The letterbox or the database failed: {error}")

    @pages.get("/sign-in")
    def sign_in() -> Answer:
        _, view, _ = site.view()
        lock = side.lock()
        if lock is None:
            return render_template("site_unset.html", room="", view=view, state_dir=site.state_dir)
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
        lock = side.lock()
        if lock is None:
            return side.refuse(403, "No code is set", "Set one first.")
        if not door.form_came_back(lock):
            return side.refuse(403, "Refused", "This form is old: load the page again.")
        who = " ".join(request.form.get("who", "").split())
        if not WHO.fullmatch(who):
            return side.refuse(400, "Who are you?", "A name of up to 60 characters is needed.")
        refused = side.tried(None, request.form.get("code", ""))
        if refused is not None:
            return refused
        after = request.form.get("next", "")
        answer = redirect(after if _NEXT.fullmatch(after) else url_for(f"{NAME}.desk"), 303)
        session = door.let_in(answer, lock, who)
        log.info("%s signed in", session.by)
        door.remember_device(answer, lock, NAME)
        door.drop_cookie(answer, "form")
        return answer

    @pages.post("/sign-out")
    @side.inside
    def sign_out() -> Answer:
        answer = redirect(url_for("pages.now"), 303)
        door.let_out(answer, g.session)
        log.info("%s signed out", g.session.by)
        return answer

    @pages.get("")
    @side.inside
    def desk() -> Answer:
        return side.page("site_desk.html", courses=tests.courses())

    @pages.get("/wiring")
    @side.inside
    def wiring() -> Answer:
        latest, _, _ = site.view()
        return side.page(
            "site_wiring_live.html" if request.args.get("live") else "site_wiring.html",
            channels=health.channel_rows(latest, site.settings),
        )

    held.add(pages, side, tests)
    quiet.add(pages, side)
    worked.add(pages, side)
    visiting.add(pages, side)
    gassed.add(pages, side)
    return pages
