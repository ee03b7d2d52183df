"""The record of a hold test for people: sheet, PDF, CSV, JSON; and that valves went back."""

import io
import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from flask.testing import FlaskClient
from line import RAW, asked, begun, outcome, ticks
from pypdf import PdfReader

from edge.core.units import PSI
from edge.judge import Judge
from edge.model import Event, Tick, iso
from edge.recording import Recording
from edge.settings import check
from edge.store.read import Reader
from edge.store.write import Writer
from web import create_app

SITE = check(RAW)
CHECKED = {
    "confirmed_by": "R. Fenwick",
    "confirmed": ["The owner is notified."],
    "valves": ["Device of Freezer: closed.", "<b>Drain</b> & sample: closed."],
}
NOTE = "Édition 2023 <i>& calm</i> ≤ 5 °C"


def put_back(given: Iterator[Tick], at_s: float) -> Iterator[Tick]:
    """The ticks, with the word in one of them that every valve is back."""
    for n, tick in enumerate(given):
        said = n == int(at_s / 2.0)
        yield asked(tick, "hold_put_back", 2, valves=CHECKED["valves"]) if said else tick


def kept(folder: Path, given: Iterator[Tick]) -> list[Event]:
    """Judged and kept by the real writer."""
    judge, writer = Judge(SITE), Writer(folder, SITE, [])
    batch, events = list(given), list[Event]()
    for tick in batch:
        events += judge.look(tick)
    writer.keep(batch, events, judge.state())
    writer.close()
    return events


def page(folder: Path, now: float) -> FlaskClient:
    return create_app(SITE, folder, folder, lambda: now).test_client()


@pytest.fixture(scope="module")
def leaking(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, list[Event]]:
    """A standard test that fails by the gauge, and valves put back after it."""
    folder = tmp_path_factory.mktemp("leaking")
    what = {"method": "ours", "checklist": CHECKED, "note": NOTE}
    return folder, kept(folder, put_back(begun(ticks(5400.0, 3.0), 600.0, **what), 5000.0))


def number_of(folder: Path) -> int:
    with Reader(folder) as db:
        return int(db.tests()[0]["n"])


def rows_of(sheet: str) -> str:
    return sheet.replace("\N{NO-BREAK SPACE}", " ")


def test_the_sheet_says_all_of_it(leaking: tuple[Path, list[Event]]) -> None:
    """Verdicts, raw beside corrected, method and source, checklist, valves, signature lines; typed text stays text."""
    folder, events = leaking
    said = outcome(events)
    client = page(folder, events[-1].at + 60.0)
    n = number_of(folder)
    assert f"/records/{n}" in client.get("/records").text
    sheet = rows_of(client.get(f"/records/{n}").text)
    assert "Fail by the gauge. It leaks by the corrected loss" in sheet
    assert f"{said['raw_drop_kpa'] / PSI:.2f} psi" in sheet
    assert f"{said['loss_kpa_per_h'] / PSI:.2f} psi/h" in sheet
    for words in (
        "the owner&#39;s insurer",
        "raw reading of the gauge",
        "R. Fenwick",
        "Witnessed by",
    ):
        assert words in sheet
    assert "&lt;b&gt;Drain&lt;/b&gt; &amp; sample: closed." in sheet
    assert "<b>Drain" not in sheet
    assert "all of them, says R. Fenwick" in sheet
    assert "The supply line leaks with its device closed, as R. Fenwick confirmed" in sheet
    assert "It is void when the generator starts" in sheet.replace("</th><td>", " ")
    assert sheet.count('class="fit"') == 1


def test_the_pdf_carries_the_same_words(leaking: tuple[Path, list[Event]]) -> None:
    """Read back by a library of its own: two sheets at most, every word, nothing lost to markup or script."""
    folder, events = leaking
    answer = page(folder, events[-1].at + 60.0).get(f"/records/{number_of(folder)}.pdf")
    assert answer.mimetype == "application/pdf"
    sheets = PdfReader(io.BytesIO(answer.data)).pages
    assert len(sheets) <= 2
    text = " ".join(" ".join(s.extract_text() for s in sheets).split())
    for words in (
        "Fail by the gauge. It leaks by the corrected loss",
        NOTE,
        "<b>Drain</b> & sample: closed.",
        "raw reading of the gauge",
        "the owner's insurer",
        "Witnessed by, date",
        "never replaces them",
    ):
        assert words in text, words


