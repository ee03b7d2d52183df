"""The technician's side: who gets in, how fast codes may be tried, and what a form may ask for."""

import json
import re
import sqlite3
import stat
from collections.abc import Iterator
from pathlib import Path
from typing import Any
from urllib.parse import quote

import depot
import pytest
from flask.testing import FlaskClient

from edge.core.units import PSI
from edge.errors import AccessError, SettingsError
from edge.settings import Settings, check, load
from web import access, checklist, create_app
from web.pace import FREE, LONGEST_S, SPACED_S, STRANGERS, Pace
from web.session import ABSOLUTE_S, IDLE_S

CODE = "cold hands 7"
FAR = {"REMOTE_ADDR": "192.168.7.20"}
TLS = "https://dryhold.example"


class Desk:
    """A page with an access code; the test sets its clocks."""

    def __init__(self, settings: Settings, folder: Path) -> None:
        self.state, self.runtime = folder / "state", folder / "run"
        self.state.mkdir()
        depot.keep(self.state, settings, 0.02)
        self.settings = settings
        self.steady, self.now = 1000.0, depot.NOW + 2.0
        self.say("act")
        self._make()

    def _make(self) -> None:
        self.app = create_app(
            self.settings, self.state, self.runtime, lambda: self.now, lambda: self.steady
        )

    def say(self, state: str, **more: Any) -> None:
        said = depot.newest(self.settings, state)
        said["picture"].update({"hold_tests": [], "hold_refused": {}, "working": None, **more})
        depot.show(self.runtime, said)

    def allow_plain(self) -> None:
        page = self.settings.page.model_copy(update={"plain_sign_in": True})
        self.settings = self.settings.model_copy(update={"page": page})
        self._make()

    def visitor(self, address: str = "127.0.0.1", base: str = "http://localhost") -> "Visitor":
        return Visitor(self.app.test_client(), address, base)

    def asked(self) -> list[tuple[str, str, dict[str, Any]]]:
        """What lies in the letterbox."""
        path = self.state / "letterbox.db"
        if not path.exists():
            return []
        db = sqlite3.connect(path)
        rows = db.execute("SELECT kind, by, what FROM requests ORDER BY id").fetchall()
        db.close()
        return [(kind, by, json.loads(what)) for kind, by, what in rows]


class Visitor:
    """A browser without the browser: cookies, an address, and an origin."""

    def __init__(self, client: FlaskClient, address: str, base: str) -> None:
        self.client, self.base = client, base
        self.how: dict[str, Any] = {
            "base_url": base,
            "environ_overrides": {"REMOTE_ADDR": address},
        }

    def get(self, path: str) -> Any:
        return self.client.get(path, **self.how)

    def token(self, path: str) -> str:
        found = re.search(r'name="token" value="([^"]+)"', self.get(path).text)
        return found[1] if found else ""

    def post(self, path: str, origin: str | None = "own", **form: str) -> Any:
        headers = {} if origin is None else {"Origin": self.base if origin == "own" else origin}
        return self.client.post(path, data=form, headers=headers, **self.how)

    def sign_in(self, code: str = CODE, who: str = "Ana Ruiz") -> Any:
        return self.post(
            "/site/sign-in", token=self.token("/site/sign-in"), who=who, code=code, next=""
        )


@pytest.fixture
def shut(settings: Settings, tmp_path: Path) -> Desk:
    """No code was set yet."""
    return Desk(settings, tmp_path)


@pytest.fixture
def desk(shut: Desk) -> Desk:
    access.set_code(shut.state, CODE)
    return shut


@pytest.fixture
def ana(desk: Desk) -> Visitor:
    """Signed in at the box."""
    visitor = desk.visitor()
    assert visitor.sign_in().status_code == 303
    return visitor


# --- the code


def test_until_a_code_is_set_the_page_says_how_and_lets_nobody_in(shut: Desk) -> None:
    """No default, no way to set one over the network: every room leads to the explanation."""
    visitor = shut.visitor()
    for path in ("/site", "/site/test", "/site/alerts", "/site/wiring"):
        assert visitor.get(path).location.startswith("/site/sign-in")
    assert "dryhold access set" in visitor.get("/site/sign-in").text
    assert visitor.post("/site/sign-in", token="x", who="A", code="").status_code == 403
    assert not (shut.state / access.FILE).exists()


