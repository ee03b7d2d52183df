"""What every room of the technician's side shares: who is in, pages with tokens, the letterbox, and
the code asked for once more."""

import logging
import re
from collections.abc import Callable, Mapping
from functools import wraps
from typing import Any

from flask import g, make_response, redirect, render_template, request, url_for
from werkzeug.wrappers import Response as BaseResponse

from edge.store.requests import Box
from web import access
from web.door import Door
from web.session import Session
from web.site import Site

log = logging.getLogger(__name__)

NAME = "technician"
WHO = re.compile(r"[^\x00-\x1f\x7f]{1,60}")

Answer = str | BaseResponse | tuple[str, int]


class Side:
    """The technician's side of one site; every method is about the request at hand."""

    def __init__(self, site: Site, door: Door) -> None:
        self.site, self.door = site, door

    def lock(self) -> access.Lock | None:
        """What is kept, None until there is a technician's code."""
        lock = self.door.lock()
        return None if lock is None or lock.code is None else lock

    def refuse(self, code: int, title: str, text: str) -> tuple[str, int]:
        _, view, _ = self.site.view()
        page = render_template("site_refused.html", room="", view=view, title=title, text=text)
        return page, code

    def inside(self, view: Callable[..., Answer]) -> Callable[..., Answer]:
        """Only for who is signed in; a form must carry its view's token, which is used up."""

        @wraps(view)
        def held(**given: Any) -> Answer:
            quiet = request.args.get("live") is not None  # a page that renews itself, not a person
            session = self.door.technician(touch=not quiet)
            if session is None:
                if request.method == "POST" or quiet:
                    return self.refuse(401, "Signed out", "Sign in again; nothing was asked for.")
                return redirect(url_for(f"{NAME}.sign_in", next=request.path), 303)
            if request.method == "POST" and not self.door.technicians.take(
                session, request.form.get("token", "")
            ):
                return self.refuse(
                    403,
                    "Refused",
                    "This form is old or was sent before: go back, load the page again and"
                    " look at what became of it.",
                )
            g.session = session
            return view(**given)

        return held

    def page(self, template: str, **more: Any) -> str:
        """A room of this side, with a token for its forms unless it only renews itself."""
        latest, view, local = self.site.view()
        session: Session = g.session
        quiet = request.args.get("live") is not None
        more = {"picture": {} if latest is None else latest["picture"], "local": local, **more}
        return render_template(
            template,
            room="site",
            view=view,
            who=session.who,
            token="" if quiet else self.door.technicians.form(session),
            asked=self._asked(),
            **more,
        )

    def tried(self, session: Session | None, code: str) -> Answer | None:
        """None when the code is right; else the refusal. Counted by place, before it is hashed."""
        lock = self.lock()
        if lock is None:
            return self.refuse(403, "No code is set", "Set one first.")
        tried = self.door.tried(lock, NAME, lambda: access.right(lock, code), session)
        if tried.wait_s:
            page, _ = self.refuse(
                429,
                "Too many tries",
                f"Wait {tried.wait_s} s, then try again; nothing was asked for.",
            )
            answer = make_response(page, 429)
            answer.headers["Retry-After"] = str(tried.wait_s)
            return answer
        if not tried.right:
            return self.refuse(
                401, "Wrong code", "That is not the access code; nothing was asked for."
            )
        return None

    def post(self, kind: str, what: Mapping[str, Any]) -> int:
        """Put a request into the letterbox; its number there."""
        box = Box(self.site.state_dir, self.site.clock)
        try:
            number = box.post(kind, g.session.by, what)
        finally:
            box.close()
        log.info("%s asked: %s %s (request %d)", g.session.by, kind, dict(what), number)
        return number

    def _asked(self) -> str:
        """Whether the daemon has taken up what was asked for last."""
        number = request.args.get("asked", type=int)
        if number is None or not 0 < number < 2**63:
            return ""
        box = Box(self.site.state_dir, self.site.clock)
        try:
            seen = box.answer(number)
        finally:
            box.close()
        if seen is None:
            return "Asked for; the monitor has not taken it up yet."
        return "The monitor has taken it up."
