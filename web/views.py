"""The rooms for everyone. Routes: they fetch rows and hand them to what is pure; they decide nothing."""

from collections.abc import Mapping
from typing import Any

from flask import Blueprint, Response, abort, g, jsonify, render_template, request
from jinja2.utils import htmlsafe_json_dumps
from werkzeug.exceptions import HTTPException

from edge import __version__
from edge.caution import CAUTION
from edge.errors import StoreError
from edge.model import SUPPLY
from web import api, health, pressure, programs, sentence, series, sure, window, workings
from web.fresh import READ_S
from web.gauge import chosen, gauges
from web.log import LOGS, LogRow, log_rows
from web.looked import MOST_EVENTS, look, standing
from web.named import section_name
from web.site import Site
from web.turns import one_at_a_time
from web.window import SPANS

LOG_ROWS = 100
READINGS_S = 60.0


def blueprint(site: Site) -> Blueprint:
    """Every route of the page for one site."""
    pages = Blueprint("pages", __name__)
    settings = site.settings
    own = settings.site

    @pages.app_context_processor
    def about() -> dict[str, Any]:
        return {
            "site": own,
            "caution": CAUTION,
            "version": __version__,
            "read_s": READ_S,
            "shut": g.get("shut", False),
        }

    _view = site.view
    line = gauges(settings)[SUPPLY]
    # The day's chart as last drawn, and of what; replaced whole, so threads may share it.
    drawn: list[tuple[Any, pressure.Pressure]] = []

    @pages.get("/")
    def now() -> str:
        latest, view, local = _view()
        day, chart = SPANS["day"].to(local.now), None
        try:
            with site.reader() as db:
                now_kpa = site.now_kpa(latest, view.seen, line.channel)
                # Readings are written once a minute: who looks within the same one sees the same.
                key = (
                    db.newest(),
                    local.now // READINGS_S,
                    now_kpa is None,
                    tuple((a["alert"], a["since"]) for a in standing(latest)),
                )
                if drawn and drawn[0][0] == key:
                    chart = drawn[0][1]
                else:
                    seen = look(db, latest, day, line)
                    chart = pressure.chart(line, day, seen, settings, local, now_kpa)
                    drawn[:] = [(key, chart)]
        except StoreError:
            pass  # the page says that there is no history to draw
        lost = sentence.lost(settings)
        return render_template("now.html", room="now", view=view, chart=chart, lost=lost)

    @pages.get("/history")
    @one_at_a_time
    def past() -> str:
        latest, view, local = _view()
        try:
            w = window.asked(request.args, local.now)
            gauge = chosen(request.args, settings)
        except window.NoSuch:
            abort(404)
        section = ((latest or {}).get("picture") or {}).get("sections", {}).get(SUPPLY, {})
        try:
            with site.reader() as db:
                seen = look(db, latest, w, gauge)

                def measured(kind: str) -> list[dict[str, Any]]:
                    return db.events(MOST_EVENTS, None, [kind], w.since, w.until)

                more: tuple[series.Series, ...] = ()
                if seen.runs is not None:
                    # One after the other: a year of either takes megabytes.
                    baseline = section.get("baseline")
                    more = (
                        series.loss(w, measured("idle_measured"), baseline, settings, local),
                        series.nitrogen(w, measured("purity_measured"), settings, local),
                        series.runtime(w, seen.ribbon, seen.runs, settings, local),
                    )
        except StoreError:
            return render_template("history.html", room="history", view=view, chart=None)
        now_kpa = None if w.fixed else site.now_kpa(latest, view.seen, gauge.channel)
        chart = pressure.chart(gauge, w, seen, settings, local, now_kpa)
        stretch = window.address(w.since, w.until)
        which = {} if seen.runs is not None else {"section": gauge.section}
        return render_template(
            "history.html",
            room="history",
            view=view,
            window=w,
            asked=stretch if w.fixed else {"span": w.key},
            stretch=stretch,
            gauge=gauge,
            gauges=gauges(settings).values(),
            which=which,
            between=[local.moment(t) for t in (w.since, w.until)],
            spans=SPANS.values(),
            ways=window.neighbours(w, local.now),
            chart=chart,
            series=more,
            offset=local.offset(local.now),
        )

    @pages.get("/log")
    @one_at_a_time
    def log() -> str:
        key = request.args.get("show", "alerts")
        if key not in LOGS:
            abort(404)
        before = request.args.get("before", type=int)
        if before is not None and not 0 < before < 2**63:  # more than the database can count
            abort(404)
        _, view, local = _view()
        rows: tuple[LogRow, ...] | None
        older = None
        try:
            with site.reader() as db:
                found = db.events(LOG_ROWS + 1, before, LOGS[key][1])
            rows = log_rows(found[:LOG_ROWS], local)
            older = found[LOG_ROWS - 1]["n"] if len(found) > LOG_ROWS else None
        except StoreError:
            rows = None
        return render_template(
            "log.html",
            room="log",
            view=view,
            logs=LOGS,
            show=key,
            rows=rows,
            older=older,
            offset=local.offset(local.now),
        )

    @pages.get("/how")
    def how() -> str:
        latest, view, local = _view()
        picture = {} if latest is None else latest["picture"]
        channels = {} if latest is None else latest["channels"]

        def close(key: str, section: Mapping[str, Any]) -> tuple[sure.Row, ...]:
            calibrated = picture.get("calibrated", {})
            return sure.rows(key, section, channels, settings, local, calibrated)

        sections = [SUPPLY, *(s.name for s in settings.system)]
        return render_template(
            "how.html",
            room="how",
            view=view,
            sections=[
                (section_name(name), workings.workings(picture, name, name == SUPPLY, close))
                for name in sections
            ],
            collected=workings.COLLECTED,
        )

    @pages.get("/monitor")
    def monitor() -> str:
        latest, view, _ = _view()
        said = {} if latest is None else latest.get("monitor") or {}
        return render_template(
            "monitor.html",
            room="monitor",
            view=view,
            channels=health.channel_rows(latest, settings),
            monitor=health.monitor_rows(said),
            tick=None if latest is None else latest.get("tick"),
            endpoints=api.ENDPOINTS,
        )

    programs.add(pages, site)

    # --- when something is not there

    @pages.app_errorhandler(StoreError)
    def not_readable(error: StoreError) -> tuple[Response, int]:
        # Pages catch this themselves and say so in place; this is for programs.
        return jsonify({"error": f"the database cannot be read: {error}"}), 503

    @pages.app_errorhandler(api.Refused)
    def refused(error: api.Refused) -> tuple[Response, int]:
        # It quotes what was asked, so with nothing in it that anybody could take for markup.
        said = htmlsafe_json_dumps({"error": str(error)})
        return Response(said, mimetype="application/json"), 400

    @pages.app_errorhandler(HTTPException)
    def not_found(error: HTTPException) -> tuple[Response | str, int]:
        code = error.code or 500
        if request.path.startswith("/api/"):
            return jsonify({"error": error.name.lower()}), code
        _, view, _ = _view()
        return render_template("error.html", room="", view=view, name=error.name), code

    return pages