def test_csv_and_json_hold_what_the_test_rests_on(
    leaking: tuple[Path, list[Event]], tmp_path: Path
) -> None:
    """CSV reads back as a recording of exactly the test's readings; JSON is the event with what was kept."""
    folder, events = leaking
    said = outcome(events)
    client, n = page(folder, events[-1].at + 60.0), number_of(folder)
    data = client.get(f"/records/{n}.json").json
    assert {key: data[key] for key in said} == json.loads(json.dumps(said))
    assert data["checklist"] == CHECKED
    assert data["put_back"]["valves"] == CHECKED["valves"]
    assert data["put_back"]["test_at"] == said["at"]
    aside = data["kept"]

    path = tmp_path / "record.csv"
    answer = client.get(f"/records/{n}.csv")
    path.write_bytes(answer.data)
    answer.close()
    back = list(Recording(path, SITE, lambda _: None))
    with Reader(folder) as db:
        names = [channel.name for channel in SITE.channel]
        wanted = list(db.steady(names, aside["start_t"], aside["end_t"]))
    assert len(back) == len(wanted) > 100
    assert [t.values for t in back] == [t.values for t in wanted]
    assert iso(back[0].t) == said["started"]


def test_the_record_has_what_the_alarm_did(tmp_path: Path) -> None:
    """With the source shut off the sheet says that it is not settled, and once somebody has told
    that the alarm was silent, the pass, who said so, the alarm's set pressure and the lowest gauge
    reading, with the list of what would have made it void; list and JSON say the same, and the
    chain holds both."""
    what = {"section": "Freezer", "method": "source shut off 4 h", "alarm_kpa": 26.0 * PSI}
    given = list(begun(ticks(14600.0, aisle_loss_psi_per_h=1.0, step_s=10.0), 10.0, **what))
    answer = {"section": "Freezer", "operated": False}
    for folder, told in ((tmp_path / "a", False), (tmp_path / "b", True)):
        folder.mkdir()
        last = asked(given[-1], "hold_alarm", 9, **answer) if told else given[-1]
        events = kept(folder, iter([*given[:-1], last]))
        client, n = page(folder, events[-1].at + 60.0), number_of(folder)
        sheet = rows_of(client.get(f"/records/{n}").text).replace("</th><td>", " ")
        said = "Pass by the gauge. It holds" if told else "Not settled. It holds"
        assert said in sheet
        assert said in client.get("/records").text
        assert "It is void when the generator starts" in sheet
        least = outcome(events)["gauge_lowest_kpa"] / PSI
        assert f"Lowest gauge reading {least:.1f}" in sheet
        did = "it did not operate" if told else "nobody has said whether it operated"
        assert f"Low-pressure alarm set to 26.0 psi; {did}" in sheet
        assert ("R. Fenwick says that the low-pressure alarm did not operate" in sheet) is told
        alarm = client.get(f"/records/{n}.json").json["alarm"]
        assert (alarm["code_result"] if told else alarm) == ("pass" if told else None)
        with Reader(folder) as db:
            assert db.records.chain().holds
            assert db.records.chain().rows == 1 + told


def test_a_test_that_never_began_has_a_sheet_but_no_readings(tmp_path: Path) -> None:
    """Stopped while the generator still ran: void, said so on page and PDF, and no CSV."""

    def running(_s: float, values: dict[str, Any]) -> dict[str, Any]:
        return {**values, "run": 1.0}

    given = [*begun(ticks(400.0, change=running), 100.0)]
    given[-20] = asked(given[-20], "hold_stop", 2, section="supply")
    events = kept(tmp_path, iter(given))
    client, n = page(tmp_path, events[-1].at + 60.0), number_of(tmp_path)
    assert "Void: it does not count" in client.get(f"/records/{n}").text
    assert client.get(f"/records/{n}.pdf").status_code == 200
    assert client.get(f"/records/{n}.csv").status_code == 404
    for path in (
        f"/records/{n + 1}",
        "/records/0",
        "/records/99999999999999999999",
        "/records/x",
        "/log?before=99999999999999999999",
    ):
        assert client.get(path).status_code == 404, path


def test_valves_are_put_back_only_after_a_test() -> None:
    """Without a test that is over the word asks for nothing; after one it is an event and in the picture."""
    judge = Judge(SITE)
    for n, tick in enumerate(ticks(400.0)):
        if n == 10:
            assert judge.look(asked(tick, "hold_put_back", 1)) == []
            assert "no valve is to be put back" in judge.picture()["hold_refused"]["supply"]
        elif n == 20:
            judge.look(asked(tick, "hold_start", 2, checklist=CHECKED))
        elif n == 30:
            assert judge.look(asked(tick, "hold_put_back", 3)) == []
        elif n == 100:
            judge.look(asked(tick, "hold_stop", 4))
        elif n == 120:
            again = Judge(SITE, json.loads(json.dumps(judge.state())))
            (event,) = again.look(asked(tick, "hold_put_back", 5, valves=["a", "b"]))
            assert event.kind == "valves_put_back"
            assert event.numbers["valves"] == ["a", "b"]
            shown = again.picture()["hold_tests"][0]
            assert shown["put_back"]["by"] == "R. Fenwick"
            assert shown["checklist"] == CHECKED
            assert again.picture()["hold_refused"] == {}
            break
        else:
            judge.look(tick)
