"""Who is signed in stays so over a restart of the page, and nobody else is."""

import json
import stat
from pathlib import Path
from typing import Any

import pytest
from test_access import CODE, Desk, Visitor
from test_reader import READ

from edge.settings import Settings
from web import access
from web.session import ABSOLUTE_S, IDLE_S, READER_IDLE_S, STALE

FILE = "sessions-technician.json"


@pytest.fixture
def desk(settings: Settings, tmp_path: Path) -> Desk:
    """A site read with a code, with one for technicians too."""
    made = Desk(settings, tmp_path)
    access.set_code(made.state, READ, reader=True)
    access.set_code(made.state, CODE)
    page = made.settings.page.model_copy(update={"reading": "code"})
    made.settings = made.settings.model_copy(update={"page": page})
    made._make()
    return made


@pytest.fixture
def ana(desk: Desk) -> Visitor:
    visitor = desk.visitor()
    assert visitor.sign_in().status_code == 303
    return visitor


def restart(desk: Desk, *visitors: Visitor, down_s: float = 5.0) -> None:
    """A new page after that long, whose steady clock begins anew; the browsers keep their cookies."""
    desk.now += down_s
    desk.steady = 7.0
    desk._make()
    for visitor in visitors:
        cookies = visitor.client._cookies
        visitor.client = desk.app.test_client()
        visitor.client._cookies = cookies


def later(desk: Desk, seconds: float) -> None:
    """Both clocks run on."""
    desk.steady += seconds
    desk.now += seconds


def inside(visitor: Visitor, path: str = "/site") -> bool:
    return bool(visitor.get(path).status_code == 200)


def test_a_restart_signs_nobody_out(desk: Desk, ana: Visitor) -> None:
    """Technician and reader go on, under their own name; what forms were open counts no more."""
    reader = desk.visitor()
    reader.post("/sign-in", token=reader.token("/sign-in"), code=READ, next="")
    old = ana.token("/site")
    for _ in range(3):
        restart(desk, ana, reader)
        assert inside(ana)
        assert "Ana Ruiz" in ana.get("/site").text
        assert inside(reader, "/")
        assert not inside(reader, "/site")
    assert ana.post("/site/test/stop", token=old, section="supply").status_code == 403
    assert desk.asked() == []
    assert ana.post("/site/test/stop", token=ana.token("/site"), section="supply").location


def test_a_session_still_ends_by_time(desk: Desk, ana: Visitor) -> None:
    """The time that the page was down counts as idle, and a restart gives no new twelve hours."""
    restart(desk, ana, down_s=IDLE_S - 60.0)
    assert inside(ana)
    restart(desk, ana, down_s=IDLE_S + 1.0)
    assert not inside(ana)

    ana.sign_in()
    gone = 0.0
    while gone < ABSOLUTE_S - IDLE_S:
        later(desk, IDLE_S / 2.0)
        assert inside(ana)
        restart(desk, ana, down_s=IDLE_S / 4.0)
        gone += IDLE_S * 0.75
    assert inside(ana)
    restart(desk, ana, down_s=ABSOLUTE_S - gone + 1.0)
    assert not inside(ana)


def test_a_clock_set_back_ends_no_session_and_a_readers_lasts_longer(desk: Desk) -> None:
    """A box that boots in the past counts no time while it was down, and what was counted stays."""
    ana, reader = desk.visitor(), desk.visitor()
    ana.sign_in()
    reader.post("/sign-in", token=reader.token("/sign-in"), code=READ, next="")
    later(desk, IDLE_S * 0.75)
    desk.visitor().sign_in(who="Ben")  # which brings the file up to date
    restart(desk, ana, reader, down_s=-40 * 86400.0)
    later(desk, IDLE_S * 0.2)
    assert inside(ana)
    restart(desk, ana, reader, down_s=IDLE_S + 1.0)
    assert not inside(ana)
    assert inside(reader, "/")
    restart(desk, reader, down_s=READER_IDLE_S + 1.0)
    assert not inside(reader, "/")


def test_signed_out_is_signed_out_for_good(desk: Desk, ana: Visitor) -> None:
    """A cookie kept from before the sign-out opens nothing after a restart, nor one from before a new code."""
    kept = ana.client.get_cookie("dryhold-session", domain="localhost")
    assert kept is not None
    ana.post("/site/sign-out", token=ana.token("/site"))
    restart(desk, ana)
    ana.client.set_cookie("dryhold-session", kept.value, domain="localhost")
    assert not inside(ana)

    ana.sign_in()
    access.set_code(desk.state, "another code")
    restart(desk, ana)
    assert not inside(ana)


def test_the_file_opens_nothing(desk: Desk, ana: Visitor) -> None:
    """Mode 0600, no number of a cookie in it, and a number put into it is nothing without the kept secret's signature."""
    path = desk.state / FILE
    cookie = ana.client.get_cookie("dryhold-session", domain="localhost")
    assert cookie is not None
    number = cookie.value.rpartition(".")[0]
    assert len(number) == 43
    assert stat.S_IMODE(path.stat().st_mode) == 0o600
    assert number not in path.read_text()

    access.set_code(desk.state, CODE)  # the same code, another secret: the numbers are still there
    restart(desk, ana)
    assert json.loads(path.read_text())["sessions"]
    assert not inside(ana)


@pytest.mark.parametrize(
    "spoil",
    [
        lambda path: path.chmod(0o640),
        lambda path: path.write_text("[" * 100_000),
        lambda path: path.write_text('{"at": 0, "sessions": [["a", "b"]]}'),
        lambda path: path.write_text(
            path.read_text().replace("Ana Ruiz", "Ana").replace('"Ana"', "7")
        ),
    ],
)
def test_a_file_that_cannot_be_trusted_lets_nobody_in(desk: Desk, ana: Visitor, spoil: Any) -> None:
    """Readable by others, broken or made up: everybody signs in again, and that works."""
    spoil(desk.state / FILE)
    restart(desk, ana)
    assert not inside(ana)
    assert ana.sign_in().status_code == 303
    restart(desk, ana)
    assert inside(ana)


def test_a_full_disk_brings_nobody_back(
    desk: Desk, ana: Visitor, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Where the file cannot be kept, sessions go on until the restart, and then nobody is in: least of all who signed out."""
    ben = desk.visitor()
    ben.sign_in(who="Ben")
    kept = ana.client.get_cookie("dryhold-session", domain="localhost")
    assert kept is not None

    def full(*_given: Any) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("web.access.os.fsync", full)
    ana.post("/site/sign-out", token=ana.token("/site"))
    assert inside(ben)
    monkeypatch.undo()
    restart(desk, ana, ben)
    ana.client.set_cookie("dryhold-session", kept.value, domain="localhost")
    assert not inside(ana)
    assert not inside(ben)


def test_looking_writes_nothing_within_minutes(desk: Desk, ana: Visitor) -> None:
    """The card is spared: pages looked at one after another write the file once in a sixth of the idle time."""
    path = desk.state / FILE
    before = path.stat().st_ino, path.stat().st_mtime_ns
    for _ in range(20):
        later(desk, IDLE_S * STALE / 21.0)
        assert inside(ana)
    assert (path.stat().st_ino, path.stat().st_mtime_ns) == before
    later(desk, IDLE_S * STALE / 10.0)
    assert inside(ana)
    assert (path.stat().st_ino, path.stat().st_mtime_ns) != before
