"""The page: a process of its own. It reads, and what a technician asks for goes into the letterbox."""

import gzip
import time
from collections.abc import Callable
from pathlib import Path

from flask import Flask, Request, Response, request
from werkzeug.exceptions import BadRequest

from edge.settings import Settings
from web import about, gas, live, reader, records, side, technician, views, week, work
from web.door import Door
from web.site import Site
from web.stream import Places

_TEXT = ("text/", "application/json", "application/javascript", "image/svg+xml")

POLICY = (
    "default-src 'none'; style-src 'self'; script-src 'self'; img-src 'self'; connect-src 'self'; "
    "manifest-src 'self'; "
    "base-uri 'none'; form-action 'none'; frame-ancestors 'none'"
)
"""Nothing but our own files, and nothing inline."""

PLACES = "dryhold places"
"""Where an app keeps its web.stream.Places, for who must end its streams."""

LARGEST_FORM = 64 * 1024
LARGEST_HEAD = 16 * 1024  # a request's line and headers; the server counts them


def create_app(
    settings: Settings,
    state_dir: Path,
    runtime_dir: Path,
    clock: Callable[[], float] = time.time,
    steady: Callable[[], float] = time.monotonic,
) -> Flask:
    """The page of one site.

    `state_dir` holds the database, opened read-only for each request; `runtime_dir` holds the
    daemon's latest.json; `clock` gives UTC in seconds since 1970. Nothing needs to be there yet:
    the page then says that it is blind. `steady` gives seconds that never jump, in which sessions
    and waits are counted.
    """
    app = Flask(__name__)
    app.jinja_env.trim_blocks = True
    app.jinja_env.lstrip_blocks = True
    app.config["SEND_FILE_MAX_AGE_DEFAULT"] = 3600
    app.config["MAX_CONTENT_LENGTH"] = app.config["MAX_FORM_MEMORY_SIZE"] = LARGEST_FORM

    @app.before_request
    def well_formed() -> Response | None:
        """Before anything else looks at it; told in plain words, since a page shows the site."""
        if _malformed(request):
            return Response("400 Bad Request\n", 400, mimetype="text/plain")
        return None

    site = Site(settings, state_dir, runtime_dir, clock)
    door = Door(settings, state_dir, clock, steady)
    app.register_blueprint(reader.blueprint(site, door))
    app.register_blueprint(views.blueprint(site))
    app.extensions[PLACES] = places = Places()
    app.register_blueprint(live.blueprint(site, places, steady))
    app.register_blueprint(about.blueprint(site))
    app.register_blueprint(records.blueprint(site))
    app.register_blueprint(week.blueprint(site))
    app.register_blueprint(work.blueprint(site))
    app.register_blueprint(gas.blueprint(site))
    app.register_blueprint(technician.blueprint(site, door))

    packed: dict[str, bytes] = {}

    @app.after_request
    def pack(response: Response) -> Response:
        """Squeeze text for slow lines; what never changes is squeezed once."""
        response.vary.add("Accept-Encoding")
        if (
            response.status_code != 200
            or (response.is_streamed and request.endpoint != "static")
            or not request.accept_encodings.quality("gzip")
            or not (response.mimetype or "").startswith(_TEXT)
        ):
            return response
        if request.endpoint != "static":
            response.set_data(gzip.compress(response.get_data(), 5))
        else:
            response.direct_passthrough = False
            if request.path not in packed:
                packed[request.path] = gzip.compress(response.get_data(), 9)
            response.close()  # the file: its content is replaced
            response.set_data(packed[request.path])
        response.headers["Content-Encoding"] = "gzip"
        return response

    @app.after_request
    def guard(response: Response) -> Response:
        inside = request.blueprint in (reader.NAME, side.NAME)
        response.headers["Content-Security-Policy"] = (
            POLICY.replace("form-action 'none'", "form-action 'self'") if inside else POLICY
        )
        response.headers["X-Content-Type-Options"] = "nosniff"
        # With "no-referrer" a browser hides the origin of a form, which is checked inside.
        response.headers["Referrer-Policy"] = "same-origin" if inside else "no-referrer"
        response.headers.setdefault("Cache-Control", "no-store")
        return response

    return app


def _malformed(asked: Request) -> bool:
    """What HTTP says a server must refuse and ours does not (RFC 9110, 5.5; RFC 9112, 3.2,
    5.1), an address that is not ASCII (RFC 3986), and a host that is none: the library fails on
    them."""
    sent = {k: str(v) for k, v in asked.environ.items() if k.startswith("HTTP_")}
    hostless = "HTTP_HOST" not in sent and asked.environ["SERVER_PROTOCOL"] != "HTTP/1.0"
    no_host = isinstance(asked.routing_exception, BadRequest)
    return (
        hostless
        or no_host
        or not asked.query_string.isascii()
        or any(" " in name or "\0" in value for name, value in sent.items())
    )
