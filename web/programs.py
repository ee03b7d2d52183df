"""Routes for programs: they fetch rows and hand them to what is pure; they decide nothing."""

import threading

from flask import Blueprint, Response, jsonify, request

from edge.errors import StoreError
from web import api, metrics, pressure, window
from web.gauge import chosen
from web.looked import look
from web.site import Site
from web.turns import one_at_a_time


def add(pages: Blueprint, site: Site) -> None:
    """Put the answers for programs among the pages."""
    settings = site.settings

    @pages.get("/api/ribbon")
    @one_at_a_time
    def api_ribbon() -> Response:
        latest, view, local = site.view()
        try:
            w = window.asked(request.args, local.now)
            gauge = chosen(request.args, settings)
        except window.NoSuch as error:
            raise api.Refused(str(error)) from error
        with site.reader() as db:
            seen = look(db, latest, w, gauge)
        now_kpa = None if w.fixed else site.now_kpa(latest, view.seen, gauge.channel)
        return jsonify(pressure.drawing(gauge, w, seen, settings, now_kpa))

    @pages.get("/api/status")
    def api_status() -> Response:
        latest, view, _ = site.view()
        return jsonify(api.status(latest, view, settings))

    # Years of readings take seconds: one such question at a time leaves the page its threads.
    long_reads = threading.Lock()

    @pages.get("/api/readings")
    def api_readings() -> Response | tuple[Response, int]:
        _, _, local = site.view()
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
        latest, view, _ = site.view()
        return Response(metrics.text(latest, view, settings), mimetype=metrics.MIMETYPE)

    @pages.get("/healthz")
    def healthz() -> tuple[Response, int]:
        _, view, _ = site.view()
        try:
            site.reader().close()
            database = None
        except StoreError as error:
            database = str(error)
        answer = api.health(view, database)
        return jsonify(answer), 200 if answer["status"] == "ok" else 503
