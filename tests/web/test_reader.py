"""Reading behind a code: who may look, person and program, and that nothing shows before."""

from base64 import b64encode
from pathlib import Path
from typing import Any

import pytest
from test_access import CODE, FAR, TLS, Desk
from test_views import API, LOGS, PAGES, SPANS

from edge.settings import Settings
from web import access
from web.pace import FREE
from web.session import READER_IDLE_S

READ = "look but not touch"


def basic(code: str) -> dict[str, str]:
    return {"Authorization": "Basic " + b64encode(f"anybody:{code}".encode()).decode()}


@pytest.fixture
def closed(settings: Settings, tmp_path: Path) -> Desk:
    """A site that is read with a code, and has one for technicians too."""
    shut = Desk(settings, tmp_path)
    access.set_code(shut.state, READ, reader=True)
    access.set_code(shut.state, CODE)
    page = shut.settings.page.model_copy(update={"reading": "code"})
    shut.settings = shut.settings.model_copy(update={"page": page})
    shut._make()
    return shut


def test_nothing_shows_to_who_has_no_code(closed: Desk) -> None:
    """Every route but health leads to the sign-in or says 401, and tells neither state nor age."""
    stranger = closed.visitor()
    for path in [*PAGES, *SPANS, *LOGS, "/records", "/week", "/nowhere"]:
        if path == "/now":
            continue
        answer = stranger.get(path)
        assert answer.status_code == 303, path
        assert answer.location.startswith("/sign-in?next="), path
    for path in [*API, "/now", "/stream", "/metrics", "/api/openapi.json", "/api/nowhere"]:
        answer = stranger.get(path)
        assert answer.status_code == 401, path
        assert answer.headers.getlist("WWW-Authenticate")[0].startswith("Basic"), path
    assert stranger.get("/healthz").status_code == 200
    for path in ("/sign-in", "/site/sign-in"):
        html = stranger.get(path).get_data(as_text=True)
        assert "Act" not in html, path
        assert 'class="act"' not in html, path
        assert 'id="age"' not in html, path


def test_a_reader_signs_in_once_and_reads(closed: Desk) -> None:
    """The code opens what was asked for and no more: the technician's side stays shut."""
    reader = closed.visitor()
    where = reader.get("/history?span=week").location
    token = reader.token(where)
    sent = {"token": token, "next": "/history?span=week"}
    assert reader.post("/sign-in", code="not the code", **sent).status_code == 401
    assert (
        reader.post("/sign-in", origin="https://evil.example", code=READ, **sent).status_code == 403
    )
    answer = reader.post("/sign-in", code=READ, **sent)
    assert (answer.status_code, answer.location) == (303, "/history?span=week")
    assert "HttpOnly" in answer.headers["Set-Cookie"]
    assert reader.get("/").status_code == reader.get("/api/status").status_code == 200
    assert reader.get("/site").location.startswith("/site/sign-in")
    closed.steady += READER_IDLE_S + 1.0
    assert reader.get("/").status_code == 303


def test_a_sign_in_leads_to_this_page_only(closed: Desk) -> None:
    """An address elsewhere, given as the next, is not followed."""
    for after in ("//evil.example", "https://evil.example", "/\\evil.example"):
        reader = closed.visitor()
        answer = reader.post("/sign-in", token=reader.token("/sign-in"), code=READ, next=after)
        assert answer.location == "/", after


def test_the_technicians_code_reads_too(closed: Desk) -> None:
    """A technician reads after signing in on either side, and a new reader's code leaves them in."""
    ana = closed.visitor()
    assert ana.sign_in().status_code == 303
    assert ana.get("/").status_code == 200
    other = closed.visitor()
    other.post("/sign-in", token=other.token("/sign-in"), code=CODE, next="")
    assert other.get("/").status_code == 200
    access.set_code(closed.state, "another way in", reader=True)
    assert ana.get("/site").status_code == 200
    assert other.get("/").status_code == 303