@pytest.mark.parametrize("code", ["short 7", "12345678", "hgfedcba", "aaaaaaaa", "x" * 129])
def test_a_code_that_is_short_or_guessed_at_once_is_refused(code: str, tmp_path: Path) -> None:
    """Under 8 characters, a row of neighbours, one character over and over, or endless: not kept."""
    with pytest.raises(AccessError, match="the code: expected"):
        access.set_code(tmp_path, code)
    assert list(tmp_path.iterdir()) == []


def test_the_code_is_kept_as_a_slow_hash_that_only_its_owner_reads(desk: Desk) -> None:
    """Argon2id with megabytes of memory, mode 0600, the code itself nowhere; any spelling of it fits."""
    path = desk.state / access.FILE
    assert stat.S_IMODE(path.stat().st_mode) == 0o600
    kept = json.loads(path.read_text())
    assert kept["code"].startswith("$argon2id$v=19$m=7168,t=5,p=1$")
    assert CODE not in path.read_text()
    access.set_code(desk.state, "caf\u00e9 au lait")
    lock = access.read(desk.state)
    assert lock is not None
    assert access.right(lock, "cafe\u0301 au lait")
    assert not access.right(lock, "cafe au lait")
    path.chmod(0o640)
    assert desk.visitor().get("/site/sign-in").status_code == 503


def test_a_new_code_signs_everybody_out(desk: Desk, ana: Visitor) -> None:
    """Whoever was in with the old one is out at the next click."""
    assert ana.get("/site").status_code == 200
    access.set_code(desk.state, "another code")
    assert ana.get("/site").status_code == 303


# --- in and out


def test_cookies_are_marked(desk: Desk) -> None:
    """HttpOnly, SameSite=Strict; over TLS also Secure and bound to the host by the name's prefix."""
    for base, prefix in (("http://localhost", "dryhold-"), (TLS, "__Host-dryhold-")):
        visitor = desk.visitor(base=base)
        cookies = visitor.sign_in().headers.getlist("Set-Cookie")
        kept = [c for c in cookies if "Max-Age=0" not in c]
        assert {c.partition("=")[0] for c in kept} == {
            f"{prefix}session",
            f"{prefix}device-technician",
        }
        for cookie in kept:
            assert "HttpOnly" in cookie
            assert "SameSite=Strict" in cookie
            assert ("Secure" in cookie) == (base == TLS)


def test_a_wrong_code_lets_nobody_in(desk: Desk) -> None:
    """401, no session, and the answer does not say more."""
    visitor = desk.visitor()
    answer = visitor.sign_in("cold hands 8")
    assert answer.status_code == 401
    assert not [c for c in answer.headers.getlist("Set-Cookie") if "session" in c]
    assert visitor.get("/site").status_code == 303


def test_a_session_ends_by_itself_and_by_hand(desk: Desk, ana: Visitor) -> None:
    """Idle and absolute limits; a page that renews itself is no touch; a signed-out cookie is dead."""
    for _ in range(3):
        desk.steady += IDLE_S - 1.0
        assert ana.get("/site").status_code == 200
    for _ in range(3):
        desk.steady += IDLE_S / 3.0 + 1.0
        last = ana.get("/site/wiring?live=1")
    assert last.status_code == 401

    ana.sign_in()
    began = desk.steady
    while desk.steady - began <= ABSOLUTE_S - 1000.0:
        desk.steady += 1000.0
        assert ana.get("/site").status_code == 200
    desk.steady = began + ABSOLUTE_S + 1.0
    assert ana.get("/site").status_code == 303

    ana.sign_in()
    cookie = ana.client.get_cookie("dryhold-session", domain="localhost")
    assert cookie is not None
    assert ana.post("/site/sign-out", token=ana.token("/site")).status_code == 303
    ana.client.set_cookie("dryhold-session", cookie.value, domain="localhost")
    assert ana.get("/site").status_code == 303


