"""The first view kept true: what is new, told as it happens, or asked for. Routes only."""

import threading
from collections.abc import Callable, Iterator
from typing import Any, NamedTuple

from flask import Blueprint, Response, jsonify, render_template, request, stream_with_context

from web import stream
from web.site import Site


class Said(NamedTuple):
    """The board's state by its id, and what every message says."""

    id: str
    head: dict[str, Any]


def blueprint(site: Site, places: stream.Places, steady: Callable[[], float]) -> Blueprint:
    """`/now` and `/stream` of one site."""
    pages = Blueprint("live", __name__)
    board = stream.Board()
    guard = threading.Lock()
    newest: list[tuple[object, Said]] = []

    def look() -> Said:
        """What is to be said now; looked up and drawn once a second for all who follow."""
        with guard:
            now = site.clock()
            key = (site.changed(), int(now))
            if not newest or newest[0][0] != key:
                _, view, _ = site.view()
                seen = view.seen
                head = {
                    "age": None if seen.age_s is None else round(seen.age_s, 1),
                    "at": view.written.text if view.written else "",
                    "fresh": seen.fresh,
                    "state": view.state.key,
                    "word": view.state.word,
                }
                found = stream.parts(render_template("live.html", view=view))
                newest[:] = [(key, Said(board.renew(found), head))]
            return newest[0][1]

    @pages.get("/now")
    def now() -> Response:
        """All of it, for who asks every few seconds."""
        said = look()
        return jsonify({**said.head, "parts": board.since(None)})

    def messages(known: str | None) -> Iterator[bytes]:
        yield stream.opening()
        began, last = steady(), float("-inf")
        while steady() - began < stream.LASTS_S:
            said = look()
            if said.id != known or steady() - last >= places.beat_s:
                yield stream.message(said.id, {**said.head, "parts": board.since(known)})
                known, last = said.id, steady()
            if places.closing.wait(places.look_s):
                return

    @pages.get("/stream")
    def follow() -> Response | tuple[Response, int]:
        if not places.take():
            return jsonify({"error": "every place is taken: ask /now every few seconds"}), 503
        told = stream_with_context(messages(request.headers.get("Last-Event-ID")))
        answer = Response(told, mimetype="text/event-stream")
        answer.call_on_close(places.give_back)  # also when nobody was there to read the first word
        answer.headers["X-Accel-Buffering"] = "no"  # for a proxy that would hold it back
        return answer

    return pages
