"""Routes. They fetch rows and hand them to what is pure; they decide nothing."""

import threading
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from flask import Blueprint, Response, abort, g, jsonify, render_template, request
from jinja2.utils import htmlsafe_json_dumps
from werkzeug.exceptions import HTTPException

from edge import __version__
from edge.errors import StoreError
from edge.model import SUPPLY
from edge.settings import Settings
from edge.store import read
from web import api, history, metrics, present, sure, window
from web.shown import Local
from web.turns import one_at_a_time
from web.window import SPANS, Window

LOG_ROWS = 100
READINGS_S = 60.0


@dataclass(frozen=True, slots=True)
class Site:
    """What every route needs to know, and the one place where files are opened."""

    settings: Settings
    state_dir: Path
    runtime_dir: Path
    clock: Callable[[], float]

    def latest(self) -> tuple[dict[str, Any] | None, float | None]:
        """What the daemon last wrote, and when; None while it has not, which shows as blind."""
        try:
            # Asked first: a file replaced in between then looks older than it is, never newer.
            saved_at = (self.runtime_dir / read.LATEST).stat().st_mtime
            return read.latest(self.runtime_dir), saved_at
        except (OSError, StoreError):
            return None, None

    def changed(self) -> tuple[int, ...] | None:
        """Differs whenever the daemon has written something new; None while there is nothing."""
        try:
            found = (self.runtime_dir / read.LATEST).stat()
            return found.st_mtime_ns, found.st_ino, found.st_size
        except OSError:
            return None

    def view(self) -> tuple[dict[str, Any] | None, present.FirstView, Local]:
        """The newest, what the first view says of it, and the time at the site."""
        latest, saved_at = self.latest()
        view = present.first_view(latest, saved_at, self.settings, self.clock())
        return latest, view, Local(self.settings.site.zone, view.seen.site_now)

    def reader(self) -> read.Reader:
        return read.Reader(self.state_dir)

    def now_kpa(self, latest: dict[str, Any] | None, seen: present.Freshness) -> float | None:
        """The newest pressure, only while it is fresh."""
        if latest is None or not seen.fresh:
            return None
        value: float | None = (latest["channels"].get(self.settings.supply.pressure) or {}).get(
            "value"
        )
        return value


