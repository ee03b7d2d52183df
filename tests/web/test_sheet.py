"""Commissioning and periodic records for people: page, PDF, CSV, JSON, shell; in the site's units."""

import csv
import io
import json
import sqlite3
from contextlib import closing
from pathlib import Path

import pytest
from flask.testing import FlaskClient
from pypdf import PdfReader
from test_access import CODE, Desk

from edge.__main__ import main
from edge.core.units import PSI
from edge.judge import Judge
from edge.model import Event, Request, Tick
from edge.record import COMMISSIONING, Chapter, Figure, Record, Signature, made
from edge.settings import Settings, load
from edge.store.read import Reader
from edge.store.write import Writer
from web import (
    access,
    checklist,
    create_app,
    faces,
    label_paper,
    paper,
    record_paper,
    workform,
)
from web.label import Label

T0 = 1_772_830_800.0
AT = "2026-03-06T21:00:00.000Z"
CHINESE, ARABIC = "林美玲", "فاطمة"
RECORD = Record(
    COMMISSIONING,
    AT,
    "R. Fenwick on 10.0.0.7",
    (
        Chapter(
            "Cut-in <and> cut-out",
            (
                Figure("cut-in observed", 38.2 * PSI, "pressure", "", AT, "channel line", 0.1 * PSI),
                Figure("room", 20.0, "temperature", "", AT, "hand-held", 1.0, "beside the dryer"),
                Figure("oxygen", 1.62, "oxygen", source="channel oxygen"),
                Figure("warm-up", 540.0, "time", source="the monitor"),
                Figure("valve tag", text="=HYPERLINK(1)", source=f"{CHINESE}, {ARABIC}, Ünal Müller"),
            ),
            ("The drain <b>dripped</b>.",),
        ),
        Chapter("Second point", skipped="no calibration gas at hand"),
    ),
    findings=("bypass left on: turn the valve back.",),
    signatures=(Signature("R. Fenwick", "technician, licence 7", AT, "R. Fenwick on 10.0.0.7"),),
    title="Commissioning of the nitrogen supply",
)  # fmt: skip


@pytest.fixture
def settings(saltmarsh: Path) -> Settings:
    return load(saltmarsh)


@pytest.fixture
def folder(tmp_path: Path, settings: Settings) -> Path:
    """A state folder with the record, and one that supersedes it."""
    writer = Writer(tmp_path, settings, [])
    writer.keep([], [made(RECORD, T0, "Signed.")], {})
    with Reader(tmp_path) as db:
        first = db.records.one(1)["id"]
    again = Record(COMMISSIONING, AT, "R. Fenwick", RECORD.chapters, supersedes=first)
    writer.keep([], [made(again, T0 + 60.0, "Signed again.")], {})
    writer.close()
    return tmp_path


def page(folder: Path, settings: Settings) -> FlaskClient:
    return create_app(settings, folder, folder, lambda: T0 + 3600.0).test_client()


def words(text: str) -> str:
    return " ".join(text.replace("\N{NO-BREAK SPACE}", " ").split())


def test_sheet_and_paper_say_all_of_it(folder: Path, settings: Settings) -> None:
    """Every figure in the site's units with uncertainty, time and source; what was skipped and found;
    who signed; cautions, hash, that the chain holds, what supersedes it; typed text stays text."""
    client = page(folder, settings)
    sheet = words(client.get("/records/made/1").text)
    answer = client.get("/records/made/1.pdf")
    assert answer.mimetype == "application/pdf"
    paper = words(" ".join(p.extract_text() for p in PdfReader(io.BytesIO(answer.data)).pages))
    with Reader(folder) as db:
        first, second = db.records.one(1), db.records.one(2)
    for text in (sheet, paper):
        for said in (
            "38.2 psi ± 0.1 psi",
            "68.0 °F ± 1.8 °F",
            "1.62 %",
            "9 min",
            "2026-03-06 15:00:00 UTC−06:00 · hand-held · beside the dryer",
            "uncertainty not stated",
            "no calibration gas at hand",
            "bypass left on: turn the valve back.",
            "technician, licence 7",
            "dryhold only watches",
            "Witnessed by, date",
            first["hash"],
            "All 2 records are as made: the chain holds.",
            f"Superseded by record {second['id']}.",
        ):
            assert said in text, said
    assert "Cut-in <and> cut-out" in paper
    assert "Found: The drain <b>dripped</b>." in paper
    assert "<b>dripped" not in sheet
    assert f"{CHINESE}, {ARABIC}" in sheet
    assert "/records/made/2" in client.get("/records").text
    assert client.get("/records/made/3").status_code == 404


