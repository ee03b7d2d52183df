"""The account of the week, and the description of what brokers are told."""

from importlib import resources

from flask import Blueprint, Response, render_template

from edge import week
from edge.errors import StoreError
from web.site import Site
from web.turns import one_at_a_time

NAME = "week"


def blueprint(site: Site) -> Blueprint:
    """/week and /api/asyncapi.yaml."""
    pages = Blueprint(NAME, __name__)
    settings = site.settings

    @pages.get("/week")
    @one_at_a_time
    def account() -> str:
        latest, view, local = site.view()
        try:
            with site.reader() as kept:
                picture = {} if latest is None else latest["picture"]
                told = week.account(kept, settings, picture, local.now)
        except StoreError:
            told = None  # the page says that there is no history to tell of
        return render_template("week.html", room="week", view=view, account=told, local=local)

    @pages.get("/api/asyncapi.yaml")
    def asyncapi() -> Response:
        text = resources.files("edge.tell").joinpath("asyncapi.yaml").read_text("utf-8")
        return Response(text, mimetype="application/yaml")

    return pages
