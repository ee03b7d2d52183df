"""Every route, over a database written by the real writer."""

import re
from collections.abc import Callable
from pathlib import Path
from typing import Any

import depot
import jsonschema
import pytest
from openapi_spec_validator import validate
from prometheus_client.parser import text_string_to_metric_families

from edge.model import iso
from edge.settings import Settings, check
from edge.store.read import Reader
from web.shown import parse_time

PAGES = ["/", "/now", "/history", "/log", "/how", "/gas", "/monitor", "/api", "/label"]
SPANS = [f"/history?span={span}" for span in ("day", "week", "month", "year")]
LOGS = [f"/log?show={show}" for show in ("alerts", "tests", "gas", "cycles", "monitor", "all")]
API = ["/api/status", "/api/readings", "/api/events", "/api/tests", "/api/ribbon?span=week"]


@pytest.mark.parametrize("path", [*PAGES, *SPANS, *LOGS, *API, "/metrics", "/healthz"])
@pytest.mark.parametrize("state", ["holding", "watch", "act", "blind"])
def test_every_room_opens_in_every_state(site: Any, path: str, state: str) -> None:
    """No route fails in any state, and each carries the headers that keep it to itself."""
    site.say(state)
    answer = site.client().get(path)
    assert answer.status_code == 200
    policy = answer.headers["Content-Security-Policy"]
    assert "default-src 'none'" in policy
    assert "unsafe" not in policy
    assert answer.headers["Cache-Control"] == "no-store"
    if answer.mimetype == "text/html":
        html = answer.get_data(as_text=True)
        assert " style=" not in html
        assert not re.search(r"<script(?![^>]* src=)|\son\w+=", html)
        assert not re.search(r"(?:src|href)=.https?:", html)


@pytest.mark.parametrize("path", [*PAGES, *SPANS, *LOGS])
def test_every_room_opens_with_nothing_there(site: Any, tmp_path: Path, path: str) -> None:
    """Before the daemon's first start the page stands, is blind and says what is missing."""
    site.state, site.runtime = tmp_path / "none", tmp_path / "none"
    html = site.client().get(path).get_data(as_text=True)
    if path == "/":
        assert "Blind" in html
        assert "the monitor is not running" in html
        assert "database cannot be read" in html


def test_programs_are_told_what_cannot_be_read(site: Any, tmp_path: Path) -> None:
    """Without a database the API answers 503 with the reason, and health fails with both."""
    site.state, site.runtime = tmp_path / "none", tmp_path / "none"
    client = site.client()
    answer = client.get("/api/events")
    assert answer.status_code == 503
    assert "database" in answer.json["error"]
    health = client.get("/healthz")
    assert health.status_code == 503
    assert len(health.json["faults"]) == 2


def test_the_first_view_says_it_all_in_words(site: Any) -> None:
    """State, reason, what to do, four figures, reserve, alert, contact, age and caution are text."""
    site.say("watch")
    html = site.client().get("/").get_data(as_text=True).replace("\N{NO-BREAK SPACE}", " ")
    for words in (
        "Watch<",
        "2.2 times the 1.5 psi/h it lost at hand-over",
        "Call Fenwick Fire Protection this week",
        "2 s old",
        ">Pressure<",
        ">Nitrogen<",
        ">Generator<",
        ">Loss at rest<",
        "for about 4.9 h (4.6 h to 5.3 h)",
        "a leak that has grown",
        "Fenwick Fire Protection, 555-0142",
        "never replaces them",
        "No data for 2 h of it",
    ):
        assert words in html, words


def test_without_script_the_page_loads_itself_again(site: Any) -> None:
    """A page open without JavaScript asks again by itself, so that it too notices a stop."""
    html = site.client().get("/").get_data(as_text=True)
    assert '<noscript><meta http-equiv="refresh" content="15"></noscript>' in html