def test_signing_in_goes_only_to_our_own_rooms(desk: Desk) -> None:
    """The way on after signing in is a room of this side, whatever the address asked for."""
    for asked, got in (
        ("/site/alerts", "/site/alerts"),
        ("//evil.example", "/site"),
        ("/", "/site"),
    ):
        visitor = desk.visitor()
        form = {"token": visitor.token("/site/sign-in"), "who": "Ana", "code": CODE, "next": asked}
        assert visitor.post("/site/sign-in", **form).location == got


@pytest.mark.parametrize(
    ("address", "base", "plain", "status"),
    [
        ("192.168.7.20", "http://dryhold.example", False, 403),
        ("192.168.7.20", "http://dryhold.example", True, 200),
        ("192.168.7.20", TLS, False, 200),
        ("127.0.0.1", "http://localhost", False, 200),
        ("::1", "http://localhost", False, 200),
        ("unknown", "http://localhost", False, 403),
    ],
)
def test_nothing_in_the_clear_from_another_machine(
    desk: Desk, address: str, base: str, plain: bool, status: int
) -> None:
    """Plain HTTP from afar is refused, even with a good session, unless the settings say so."""
    if plain:
        desk.allow_plain()
    visitor = desk.visitor(address, base)
    assert visitor.get("/site/sign-in").status_code == status
    assert visitor.sign_in().status_code == (303 if status == 200 else 403)
    assert visitor.get("/").status_code == 200


# --- how fast


def test_wrong_codes_from_one_place_wait_longer_and_longer(desk: Desk) -> None:
    """After a few tries the next is put off, the right code too; once the wait is over it opens."""
    visitor = desk.visitor(FAR["REMOTE_ADDR"], TLS)
    for _ in range(FREE):
        assert visitor.sign_in("wrong code").status_code == 401
    waits = []
    for _ in range(5):
        put_off = visitor.sign_in(CODE)
        assert put_off.status_code == 429
        waits.append(int(put_off.headers["Retry-After"]))
        desk.steady += waits[-1]
        assert visitor.sign_in("wrong code").status_code == 401
    assert waits == [2, 4, 8, 16, 32]
    assert desk.visitor("192.168.7.21", TLS).sign_in().status_code == 303
    desk.steady += 64
    assert visitor.sign_in().status_code == 303


def test_a_flood_of_strangers_does_not_lock_the_owner_out(desk: Desk) -> None:
    """Tries from ever new addresses are spaced; a device that was in before, and the box, get in."""
    phone = desk.visitor("192.168.7.30", TLS)
    assert phone.sign_in().status_code == 303
    for n in range(STRANGERS - 1):
        assert desk.visitor(f"192.168.9.{n}", TLS).sign_in("wrong code").status_code == 401
    assert desk.visitor("192.168.9.200", TLS).sign_in(CODE).status_code == 429
    assert phone.sign_in().status_code == 303
    assert desk.visitor().sign_in().status_code == 303
    desk.steady += SPACED_S
    assert desk.visitor("192.168.9.201", TLS).sign_in("wrong code").status_code == 401
    assert desk.visitor("192.168.9.202", TLS).sign_in(CODE).status_code == 429


def test_a_day_of_guessing_from_one_place_is_a_few_hundred_tries() -> None:
    """By the waits alone: no more than one try in five minutes once they are at their longest."""
    pace, t, tries = Pace(), 0.0, 0
    while t < 86400.0:
        wait = pace.wait_s("place", t, known=True)
        tries += wait == 0
        t += wait
    assert 86400.0 / LONGEST_S <= tries <= 86400.0 / LONGEST_S + 15


def test_one_network_of_ipv6_is_one_place(desk: Desk) -> None:
    """Changing the address within a /64 gives no new tries."""
    for n in range(FREE):
        assert desk.visitor(f"2001:db8::{n + 1}", TLS).sign_in("wrong code").status_code == 401
    assert desk.visitor("2001:db8::ff", TLS).sign_in("wrong code").status_code == 429
    assert desk.visitor("2001:db8:0:1::1", TLS).sign_in("wrong code").status_code == 401


