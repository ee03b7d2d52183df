"""What the page says of itself: the description of its API for people, the door's label, and what
a phone's home screen asks for. Routes only."""

import logging
import re
import subprocess
import sys

from flask import Blueprint, Response, abort, jsonify, redirect, render_template, request, url_for
from markupsafe import Markup, escape
from werkzeug.wrappers import Response as BaseResponse

from web import api, label
from web.site import Site

log = logging.getLogger(__name__)

NAME = "about"
SIZES = (180, 192, 512)
DRAWN_WITHIN_S = 30.0
KEPT_S = 86400
_CODE = re.compile("`([^`]+)`")


def coded(text: str) -> Markup:
    """What the description sets between backticks, as code."""
    return Markup(_CODE.sub(r"<code>\1</code>", str(escape(text))))  # the rest went through escape


def blueprint(site: Site) -> Blueprint:
    """`/api`, `/label`, and the manifest with its icons."""
    pages = Blueprint(NAME, __name__)
    own = site.settings.site
    icons: dict[int, bytes] = {}
    pages.add_app_template_filter(coded)

    @pages.get("/api")
    def interface() -> str:
        _, view, _ = site.view()
        return render_template(
            "api.html",
            room="api",
            view=view,
            questions=api.questions(api.description(site.settings)),
            closed=site.settings.page.reading == "code",
        )

    @pages.get("/label")
    def door_label() -> str:
        _, view, _ = site.view()
        said = label.label(site.settings, request.url_root)
        return render_template(
            "label.html",
            room="label",
            view=view,
            label=said,
            qr=label.drawn(said.address),
            only_here=label.only_here(said.address),
        )

    @pages.get("/manifest.webmanifest")
    def manifest() -> Response:
        """W3C Web Application Manifest."""
        shapes = [{"src": url_for("static", filename="icon.svg"), "sizes": "any"}]
        shapes += [
            {
                "src": url_for(f"{NAME}.icon", size=size),
                "sizes": f"{size}x{size}",
                "type": "image/png",
                "purpose": "any maskable",
            }
            for size in SIZES[1:]
        ]
        answer = jsonify(
            {
                "id": "/",
                "name": f"{own.name}: nitrogen supply",
                "short_name": own.name,
                "start_url": "/",
                "scope": "/",
                "display": "standalone",
                "background_color": "#f7f6f2",
                "theme_color": "#27313a",
                "icons": shapes,
            }
        )
        answer.mimetype = "application/manifest+json"
        return answer

    @pages.get("/icon-<int:size>.png")
    def icon(size: int) -> Response:
        if size not in SIZES:
            abort(404)
        if size not in icons:
            try:
                icons[size] = subprocess.run(
                    [sys.executable, "-m", "web.icon", str(size)],
                    stdout=subprocess.PIPE,
                    timeout=DRAWN_WITHIN_S,
                    check=True,
                ).stdout
            except (OSError, subprocess.SubprocessError) as error:
                log.error("the icon was not drawn: %s", error)
                abort(503)
        answer = Response(icons[size], mimetype="image/png")
        answer.headers["Cache-Control"] = f"public, max-age={KEPT_S}"
        return answer

    @pages.get("/favicon.ico")
    def favicon() -> BaseResponse:
        return redirect(url_for("static", filename="icon.svg"), 302)

    return pages