def blueprint(site: Site) -> Blueprint:
    """Every route of the page for one site."""
    pages = Blueprint("pages", __name__)
    settings = site.settings
    own = settings.site

    @pages.app_context_processor
    def about() -> dict[str, Any]:
        return {
            "site": own,
            "caution": present.CAUTION,
            "version": __version__,
            "read_s": present.READ_S,
            "shut": g.get("shut", False),
        }

    _view = site.view
    # The day's chart as last drawn, and of what; replaced whole, so threads may share it.
    drawn: list[tuple[Any, history.Pressure, list[history.Stretch], list[history.Stretch]]] = []

    def _standing(latest: dict[str, Any] | None) -> list[dict[str, Any]]:
        found: list[dict[str, Any]] = ((latest or {}).get("picture") or {}).get("alerts") or []
        return found

    def _ribbon(
        db: read.Reader, latest: dict[str, Any] | None, w: Window
    ) -> tuple[read.Ribbon, list[read.Run], list[history.Stretch], list[history.Stretch]]:
        """The supply's pressure, its runs, and when alerts were open and hold tests ran."""
        told = db.events(api.MOST_EVENTS, None, history.ALERTS, w.since, w.until)
        far = history.LONGEST_TEST_S
        held = db.events(api.MOST_EVENTS, None, history.TESTS, w.since - far, w.until + far)
        return (
            db.ribbon(settings.supply.pressure, w.since, w.until, w.points),
            db.runs(w.since, w.until),
            history.alerted(told, _standing(latest), w.since, w.until),
            history.tested(held, w.since, w.until),
        )

    @pages.get("/")
    def now() -> str:
        latest, view, local = _view()
        day, chart = SPANS["day"].to(local.now), None
        alerts: list[history.Stretch] = []
        tests: list[history.Stretch] = []
        try:
            with site.reader() as db:
                now_kpa = site.now_kpa(latest, view.seen)
                # Readings are written once a minute: who looks within the same one sees the same.
                key = (
                    db.newest(),
                    local.now // READINGS_S,
                    now_kpa is None,
                    tuple((a["alert"], a["since"]) for a in _standing(latest)),
                )
                if drawn and drawn[0][0] == key:
                    _, chart, alerts, tests = drawn[0]
                else:
                    line, runs, alerts, tests = _ribbon(db, latest, day)
                    chart = history.pressure(
                        day,
                        line,
                        runs,
                        settings,
                        local,
                        now_kpa=now_kpa,
                        alerts=alerts,
                        tests=tests,
                    )
                    drawn[:] = [(key, chart, alerts, tests)]
        except StoreError:
            pass  # the page says that there is no history to draw
        lost = present.lost(settings)
        return render_template(
            "now.html", room="now", view=view, chart=chart, alerts=alerts, tests=tests, lost=lost
        )

    @pages.get("/history")
    @one_at_a_time
    def past() -> str:
        latest, view, local = _view()
        try:
            w = window.asked(request.args, local.now)
        except window.NoSuch:
            abort(404)
        section = ((latest or {}).get("picture") or {}).get("sections", {}).get(SUPPLY, {})
        try:
            with site.reader() as db:
                line, runs, alerts, tests = _ribbon(db, latest, w)

                def measured(kind: str) -> list[dict[str, Any]]:
                    return db.events(api.MOST_EVENTS, None, [kind], w.since, w.until)

                # One after the other: a year of either takes megabytes.
                baseline = section.get("baseline")
                lost = history.loss(w, measured("idle_measured"), baseline, settings, local)
                pure = history.nitrogen(w, measured("purity_measured"), settings, local)
        except StoreError:
            return render_template("history.html", room="history", view=view, chart=None)
        chart = history.pressure(
            w,
            line,
            runs,
            settings,
            local,
            now_kpa=None if w.fixed else site.now_kpa(latest, view.seen),
            alerts=alerts,
            tests=tests,
        )
        series = (lost, pure, history.runtime(w, line, runs, settings, local))
        asked = window.address(w.since, w.until) if w.fixed else {"span": w.key}
        return render_template(
            "history.html",
            room="history",
            view=view,
            window=w,
            asked=asked,
            csv=window.address(w.since, w.until),
            between=[local.moment(t) for t in (w.since, w.until)],
            spans=SPANS.values(),
            ways=window.neighbours(w, local.now),
            chart=chart,
            alerts=alerts,
            tests=tests,
            series=series,
            offset=local.offset(local.now),
        )

    @pages.get("/log")
    @one_at_a_time
    def log() -> str:
        key = request.args.get("show", "alerts")
        if key not in history.LOGS:
            abort(404)
        before = request.args.get("before", type=int)
        if before is not None and not 0 < before < 2**63:  # more than the database can count
            abort(404)
        _, view, local = _view()
        rows: tuple[history.LogRow, ...] | None
        older = None
        try:
            with site.reader() as db:
                found = db.events(LOG_ROWS + 1, before, history.LOGS[key][1])
            rows = history.log_rows(found[:LOG_ROWS], local)
            older = found[LOG_ROWS - 1]["n"] if len(found) > LOG_ROWS else None
        except StoreError:
            rows = None
        return render_template(
            "log.html",
            room="log",
            view=view,
            logs=history.LOGS,
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
            return sure.rows(key, section, channels, settings, local)

        sections = [SUPPLY, *(s.name for s in settings.system)]
        return render_template(
            "how.html",
            room="how",
            view=view,
            sections=[
                (present.section_name(name), present.workings(picture, name, name == SUPPLY, close))
                for name in sections
            ],
            collected=present.COLLECTED,
        )

    @pages.get("/monitor")
    def monitor() -> str:
        latest, view, _ = _view()
        said = {} if latest is None else latest.get("monitor") or {}
        return render_template(
            "monitor.html",
            room="monitor",
            view=view,
            channels=present.channel_rows(latest, settings),
            monitor=present.monitor_rows(said, settings),
            tick=None if latest is None else latest.get("tick"),
            endpoints=api.ENDPOINTS,
        )

    # --- for programs

    @pages.get("/api/ribbon")
    @one_at_a_time
    def api_ribbon() -> Response:
        latest, view, local = _view()
        try:
            w = window.asked(request.args, local.now)
        except window.NoSuch as error:
            raise api.Refused(str(error)) from error
        with site.reader() as db:
            line, runs, alerts, tests = _ribbon(db, latest, w)
        now_kpa = None if w.fixed else site.now_kpa(latest, view.seen)
        return jsonify(
            history.drawing(w, line, runs, settings, now_kpa, alerts=alerts, tests=tests)
        )

    @pages.get("/api/status")
    def api_status() -> Response:
        latest, view, _ = _view()
        return jsonify(api.status(latest, view, settings))

    # Years of readings take seconds: one such question at a time leaves the page its threads.
    long_reads = threading.Lock()

    @pages.get("/api/readings")
    def api_readings() -> Response | tuple[Response, int]:
        _, _, local = _view()
        asked = api.asked_readings(request.args, settings, local.now)
        if asked.heavy and not long_reads.acquire(blocking=False):
            return jsonify({"error": "another long question is being answered: ask again"}), 503
        try:
            with site.reader() as db:
                found = {
                    name: db.ribbon(name, asked.since, asked.until, asked.points)
                    for name in asked.channels
                }
        finally:
            if asked.heavy:
                long_reads.release()
        return jsonify(api.readings(asked, found, settings))

    @pages.get("/api/events")
    @one_at_a_time
    def api_events() -> Response:
        asked = api.asked_events(request.args)
        with site.reader() as db:
            found = db.events(asked.limit, asked.before, asked.kinds, asked.since, asked.until)
        return jsonify(api.events(asked, found))

    @pages.get("/api/tests")
    @one_at_a_time
    def api_tests() -> Response:
        asked = api.asked_events(request.args)
        with site.reader() as db:
            found = db.events(
                asked.limit, asked.before, ["hold_test_finished"], asked.since, asked.until
            )
        return jsonify(api.tests(asked, found))

    @pages.get("/api/openapi.json")
    def api_description() -> Response:
        return jsonify(api.description(settings))

    @pages.get("/metrics")
    def api_metrics() -> Response:
        latest, view, _ = _view()
        return Response(metrics.text(latest, view, settings), mimetype=metrics.MIMETYPE)

    @pages.get("/healthz")
    def healthz() -> tuple[Response, int]:
        _, view, _ = _view()
        try:
            site.reader().close()
            database = None
        except StoreError as error:
            database = str(error)
        answer = api.health(view, database)
        return jsonify(answer), 200 if answer["status"] == "ok" else 503

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