def test_a_site_named_with_markup_stays_text(site: Any) -> None:
    """Names, texts and reasons from settings and daemon are never taken for markup."""
    evil = "<img src=x onerror=alert(1)>\"'&"
    raw = site.settings.model_dump()
    assert raw["site"]["name"] == "Saltmarsh Lane depot"
    named = site.settings.site.model_copy(update={"name": evil, "contact": evil})
    systems = [site.settings.system[0].model_copy(update={"name": evil})]
    site.settings = site.settings.model_copy(update={"site": named, "system": systems})
    site.say("watch")
    picture = site.said["picture"]
    picture["reason"] = picture["todo"] = evil
    picture["sections"][evil] = {"pressure_kpa": 200.0, "explain": {"loss": [[evil, evil]]}}
    picture["not_judged"] = [evil]
    picture["alerts"][0] = {
        **depot.LEAK, "section": evil, "text": evil, "todo": evil, "cause": evil,
        "evidence": {evil: evil}, "followers": [evil],
    }  # fmt: skip
    channel = site.said["channels"]["line_pressure"]
    channel.update(value=None, why=evil, status="failure")
    site.said["monitor"] = {evil: evil}
    site.write()
    client = site.client()
    for path in PAGES:
        html = client.get(path).get_data(as_text=True)
        assert "<img" not in html
        assert "&lt;img" in html


def test_markup_in_events_stays_text(settings: Settings, site: Any, tmp_path: Path) -> None:
    """A sentence kept in the database with markup in it is shown as it was written."""
    from edge.model import Event
    from edge.store.write import Writer

    writer = Writer(tmp_path, settings, [])
    text = "Bad channel <b onclick=x>"
    writer.keep([], [Event(depot.NOW, "channel_failed", text, None, {"channel": "a"})], {})
    writer.close()
    site.state = tmp_path
    html = site.client().get("/log?show=all").get_data(as_text=True)
    assert "&lt;b onclick=x&gt;" in html
    assert "<b onclick" not in html


def test_the_page_only_reads(site: Any, history: Path) -> None:
    """Through every route the database stays as it was, byte for byte, and refuses writing."""
    file = history / "dryhold.db"
    before = file.read_bytes()
    client = site.client()
    for path in [*PAGES, *SPANS, *LOGS, *API]:
        client.get(path)
        assert client.post(path).status_code == 405
    assert file.read_bytes() == before


@pytest.mark.parametrize("path", ["/nothing", "/log?show=nothing", "/history?span=nothing"])
def test_what_is_not_there_is_said_within_the_page(site: Any, path: str) -> None:
    """A wrong address still shows whose page it is and the way back."""
    answer = site.client().get(path)
    assert answer.status_code == 404
    assert "Saltmarsh Lane depot" in answer.get_data(as_text=True)


# --- for programs


@pytest.fixture
def schema(site: Any) -> Callable[[str, Any], None]:
    """Checks an answer against the OpenAPI document that the page itself serves."""
    document = site.client().get("/api/openapi.json").json

    def fits(name: str, answer: Any) -> None:
        root = {"$ref": f"#/components/schemas/{name}", "components": document["components"]}
        jsonschema.Draft202012Validator(root).validate(answer)

    return fits


def test_the_description_is_openapi_and_names_every_route(site: Any) -> None:
    """The document is valid OpenAPI, and describes all machine-readable routes and no others."""
    client = site.client()
    document = client.get("/api/openapi.json").json
    validate(document)
    served = {
        rule.rule
        for rule in client.application.url_map.iter_rules()
        if rule.rule.startswith("/api/") or rule.rule in ("/metrics", "/healthz")
    }
    assert set(document["paths"]) == served


@pytest.mark.parametrize("state", ["holding", "watch", "act", "blind"])
def test_status_is_what_the_page_says(
    site: Any, schema: Callable[[str, Any], None], state: str
) -> None:
    """The API's state, reason and figures are the page's own, and fit their description."""
    site.say(state)
    client = site.client()
    answer = client.get("/api/status").json
    schema("Status", answer)
    assert answer["state"] == state
    assert answer["fresh"] is True
    assert answer["age_s"] == 2.0
    assert answer["sections"]["supply"] == site.said["picture"]["sections"]["supply"]
    site.now += 60.0
    stale = client.get("/api/status").json
    schema("Status", stale)
    assert (stale["state"], stale["fresh"]) == ("blind", False)