def test_csv_and_json(folder: Path, settings: Settings) -> None:
    """CSV in the site's units, with no cell that a spreadsheet would run; JSON is the record itself."""
    client = page(folder, settings)
    rows = list(csv.DictReader(io.StringIO(client.get("/records/made/1.csv").text)))
    cell = {row["what"]: row for row in rows}
    assert (cell["cut-in observed"]["value"], cell["cut-in observed"]["unit"]) == ("38.2", "psi")
    assert cell["room"]["value"] == "68"
    assert cell["room"]["uncertainty"] == "1.8"
    assert cell["valve tag"]["text"] == "'=HYPERLINK(1)"
    assert cell["skipped"]["text"] == "no calibration gas at hand"
    assert Record.of(json.loads(client.get("/records/made/1.json").data)) == RECORD


def test_meddling_shows_on_page_paper_and_shell(
    folder: Path, settings: Settings, capsys: pytest.CaptureFixture[str]
) -> None:
    """One changed digit: the list, the sheet, the paper and `records verify` all say which record."""
    state = ["--state", str(folder)]
    assert main(["records", "verify", *state]) == 0
    head = capsys.readouterr().out.split()[-1].rstrip(".")
    assert main(["records", "verify", *state, "--head", head]) == 0
    assert main(["records", "verify", *state, "--head", "f" * 64]) == 1
    assert "cut off" in capsys.readouterr().out
    db = sqlite3.connect(folder / "dryhold.db")
    db.execute("DROP TRIGGER records_stay")
    db.execute("UPDATE records SET body = replace(body, '1.62', '1.52') WHERE seq = 1")
    db.commit()
    db.close()
    client = page(folder, settings)
    said = "The chain of records is broken: record 1: its content is not what was recorded"
    assert said in client.get("/records").text
    assert said in client.get("/records/made/2").text
    pages = PdfReader(io.BytesIO(client.get("/records/made/2.pdf").data)).pages
    assert said in words(" ".join(p.extract_text() for p in pages))
    assert main(["records", "verify", *state]) == 1
    assert "record 1" in capsys.readouterr().out


@pytest.mark.parametrize("spoilt", ['"source":1,"was":"', '"source":"\\ud800'])
def test_a_record_that_cannot_be_shown_is_said_to_be_none(
    folder: Path, settings: Settings, spoilt: str
) -> None:
    """Changed into what no sheet can be made of, it is answered for in words, in every form of it."""
    with closing(sqlite3.connect(folder / "dryhold.db")) as db, db:
        db.execute("DROP TRIGGER records_stay")
        db.execute(
            'UPDATE records SET body = replace(body, \'"source":"\', ?) WHERE seq = 1', (spoilt,)
        )
    client = page(folder, settings)
    assert client.get("/records").status_code == 200
    for form in ("", ".csv", ".json", ".pdf"):
        assert client.get(f"/records/made/1{form}").status_code == 503, form
    assert client.get("/records/made/2").status_code == 200