def test_the_code_asked_for_again_is_slowed_too(desk: Desk, ana: Visitor) -> None:
    """Within a session, guessing at the forms that want the code is put off like signing in."""
    for n in range(FREE + 1):
        answer = ana.post(
            "/site/alerts/working", **{"token": ana.token("/site"), "for": "1h", "code": "wrong"}
        )
        assert answer.status_code == (401 if n < FREE else 429)
    assert desk.asked() == []


# --- what a form may ask for


def start_form(desk: Desk, token: str, **more: str) -> dict[str, str]:
    """A checklist with everything ticked."""
    from edge.hold.offered import methods
    from edge.methods import SUPPLY_LINE

    method = methods(desk.settings)[SUPPLY_LINE]
    boxes = (*checklist.BEFORE, *checklist.valves("supply", method, desk.settings))
    return {
        **{box.key: "yes" for box in boxes},
        "token": token,
        "section": "supply",
        "method": SUPPLY_LINE,
        "confirmed_by": "Ana Ruiz",
        "note": "calm night",
        "others": " gauge  valve \n\n",
        "code": CODE,
        **more,
    }


CHECKLIST = "/site/test/checklist?section=supply&method=supply+line"


def test_a_full_checklist_asks_for_the_test_with_who_and_from_where(
    desk: Desk, ana: Visitor
) -> None:
    """The request carries the person, the address, the method, what was confirmed and the valves."""
    answer = ana.post("/site/test/start", **start_form(desk, ana.token(CHECKLIST)))
    assert answer.status_code == 303
    [(kind, by, what)] = desk.asked()
    assert (kind, by) == ("hold_start", "Ana Ruiz (127.0.0.1)")
    assert (what["section"], what["method"], what["note"]) == (
        "supply",
        "supply line",
        "calm night",
    )
    assert what["checklist"]["confirmed_by"] == "Ana Ruiz"
    assert what["checklist"]["confirmed"] == [box.text for box in checklist.BEFORE]
    assert what["checklist"]["valves"][-1] == "gauge valve"
    assert "not taken it up yet" in ana.get(answer.location).text


def test_every_box_must_be_ticked(desk: Desk, ana: Visitor) -> None:
    """With any one box missing nothing is asked for, and the page says which one."""
    whole = start_form(desk, "")
    boxes = [key for key, value in whole.items() if value == "yes"]
    assert len(boxes) == 8
    for missing in boxes:
        form = {**whole, "token": ana.token(CHECKLIST)}
        del form[missing]
        answer = ana.post("/site/test/start", **form)
        assert answer.status_code == 400
        assert "Not ticked" in answer.text
    assert desk.asked() == []


def test_the_checklist_says_what_the_gauge_and_the_source_will_make_of_the_test(
    desk: Desk, ana: Visitor
) -> None:
    """Before a standard's test the page shows the gauge and says that off the standard's pressure
    there will be no pass and no fail; it lists a start of the generator only where that makes this
    test void; alarm and proof are asked for, and go out with the request."""
    desk.say("holding", sections={"supply": {"pressure_kpa": 27.0 * PSI}})
    off = ana.get("/site/test/checklist?section=supply&method=periodic+2+h").text
    assert "not the standard&#39;s test" in off
    assert "27.0" in off
    system = "Freezer aisles 1-6"
    desk.say("holding", sections={system: {"pressure_kpa": 40.5 * PSI}})
    at = ana.get(f"/site/test/checklist?section={quote(system)}&method=periodic+2+h").text
    assert "not the standard&#39;s test" not in at
    assert "the generator starts" not in at
    path = f"/site/test/checklist?section={quote(system)}&method=source+shut+off+4+h"
    assert "the generator starts" in ana.get(path).text
    form = start_form(desk, ana.token(path), section=system, method="source shut off 4 h")
    wrong = ana.post("/site/test/start", **form, alarm="26 of them")
    assert (wrong.status_code, desk.asked()) == (400, [])
    form["token"] = ana.token(path)
    answer = ana.post("/site/test/start", **form, alarm="26", device_proved="yes")
    assert answer.status_code == 303
    [(_, _, what)] = desk.asked()
    assert what["alarm_kpa"] == pytest.approx(26.0 * PSI)
    assert what["device_proved"] is True