def test_readings_come_as_kept(site: Any, schema: Callable[[str, Any], None]) -> None:
    """An hour of one channel is what the plant did in that hour, each reading once, gaps absent."""
    since, until = depot.NOW - 6 * 3600.0, depot.NOW - 5 * 3600.0
    asked = f"/api/readings?channel=line_pressure&since={iso(since)}&until={iso(until)}&points=5000"
    answer = site.client().get(asked).json
    schema("Readings", answer)
    assert list(answer["channels"]) == ["line_pressure"]
    points = answer["channels"]["line_pressure"]["points"]
    assert sum(p[1] for p in points) == 60
    for at, _, low, mean, high in points:
        truth, _ = depot.turn(parse_time(at))
        assert low <= mean <= high
        assert mean == pytest.approx(truth, abs=5.0)
    hole = (
        f"/api/readings?since={iso(depot.NOW - 14.5 * 3600)}&until={iso(depot.NOW - 13.5 * 3600)}"
    )
    empty = site.client().get(hole).json
    assert {n: c["points"] for n, c in empty["channels"].items()} == {
        c.name: [] for c in site.settings.channel
    }


def test_events_page_through_without_loss(
    site: Any, history: Path, schema: Callable[[str, Any], None]
) -> None:
    """Following `next` gives every event once, newest first, by kind and by time as asked."""
    client = site.client()
    with Reader(history) as reader:
        truth = [e["id"] for e in reader.events(10_000)]
    found: list[str] = []
    before = ""
    while True:
        answer = client.get(f"/api/events?limit=7{before}").json
        schema("Events", answer)
        found += [e["id"] for e in answer["events"]]
        if answer["next"] is None:
            break
        before = f"&before={answer['next']}"
    assert found == truth
    cut_ins = client.get(
        f"/api/events?kind=cut_in&kind=cut_out&since={iso(depot.NOW - 86400.0)}"
    ).json["events"]
    assert {e["kind"] for e in cut_ins} == {"cut_in", "cut_out"}
    assert all(parse_time(e["at"]) > depot.NOW - 86400.0 for e in cut_ins)


def test_finished_hold_tests_are_listed(
    settings: Settings, site: Any, tmp_path: Path, schema: Callable[[str, Any], None]
) -> None:
    """A kept hold test comes out with its verdict, and an empty site gives an empty list."""
    from edge.model import Event
    from edge.store.write import Writer

    assert site.client().get("/api/tests").json == {"tests": [], "next": None}
    writer = Writer(tmp_path, settings, [])
    numbers = {"verdict": "holds", "loss_kpa_per_h": 0.4}
    writer.keep([], [Event(depot.NOW, "hold_test_finished", "It holds.", "supply", numbers)], {})
    writer.close()
    site.state = tmp_path
    answer = site.client().get("/api/tests").json
    schema("Tests", answer)
    assert [t["verdict"] for t in answer["tests"]] == ["holds"]


@pytest.mark.parametrize(
    ("path", "expected"),
    [
        ("/api/readings?channel=nothing", "channel: expected one of line_pressure"),
        ("/api/readings?since=yesterday", "since: expected ISO 8601"),
        ("/api/readings?since=2026-03-06T10:00:00", "since: expected ISO 8601"),
        ("/api/readings?until=2026-03-06T10:00:00Z&since=2026-03-06T10:00:00Z", "before until"),
        ("/api/readings?points=0", "points: expected 1 to 5000"),
        ("/api/events?limit=1001", "limit: expected 1 to 1000"),
        ("/api/events?before=x", "before: expected 1 to"),
        ("/api/ribbon?span=decade", "span: expected one of day, week"),
    ],
)
def test_a_question_that_cannot_be_answered_says_why(site: Any, path: str, expected: str) -> None:
    """A bad parameter is 400 with its name and what was expected, never a silent default."""
    answer = site.client().get(path)
    assert answer.status_code == 400
    assert expected in answer.json["error"]