@pytest.mark.parametrize("how", ["basic", "bearer"])
@pytest.mark.parametrize("code", [READ, CODE])
def test_programs_send_the_code(closed: Desk, how: str, code: str) -> None:
    """As HTTP Basic or as a bearer's, on every question; a new code ends the old one's use."""
    client = closed.app.test_client()
    headers = basic(code) if how == "basic" else {"Authorization": f"Bearer {code}"}
    for path in [*API, "/metrics", "/"]:
        assert client.get(path, headers=headers).status_code == 200, path
    access.set_code(closed.state, "another way in", reader=code == READ)
    assert client.get("/metrics", headers=headers).status_code == 401


def test_codes_are_not_guessed_nor_sent_in_the_clear(closed: Desk) -> None:
    """Tries wait longer and longer, right or wrong; and from afar without TLS none is looked at."""
    client = closed.app.test_client()
    far: dict[str, Any] = {"environ_overrides": FAR, "base_url": TLS}
    for _ in range(FREE):
        assert client.get("/metrics", headers=basic("wrong guess"), **far).status_code == 401
    answer = client.get("/metrics", headers=basic(READ), **far)
    assert answer.status_code == 429
    assert int(answer.headers["Retry-After"]) >= 1
    closed.steady += 5.0
    assert client.get("/metrics", headers=basic(READ), **far).status_code == 200
    plain = client.get("/metrics", headers=basic(READ), environ_overrides=FAR)
    assert plain.status_code == 403
    assert "in the clear" in plain.json["error"]
    assert client.get("/sign-in", environ_overrides=FAR).status_code == 403


@pytest.mark.parametrize("where", ["/site/sign-in", "/sign-in"])
def test_the_readers_code_is_no_help_in_guessing_the_technicians(closed: Desk, where: str) -> None:
    """Signing in as a reader before each guess, at either door, gives no more guesses than a
    stranger has."""
    looked_at = 0
    for n in range(3 * FREE):
        reader = closed.visitor(FAR["REMOTE_ADDR"], TLS)
        reader.post("/sign-in", token=reader.token("/sign-in"), code=READ, next="")
        assert reader.get("/sign-in").location == "/"
        reader.client.delete_cookie("__Host-dryhold-reader", domain="dryhold.example")
        form = {"token": reader.token(where), "who": "Eve", "code": f"a guess {n}", "next": ""}
        looked_at += reader.post(where, **form).status_code == 401
    assert looked_at == FREE


@pytest.mark.parametrize(
    "sent",
    [
        "Basic",
        "Basic !!!",
        "Basic /////w==",
        "Bearer",
        "Bearer \x80",
        "Basic \xf4",
        "Digest a=b",
        "x",
    ],
)
def test_odd_credentials_are_no_code(closed: Desk, sent: str) -> None:
    """Whatever else comes as authorization is refused, and breaks nothing."""
    answer = closed.app.test_client().get("/api/status", headers={"Authorization": sent})
    assert answer.status_code == 401


def test_a_closed_site_without_codes_says_how_to_set_one(closed: Desk) -> None:
    """Reading stays shut until there is a code, and the page says which command sets it."""
    (closed.state / access.FILE).unlink()
    for path in ("/", "/sign-in", "/api/status"):
        answer = closed.visitor().get(path)
        assert answer.status_code == 503, path
        assert "dryhold access set --reader" in answer.get_data(as_text=True), path


def test_an_open_site_asks_nobody(settings: Settings, tmp_path: Path) -> None:
    """Where reading is open a reader's sign-in only leads on, and a code sent is not looked at."""
    desk = Desk(settings, tmp_path)
    access.set_code(desk.state, READ, reader=True)
    visitor = desk.visitor()
    assert visitor.get("/sign-in").location == "/"
    assert desk.app.test_client().get("/metrics", headers=basic("wrong")).status_code == 200