def test_the_shell_lists_shows_and_exports(
    folder: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """`list` and `show` name what is there; what `export` writes checks by two lines of code."""
    state = ["--state", str(folder)]
    assert main(["records", "list", *state]) == 0
    assert "superseded by" in capsys.readouterr().out
    assert main(["records", "show", "1", *state]) == 0
    shown = capsys.readouterr().out
    assert "Second point: skipped, no calibration gas at hand" in shown
    assert main(["records", "show", "9", *state]) == 2
    out = tmp_path / "chain.jsonl"
    assert main(["records", "export", *state, "-o", str(out)]) == 0
    from hashlib import sha256

    previous = "0" * 64
    for row in map(json.loads, out.read_text().splitlines()):
        assert row["previous"] == previous
        previous = sha256((previous + row["body"]).encode()).hexdigest()
        assert row["hash"] == previous


def test_letters_that_no_typeface_has_are_marked(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    """Latin stays as it is; without other typefaces on the box, and always for Arabic, a mark says
    which script and how many letters; nothing is dropped silently."""
    monkeypatch.setenv("XDG_DATA_DIRS", str(tmp_path))
    made_of = faces.Faces()
    assert made_of.say("Ünal & Müller <x>") == "Ünal &amp; Müller &lt;x&gt;"
    assert not made_of.marked
    assert made_of.say(f"a {CHINESE} b") == "a [CJK, 3] b"
    assert made_of.say(ARABIC) == "[Arabic, 5]"
    assert (
        made_of.say(f"{ARABIC} {ARABIC} {CHINESE}, {ARABIC}!")
        == "[Arabic, 10] [CJK, 3], [Arabic, 5]!"
    )
    assert made_of.say("e\u0301te\u0301 \U0001f44d\U0001f3fd") == "été [symbol, 2]"
    assert made_of.marked


def test_a_label_says_what_it_cannot_show(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    """A site's name in letters that no typeface has is marked on the door's label too, and where to print it whole; a Latin one says nothing of it."""
    monkeypatch.setenv("XDG_DATA_DIRS", str(tmp_path))

    def words(site: str) -> str:
        made = label_paper.pdf(Label(site, "http://10.0.0.7/", "555-0142", "Mind it."))
        return " ".join(PdfReader(io.BytesIO(made)).pages[0].extract_text().split())

    assert "[CJK, 3]" in words(CHINESE)
    assert "print the label from the page itself" in words(CHINESE)
    assert "[" not in words("Saltmarsh Lane depot")


@pytest.mark.parametrize(
    ("line", "value", "quantity", "doubt"),
    [
        ("gauge = 38.2 psi ± 0.5, test gauge 7", 38.2 * PSI, "pressure", 0.5 * PSI),
        ("room = -4 °C ± 1 °C", -4.0, "temperature", 1.0),
        ("room=50 °F ± 1.8", 10.0, "temperature", 1.0),
        ("nitrogen = 98,4 %", 98.4, "fraction", None),
        ("strokes = 12", 12.0, None, None),
    ],
)
def test_a_typed_reading_becomes_a_value(
    line: str, value: float, quantity: str | None, doubt: float | None
) -> None:
    """In inside units, its uncertainty as a difference; other words stay words; faults are told."""
    read = workform.reading(line, "R. Fenwick")
    assert read["value"] == pytest.approx(value)
    assert read.get("quantity") == quantity
    assert read["uncertainty"] == (None if doubt is None else pytest.approx(doubt))
    assert workform.reading("element = black, oily", "R.")["text"] == "black, oily"
    for wrong in ("38 psi", "gauge = 3 furlongs", "gauge = 3 psi ± 1 bar"):
        with pytest.raises(ValueError, match='"'):
            workform.reading(wrong, "R.")


def test_rows_that_marks_make_longer_than_a_page_are_drawn() -> None:
    """A hold test's first rows are kept with their heading by their height on paper, which marks in
    place of letters that no typeface has make many times what their words would have."""
    say = faces.Faces().say
    rows = [["Confirmed by", "\u0627 a " * 240]] * 2
    made = paper.build(lambda width: [record_paper._table("Before", rows, width, say)], "", "")
    assert made.startswith(b"%PDF-")


def test_a_cut_line_ends_in_a_letter() -> None:
    """A line that is cut at the blank after its "=" keeps no blank, which would pass for a reading."""
    long = "a" * (checklist.LONGEST_LINE - 2)
    assert checklist.lines(f"{long}= 2 bar\n \n") == [f"{long}="]
    with pytest.raises(ValueError, match="Expected a reading"):
        workform.reading(f"{long}=", "R.")


def test_work_typed_on_the_page_becomes_a_sheet(tmp_path: Path, settings: Settings) -> None:
    """Form, letterbox, judge, store, sheet: what a technician types stands on the record; what makes
    no sense is refused in words, with what was typed still there; nothing is asked signed out."""
    desk = Desk(settings, tmp_path)
    access.set_code(desk.state, CODE)
    judge, writer = Judge(settings), Writer(desk.state, settings, [])
    desk.say("holding", work=judge.work.picture(0.0, desk.now))
    someone = desk.visitor()
    assert someone.get("/site/work").status_code == 303
    someone.sign_in()
    form = {
        "work": "supply/gauges read", "done_on": "2026-03-06", "done_by": "Ana Ruiz",
        "role": "licence 7", "readings": "riser = 38.2 furlong", "findings": "glass cracked",
        "notes": "cold", "supersedes": "",
    }  # fmt: skip
    refused = someone.post("/site/work", token=someone.token("/site/work"), **form)
    assert refused.status_code == 400
    assert "furlong" in refused.text
    assert "glass cracked" in refused.text
    form["readings"] = "riser = 38.2 psi ± 0.5, test gauge 7"
    sent = someone.post("/site/work", token=someone.token("/site/work"), **form)
    assert sent.status_code == 303
    ((kind, by, what),) = desk.asked()
    values = tuple(1.0 for _ in settings.channel)
    tick = Tick(0.0, desk.now, values, requests=(Request(1, kind, by, what),))
    writer.keep([], judge.look(tick), {})
    writer.close()
    sheet = words(someone.get("/records/made/1").text)
    for said in ("Gauges read", "38.2 psi ± 0.5 psi", "test gauge 7", "glass cracked", "licence 7"):
        assert said in sheet, said


def test_what_is_due_is_on_the_page(folder: Path, settings: Settings) -> None:
    """/work says so while the monitor has written nothing, and an event that is no record changes
    nothing in the chain."""
    writer = Writer(folder, settings, [])
    writer.keep([], [Event(T0 + 99.0, "cut_in", "On.", "supply", {})], {})
    writer.close()
    client = page(folder, settings)
    assert "is not reporting now" in client.get("/work").text
    assert "All 2 records" in client.get("/records").text