def test_an_offset_with_a_plus_sign_is_understood(site: Any) -> None:
    """A plus sign arrives as a blank unless it was escaped: both are the same moment."""
    client = site.client()
    a = client.get("/api/readings?since=2026-03-06T10:00:00%2B01:00&until=2026-03-06T10:00:00Z")
    b = client.get("/api/readings?since=2026-03-06T10:00:00+01:00&until=2026-03-06T10:00:00Z")
    assert a.json == b.json
    assert a.json["since"] == "2026-03-06T09:00:00.000Z"


def test_metrics_parse_and_leave_out_what_is_old(site: Any) -> None:
    """A collector's own parser reads them; of old data only age and state remain."""
    site.say("act")
    client = site.client()

    def samples() -> dict[str, dict[str, float]]:
        text = client.get("/metrics").get_data(as_text=True)
        found: dict[str, dict[str, float]] = {}
        for family in text_string_to_metric_families(text):
            for s in family.samples:
                wanted = ("state", "channel", "section", "messenger")
                key = next((s.labels[label] for label in wanted if s.labels.get(label)), "")
                found.setdefault(s.name, {})[key] = s.value
        return found

    now = samples()
    assert now["dryhold_state"] == {"holding": 0.0, "watch": 0.0, "act": 1.0, "blind": 0.0}
    assert now["dryhold_section_pressure_kpa"]["supply"] == 215.1
    assert now["dryhold_channel_value"]["running"] == 0.0
    assert now["dryhold_fresh"] == {"": 1.0}
    assert now["dryhold_kept"] == {"": 1.0}
    assert now["dryhold_messages_waiting"] == {"mqtt 10.0.0.5:1883": 3.0}
    assert now["dryhold_messenger_connected"] == {"mqtt 10.0.0.5:1883": 0.0}
    site.say("act", not_kept="disk full", readings_lost=7)
    assert samples()["dryhold_kept"] == {"": 0.0}
    assert samples()["dryhold_readings_lost"] == {"": 7.0}
    site.now += 100.0
    later = samples()
    assert later["dryhold_fresh"] == {"": 0.0}
    assert later["dryhold_data_age_seconds"] == {"": 102.0}
    assert set(later) == {"dryhold_fresh", "dryhold_data_age_seconds", "dryhold_state"}


def test_a_bare_sites_page_opens(site: Any) -> None:
    """One pressure channel and nothing else is enough for every room."""
    site.settings = check(
        {
            "site": {"name": "Pump house", "id": "pump-house", "units": {"pressure": "bar"}},
            "supply": {"pressure": "line_pressure", "cut_in": "2.6 bar", "cut_out": "3.6 bar"},
            "channel": [
                {
                    "name": "line_pressure",
                    "quantity": "pressure",
                    "unit": "bar",
                    "input": "simulated",
                }
            ],
        }
    )
    site.say("holding")
    for path in PAGES:
        assert site.client().get(path).status_code == 200


def test_one_long_question_at_a_time(site: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    """While years of readings are being read a second such question is put off at once, a short
    one is answered, and afterwards long ones are again."""
    client, years = site.client(), "/api/readings?since=2016-01-01T00:00:00Z"
    inside: list[int] = []
    plain = Reader.ribbon

    def ribbon(self: Reader, *given: Any) -> Any:
        if not inside:
            inside.append(client.get(years).status_code)
            inside.append(client.get("/api/readings").status_code)
        return plain(self, *given)

    monkeypatch.setattr(Reader, "ribbon", ribbon)
    assert client.get(years).status_code == 200
    assert inside == [503, 200]
    assert client.get(years).status_code == 200