@pytest.mark.parametrize(
    ("change", "status"),
    [
        ({"code": "wrong code"}, 401),
        ({"code": ""}, 401),
        ({"confirmed_by": " "}, 400),
        ({"confirmed_by": "x" * 61}, 400),
        ({"method": "none such"}, 404),
        ({"section": "<b>"}, 404),
        ({"note": "x" * 70_000}, 413),
    ],
)
def test_a_start_that_lacks_something_asks_for_nothing(
    desk: Desk, ana: Visitor, change: dict[str, str], status: int
) -> None:
    """A wrong code, nobody who confirms, or a method or section that is none: 4xx and no request."""
    form = start_form(desk, ana.token(CHECKLIST), **change)
    assert ana.post("/site/test/start", **form).status_code == status
    assert desk.asked() == []


def test_nothing_starts_while_the_monitor_is_silent(desk: Desk, ana: Visitor) -> None:
    """With old data the checklist comes back and says why."""
    desk.now += 600.0
    answer = ana.post("/site/test/start", **start_form(desk, ana.token(CHECKLIST)))
    assert answer.status_code == 400
    assert "no new data" in answer.text
    assert desk.asked() == []


def forgeries(desk: Desk, ana: Visitor) -> Iterator[Any]:
    """Every way of sending Ana's stop form without being her page."""
    eve = desk.visitor()
    stop = {"section": "supply"}
    yield ana.post("/site/test/stop", **stop)
    yield ana.post("/site/test/stop", token="x" * 32, **stop)
    yield ana.post("/site/test/stop", origin="http://evil.example", token=ana.token("/site"))
    yield ana.post("/site/test/stop", origin="null", token=ana.token("/site"), **stop)
    yield ana.post("/site/test/stop", origin=None, token=ana.token("/site"), **stop)
    yield ana.post("/site/test/stop", origin="https://localhost", token=ana.token("/site"), **stop)
    yield eve.post("/site/test/stop", token=ana.token("/site"), **stop)
    eve.sign_in(who="Eve")
    yield eve.post("/site/test/stop", token=ana.token("/site"), **stop)
    for value in ("x", "x.y", "\u00fc", "A" * 4000):
        eve.client.set_cookie("dryhold-session", value, domain="localhost")
        yield eve.post("/site/test/stop", token=ana.token("/site"), **stop)
    cookie = ana.client.get_cookie("dryhold-session", domain="localhost")
    assert cookie is not None
    bare = cookie.value.rpartition(".")[0]
    eve.client.set_cookie("dryhold-session", bare, domain="localhost")
    yield eve.post("/site/test/stop", token=ana.token("/site"), **stop)
    eve.client.set_cookie("dryhold-session", f"{bare}.{'A' * 27}", domain="localhost")
    yield eve.post("/site/test/stop", token=ana.token("/site"), **stop)


def test_forged_forms_ask_for_nothing(desk: Desk, ana: Visitor) -> None:
    """No token, a made-up or another's token, another origin or none, no or a forged cookie: 401 or 403."""
    answers = [answer.status_code for answer in forgeries(desk, ana)]
    assert len(answers) == 14
    assert set(answers) <= {401, 403}
    assert desk.asked() == []


def test_a_form_counts_once(desk: Desk, ana: Visitor) -> None:
    """Sent again (a double click, a replay), it is refused, and one request is in the letterbox."""
    token = ana.token("/site")
    answers = [ana.post("/site/test/stop", token=token, section="supply") for _ in range(3)]
    assert [a.status_code for a in answers] == [303, 403, 403]
    assert len(desk.asked()) == 1


