"""Records, for everyone who may read: list, sheet, PDF, CSV and JSON. Routes only.

Hold tests go by the number of their event, other records by their place in the chain.
"""

import dataclasses
import json
import logging
import subprocess
import sys
import threading
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from io import TextIOWrapper
from itertools import islice
from tempfile import TemporaryFile
from typing import Any

from flask import Blueprint, Response, abort, jsonify, render_template, request, send_file

from edge import recording
from edge.errors import StoreError
from edge.hold import where
from edge.model import SUPPLY, Tick, iso
from edge.record import CHANGED
from edge.settings import Settings
from web import api, record, sheet, window
from web.site import Site

log = logging.getLogger(__name__)

MOST = 200
PDF_WITHIN_S = 60.0
MOST_EXPORTED_S = 366 * 86400.0
SLICE_S = 900.0
LINES = 500


@contextmanager
def _as_made(seq: int) -> Iterator[None]:
    try:
        yield
    except CHANGED as error:
        raise StoreError(f"record {seq} is not as it was made: {error}") from error


def blueprint(site: Site) -> Blueprint:
    """Every route of the records of one site."""
    pages = Blueprint("records", __name__)
    settings = site.settings

    @pages.get("/records")
    def records() -> str:
        _, view, local = site.view()
        rows: list[record.Listed] | None
        made, chain = list[sheet.Listed](), ""
        try:
            with site.reader() as db:
                said = db.events(MOST, None, ["hold_test_answered"])
                tests = [record.told(test, said) for test in db.tests(MOST)]
                rows = [record.listed(test, settings, local) for test in tests]
                made = [
                    sheet.listed(one, local) for one in db.records.headings(list(sheet.KINDS), MOST)
                ]
                chain = sheet.status(db.records.chain())
        except (*CHANGED, StoreError):
            rows = None
        return render_template(
            "records.html", room="records", view=view, rows=rows, made=made, chain=chain
        )

    def _made(seq: int) -> tuple[dict[str, Any], sheet.Sheet]:
        """A record of the chain that has a sheet of this kind, and the sheet."""
        with site.reader() as db:
            if db.records.kind_of(seq) not in sheet.KINDS:
                abort(404)
            plain = db.records.one(seq)
            with _as_made(seq):
                return plain, sheet.sheet(plain, db.records.chain(), settings, site.clock())

    @pages.get("/records/made/<int(max=4294967295):seq>")
    def made(seq: int) -> str:
        _, view, _ = site.view()
        return render_template("sheet.html", room="records", view=view, sheet=_made(seq)[1])

    @pages.get("/records/made/<int(max=4294967295):seq>.pdf")
    def made_paper(seq: int) -> Response:
        given = {"sheet": dataclasses.asdict(_made(seq)[1])}
        return _answer(_drawn(given), "application/pdf", f"{settings.site.id}-record-{seq}.pdf")

    @pages.get("/records/made/<int(max=4294967295):seq>.json")
    def made_data(seq: int) -> Response:
        """The record itself, in inside units, as it is in the chain."""
        text = json.dumps(_made(seq)[0], ensure_ascii=False, indent=1)
        name = f"{settings.site.id}-record-{seq}.json"
        return _answer(text.encode("utf-8", "replace"), "application/json", name, "attachment")

    @pages.get("/records/made/<int(max=4294967295):seq>.csv")
    def made_table(seq: int) -> Response:
        plain, _ = _made(seq)
        with _as_made(seq):
            text = sheet.table(plain, settings).encode("utf-8", "replace")
        return _answer(text, "text/csv", f"{settings.site.id}-record-{seq}.csv", "attachment")

    def _found(number: int) -> tuple[dict[str, Any], dict[str, Any] | None, Any, list[str], Any]:
        """Event, what was kept beside it, the event that valves are back, where to look, and the
        event that says what the alarm did."""
        with site.reader() as db:
            if number not in {test["n"] for test in db.events(1, number + 1, _FINISHED)}:
                abort(404)
            test, aside = db.test(number)
            told = db.events(MOST, None, ["valves_put_back"])
            said = db.events(MOST, None, ["hold_test_answered"])
            tested: dict[str, where.Last] = {}
            for other in db.events(MOST, number + 1, _FINISHED):
                if not other.get("void"):
                    tested.setdefault(other["section"], where.Last.of(other))
        back = next((b for b in told if _belongs(b, test)), None)
        leaks = test["verdict"] == "leaks" and not test.get("void")
        sections = [SUPPLY, *(s.name for s in settings.system)]
        look = where.look(tested, sections) if leaks else []
        answer = next((a for a in said if _belongs(a, test)), None)
        return test, aside, back, look, answer

    def _sheet(number: int) -> record.Record:
        test, aside, back, look, answer = _found(number)
        test = dict(record.told(test, [answer] if answer else []))
        with site.reader() as db:
            linked, chain = db.records.hash_of(number), sheet.status(db.records.chain())
        return record.record(test, aside, back, look, settings, site.clock(), linked, chain)

    @pages.get("/records/<int(max=4294967295):number>")
    def one(number: int) -> str:
        _, view, _ = site.view()
        return render_template(
            "record.html",
            room="records",
            view=view,
            record=_sheet(number),
            signatures=record.SIGNATURES,
        )

    @pages.get("/records/<int(max=4294967295):number>.pdf")
    def paper(number: int) -> Response:
        plain = dataclasses.asdict(dataclasses.replace(_sheet(number), drawing=None))
        given = {"record": plain, "signatures": record.SIGNATURES}
        return _answer(_drawn(given), "application/pdf", f"{_name(number)}.pdf")

    def _drawn(given: Mapping[str, Any]) -> bytes:
        """A PDF, drawn by a process of its own."""
        try:
            made = subprocess.run(
                [sys.executable, "-m", "web.press"],
                input=json.dumps(given).encode(),
                capture_output=True,
                timeout=PDF_WITHIN_S,
                check=True,
            )
        except (subprocess.SubprocessError, OSError) as error:
            log.error("no PDF: %s %s", error, getattr(error, "stderr", ""))
            abort(503)
        return made.stdout

    @pages.get("/records/<int(max=4294967295):number>.json")
    def data(number: int) -> Response:
        test, aside, back, look, told = _found(number)
        beside = {"where": look, "put_back": back, "alarm": told, "kept": aside}
        answer = jsonify({**test, **beside})
        answer.headers["Content-Disposition"] = f"attachment; filename={_name(number)}.json"
        return answer

    @pages.get("/records/<int(max=4294967295):number>.csv")
    def readings(number: int) -> Response:
        """Every reading of the test as a recording, which `dryhold hold judge` reads."""
        _, aside, *_ = _found(number)
        if aside is None:
            abort(404)  # it never began to hold: it has no readings
        names = [channel.name for channel in settings.channel]
        file = TemporaryFile()  # noqa: SIM115 - Flask closes it once it is sent
        text = TextIOWrapper(file, encoding="utf-8", newline="")
        with site.reader() as db:
            recording.write(text, settings, db.steady(names, aside["start_t"], aside["end_t"]))
        text.detach()  # which also puts down what it still held
        file.seek(0)
        return send_file(
            file,
            mimetype="text/csv",
            as_attachment=True,
            download_name=f"{_name(number)}.csv",
        )

    def _wanted(names: Sequence[str]) -> Settings:
        """The settings with those channels alone, with all where none is named."""
        unknown = set(names) - {channel.name for channel in settings.channel}
        if unknown:
            known = ", ".join(channel.name for channel in settings.channel)
            raise api.Refused(f"channel: expected one of {known}, found {sorted(unknown)[0]!r}")
        some = [c for c in settings.channel if not names or c.name in names]
        return settings.model_copy(update={"channel": some})

    exporting = threading.Lock()

    @pages.get("/records/readings.csv")
    def stretch() -> Response | tuple[Response, int]:
        """Every reading from one time to another as a recording, which `dryhold replay` reads."""
        if "from" not in request.args:
            raise api.Refused("from: expected ISO 8601 with Z or an offset, found nothing")
        try:
            w = window.asked(request.args, site.view()[2].now)
        except window.NoSuch as error:
            raise api.Refused(str(error)) from error
        if w.seconds > MOST_EXPORTED_S:
            raise api.Refused("from, to: expected no more than 366 days")
        wanted = _wanted(request.args.getlist("channel"))
        db = site.reader()
        if not exporting.acquire(blocking=False):
            db.close()
            return jsonify({"error": "another export is being read: ask again"}), 503
        names = [channel.name for channel in wanted.channel]

        def ticks() -> Iterator[Tick]:
            # In slices: a question left open for as long as a slow reader takes would keep the
            # daemon's log of changes from being taken in, and it would grow.
            for first, last in db.slices(w.since, w.until, SLICE_S):
                yield from list(db.steady(names, first, last))

        def text() -> Iterator[str]:
            found = recording.lines(wanted, ticks())
            while some := "".join(islice(found, LINES)):
                yield some

        def done() -> None:
            db.close()
            exporting.release()

        answer = Response(text(), mimetype="text/csv")
        answer.call_on_close(done)
        name = f"{settings.site.id}-{iso(w.since)[:10]}-{iso(w.until)[:10]}.csv"
        answer.headers["Content-Disposition"] = f"attachment; filename={name}"
        return answer

    def _name(number: int) -> str:
        return f"{settings.site.id}-hold-test-{number}"

    def _answer(content: bytes, kind: str, name: str, way: str = "inline") -> Response:
        answer = Response(content, mimetype=kind)
        answer.headers["Content-Disposition"] = f"{way}; filename={name}"
        return answer

    return pages


_FINISHED = ("hold_test_finished",)


def _belongs(back: Mapping[str, Any], test: Mapping[str, Any]) -> bool:
    return bool(back["section"] == test["section"] and back.get("test_at") == test["at"])
