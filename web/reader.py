"""Reading behind a code, where the site has chosen so: the page and its machine-readable side."""

import hashlib
import hmac
import logging
import re
import secrets
from collections import OrderedDict
from typing import Any

from flask import (
    Blueprint,
    g,
    jsonify,
    make_response,
    redirect,
    render_template,
    request,
    url_for,
)
from werkzeug.wrappers import Response as BaseResponse

from edge.errors import AccessError
from web import access, side
from web.door import FORM_S, READER, Door
from web.site import Site

log = logging.getLogger(__name__)

NAME = "reader"
OPEN = frozenset({"static", "pages.healthz", "about.manifest", "about.icon", "about.favicon"})
"""What is answered to anybody: that the page lives, and what its sign-in looks like."""
MACHINE = frozenset({"/metrics", "/stream", "/now"})
MOST_KNOWN = 16
_NEXT = re.compile(r"/(?:[a-z0-9][a-z0-9./-]*)?(?:\?[\w=&:+%.~-]*)?", re.ASCII)

Answer = str | BaseResponse | tuple[Any, int]


class Credentials:
    """Codes that came with a question and were right, so that not every question costs a hash:
    only their digests under a key of this process, and only while the codes stay the same."""

    def __init__(self) -> None:
        self._key = secrets.token_bytes(32)
        self._known: OrderedDict[bytes, None] = OrderedDict()

    def _digest(self, lock: access.Lock, code: str) -> bytes:
        text = f"{lock.code}\n{lock.reader}\n{code}".encode("utf-8", "surrogatepass")
        return hmac.digest(self._key, text, hashlib.sha256)

    def known(self, lock: access.Lock, code: str) -> bool:
        return self._digest(lock, code) in self._known

    def add(self, lock: access.Lock, code: str) -> None:
        self._known[self._digest(lock, code)] = None
        while len(self._known) > MOST_KNOWN:
            self._known.popitem(last=False)


def blueprint(site: Site, door: Door) -> Blueprint:
    """The reader's sign-in, and the guard over every other route, of one site."""
    pages = Blueprint(NAME, __name__)
    credentials = Credentials()
    closed = site.settings.page.reading == "code"

    def _machine() -> bool:
        """Whether a program asks, who understands JSON and no form."""
        return request.path.startswith("/api/") or request.path in MACHINE

    def _given() -> str | None:
        """The code that came with the question: HTTP Basic (any user name) or Bearer."""
        try:
            sent = request.authorization
        except ValueError:  # the library's, for one that is no ASCII
            return ""
        if sent is None:
            return None
        return sent.password if sent.type == "basic" else sent.token

    def _refuse(code: int, title: str, text: str, wait_s: int = 0) -> BaseResponse:
        if _machine():
            answer = make_response(jsonify({"error": f"{title.lower()}: {text}"}), code)
            # A script's own question must not make the browser ask for a name and a code.
            if code == 401 and request.headers.get("Sec-Fetch-Dest") != "empty":
                answer.headers["WWW-Authenticate"] = 'Basic realm="dryhold", charset="UTF-8"'
                answer.headers.add("WWW-Authenticate", 'Bearer realm="dryhold"')
        else:
            g.shut = True  # the page around it shows nothing of the site
            page = render_template("reader_refused.html", room="", title=title, text=text)
            answer = make_response(page, code)
        if wait_s:
            answer.headers["Retry-After"] = str(wait_s)
        return answer

    def _too_many(wait_s: int) -> BaseResponse:
        return _refuse(429, "Too many tries", f"Wait {wait_s} s, then try again.", wait_s)

    def _not_covered() -> BaseResponse:
        return _refuse(
            403,
            "Not in the clear",
            "This page may be read with a code only, and from another machine a code needs TLS:"
            " set page.certificate and page.key, or come through ssh. A site whose network is"
            " safe without may set page.plain_sign_in = true.",
        )

    @pages.before_app_request
    def guard() -> BaseResponse | None:
        """Nothing of the site is told to who may not read it."""
        if not closed or request.endpoint in OPEN:
            return None
        try:
            lock = door.lock()
            inside = door.technician(touch=False) is not None or door.reader() is not None
        except AccessError as error:
            g.shut = True
            if request.blueprint == side.NAME:
                return None  # which says so itself
            log.error("%s", error)
            return _refuse(503, "The codes cannot be read", "Set them anew on the box.")
        g.shut = not inside
        if inside or request.blueprint in (NAME, side.NAME):
            return None
        if not door.covered():
            return _not_covered()
        if lock is None:
            return _refuse(
                503,
                "No code is set yet",
                "Set one on the box: dryhold access set --reader --state DIR.",
            )
        code = _given()
        if code is not None:
            if not credentials.known(lock, code):
                tried = door.tried_to_read(lock, code)
                if tried.wait_s:
                    return _too_many(tried.wait_s)
                if not tried.right:
                    return _refuse(401, "Wrong code", "That is not the reader's code.")
                credentials.add(lock, code)
            g.shut = False
            return None
        if _machine():
            return _refuse(
                401, "A code is needed", "Send the reader's code as HTTP Basic or Bearer."
            )
        where = request.full_path.rstrip("?")
        return redirect(url_for(f"{NAME}.sign_in", next=where), 303)

    @pages.get("/sign-in")
    def sign_in() -> Answer:
        if not closed or not g.shut:
            return redirect(url_for("pages.now"), 303)
        if not door.covered():
            return _not_covered()
        lock = door.lock()
        if lock is None:
            return _refuse(
                503,
                "No code is set yet",
                "Set one on the box: dryhold access set --reader --state DIR.",
            )
        token, mark = door.form(lock)
        after = request.args.get("next", "")
        after = after if _NEXT.fullmatch(after) else ""
        page = render_template("reader_sign_in.html", room="", token=token, after=after)
        answer = make_response(page)
        door.set_cookie(answer, "form", mark, FORM_S)
        return answer

    @pages.post("/sign-in")
    def signed_in() -> Answer:
        if not door.covered():
            return _not_covered()
        lock = door.lock()
        if not closed or lock is None:
            return _refuse(403, "Refused", "There is no code to sign in with.")
        if not door.own_form() or not door.form_came_back(lock):
            return _refuse(403, "Refused", "This form is old: load the page again.")
        tried = door.tried_to_read(lock, request.form.get("code", ""))
        if tried.wait_s:
            return _too_many(tried.wait_s)
        if not tried.right:
            return _refuse(401, "Wrong code", "That is not the reader's code.")
        log.info("a reader signed in from %s", door.address())
        after = request.form.get("next", "")
        answer = redirect(after if _NEXT.fullmatch(after) else url_for("pages.now"), 303)
        door.let_read(answer, lock)
        door.remember_device(answer, lock, READER)
        door.drop_cookie(answer, "form")
        return answer

    return pages