def test_a_sign_in_form_belongs_to_the_browser_it_was_given_to(desk: Desk) -> None:
    """Another browser's token, or none, signs nobody in: nobody can be signed in unawares."""
    ana, eve = desk.visitor(), desk.visitor()
    token = ana.token("/site/sign-in")
    for form in ({"token": token}, {"token": ""}, {}):
        assert eve.post("/site/sign-in", who="Eve", code=CODE, **form).status_code == 403
    elsewhere = ana.post("/site/sign-in", "http://evil.example", token=token, who="A", code=CODE)
    assert elsewhere.status_code == 403


def test_what_changes_anything_cannot_be_fetched(ana: Visitor) -> None:
    """Every deed is a POST; a link or an image that points there does nothing."""
    for path in ("test/start", "test/stop", "test/put-back", "alerts/shelve", "sign-out"):
        assert ana.get(f"/site/{path}").status_code == 405


def test_alerts_are_acknowledged_shelved_and_kept_quiet(desk: Desk, ana: Visitor) -> None:
    """Each deed is one request that names the alert as it stands, its time and its reason."""
    low = {"alert": "low_pressure", "section": "supply", "subject": ""}

    def send(path: str, **form: str) -> int:
        token = ana.token("/site/alerts")
        return int(ana.post(f"/site/alerts/{path}", token=token, **form).status_code)

    assert send("acknowledge", **low) == 303
    assert send("shelve", **{**low, "for": "4h", "why": "gauge being changed"}) == 303
    assert send("shelve", **{**low, "for": "4h", "why": " "}) == 400
    assert send("shelve", **{**low, "for": "10y", "why": "because"}) == 400
    assert send("acknowledge", alert="low_purity", section="supply", subject="") == 409
    assert send("working", **{"for": "2h", "code": CODE}) == 303
    assert send("working", end="1") == 303
    named = {"alert": "low_pressure", "section": "supply", "subject": None}
    assert [(kind, what) for kind, _, what in desk.asked()] == [
        ("acknowledge", named),
        ("shelve", {**named, "for_s": 4 * 3600.0, "why": "gauge being changed"}),
        ("working", {"for_s": 7200.0}),
        ("working", {"for_s": 0.0}),
    ]


def test_names_with_markup_stay_text(desk: Desk) -> None:
    """What people type is shown as they typed it and never as markup; control characters are refused."""
    visitor = desk.visitor()
    assert visitor.sign_in(who="<script>alert(1)</script>").status_code == 303
    page = visitor.get("/site").text
    assert "&lt;script&gt;alert(1)" in page
    assert "<script>alert" not in page
    for who in ("", "  ", "x" * 61, "a\x00b"):
        assert desk.visitor().sign_in(who=who).status_code == 400


def test_the_side_keeps_a_strict_policy(ana: Visitor) -> None:
    """Nothing inline, forms only to ourselves, nothing kept in caches; the owner's pages send no form."""
    inside = ana.get("/site").headers
    policy = inside["Content-Security-Policy"]
    assert "unsafe" not in policy
    assert "default-src 'none'" in policy
    assert "form-action 'self'" in policy
    assert inside["Cache-Control"] == "no-store"
    assert inside["Referrer-Policy"] == "same-origin"
    assert "form-action 'none'" in ana.get("/").headers["Content-Security-Policy"]


def test_a_certificate_comes_with_its_key(saltmarsh: Path) -> None:
    """One of the two alone is a fault of the settings that names the other."""
    import tomllib

    raw = tomllib.loads(saltmarsh.read_text())
    for given, lacks in (("certificate", "key"), ("key", "certificate")):
        with pytest.raises(SettingsError, match=f"page.{lacks}: expected certificate and key"):
            check({**raw, "page": {given: "/somewhere"}})
    assert not load(saltmarsh).page.plain_sign_in


def test_days_of_wrong_tries_wait_no_longer_than_the_longest() -> None:
    """A program that asks with a wrong code for a week is made to wait, and breaks nothing."""
    pace, t = Pace(), 0.0
    for _ in range(2000):
        wait = pace.wait_s("10.0.0.9", t, True)
        assert wait <= LONGEST_S
        t += wait or 1.0
