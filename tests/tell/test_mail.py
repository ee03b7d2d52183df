"""Telling people through a real mail server, with STARTTLS, AUTH and certificates."""

import re
from collections.abc import Callable, Iterator, Mapping, Sequence
from datetime import UTC, datetime, timedelta
from functools import partial
from io import BytesIO
from pathlib import Path
from typing import Any

import pytest
from brokers import free_port, until
from PIL import Image
from postoffice import PASSWORD, SENDER, USER, Authority, Mailbox

from edge.model import Event, Tick, iso
from edge.settings import Settings, check, load
from edge.store.read import Reader
from edge.store.write import Writer
from edge.tell import mail
from edge.tell.trace import HEIGHT, WIDTH

T0 = 1_764_072_000.0  # Tuesday, 2025-11-25 12:00 UTC, 06:00 at the site
DESK, BOSS = "desk@fenwick.example", "boss@fenwick.example"
LOW = {"alert": "low_pressure", "priority": "urgent"}
GROWTH = {"alert": "leak_growth", "priority": "soon"}
DRIFT = {"alert": "setpoint_drift", "priority": "planned"}


@pytest.fixture(scope="session")
def authority(tmp_path_factory: pytest.TempPathFactory) -> Authority:
    return Authority(tmp_path_factory.mktemp("authority"))


class Place:
    """A site whose time is moved by hand, its outbox, and a messenger for each recipient."""

    def __init__(self, folder: Path, saltmarsh: Path, table: str) -> None:
        self.site = folder / "site.toml"
        self.site.write_text(saltmarsh.read_text() + table)
        self.settings: Settings = load(self.site)
        self.folder, self.now = folder / "state", T0
        self.alerts: list[dict[str, Any]] = []
        self.open()

    def open(self, **more: Any) -> None:
        self.names = mail.names(self.settings)
        only = dict.fromkeys(self.names, mail.TOLD)
        self.writer = Writer(self.folder, self.settings, self.names, only=only, **more)
        self.tellers = mail.open_messengers(
            self.settings, self.writer.outbox, partial(Reader, self.folder)
        )
        for teller in self.tellers:
            teller._jitter = lambda: -0.999  # tried again at once

    def close(self) -> None:
        for teller in self.tellers:
            teller.stop()
        self.writer.close()

    def again(self) -> None:
        """As after SIGKILL: nothing is left but what was written down."""
        for teller in self.tellers:
            teller._line.stop()
        self.writer.close()
        self.open()

    def event(
        self, kind: str, about: Mapping[str, Any], at: float | None = None, **more: Any
    ) -> None:
        at = self.now if at is None else at
        numbers = {"cause": "leak", "evidence": {}, "todo": "Go and look at the gauge.", **about}
        name = str(about.get("alert", "hold test")).replace("_", " ")
        section = more.pop("section", "supply")
        text = more.pop("text", f"{kind} {name} in {section}.")
        self.writer.keep([], [Event(at, kind, text, section, {**numbers, **more})], {})

    def rise(self, about: Mapping[str, Any], section: str = "supply", **more: Any) -> None:
        self.event("alert_raised", about, section=section, **more)
        standing = {
            "subject": None, **about, "section": section, "state": "active", "since": iso(self.now),
            "text": "It stands.", "cause": "leak", "todo": "Go and look.", "evidence": {},
        }  # fmt: skip
        self.alerts.append(standing)

    def end(self, about: Mapping[str, Any], section: str = "supply") -> None:
        self.event("alert_cleared", about, section=section)
        self.alerts = [
            a for a in self.alerts if (a["alert"], a["section"]) != (about["alert"], section)
        ]

    def latest(self) -> dict[str, Any]:
        supply = {
            "pressure_kpa": 310.0,
            "loss": {"loss_at_reference_kpa_per_h": 4.2},
            "baseline": {"loss_kpa_per_h": 2.1},
            "purity": {"nitrogen_pct": 98.4},
            "runtime_day_s": 4000.0,
            "starts_day": 7,
            "hours_above_low": {"hours": 12.5, "low": 10.0, "high": 15.0},
        }
        picture = {
            "state": "act" if self.alerts else "holding",
            "reason": "A sentence.",
            "sections": {"supply": supply},
            "alerts": self.alerts,
        }
        return {"at": iso(self.now), "picture": picture}

    def tick(self) -> None:
        for teller in self.tellers:
            teller.tell(self.now, self.latest())

    def drive(self, done: Callable[[], Any], what: str) -> None:
        def once() -> Any:
            self.tick()
            return done()

        until(once, what)

    def settle(self) -> None:
        """Tick until nothing is under way and nothing more becomes due at this time."""

        def still() -> bool:
            self.tick()
            self.tick()
            return all(
                t._sending is None and t._taken is None and t._looked is not None
                for t in self.tellers
            )

        until(still, "nothing more to tell")

    def wait(self, **span: float) -> None:
        self.now += timedelta(**span).total_seconds()
        self.settle()

    def why(self, place: int = 0) -> str:
        return str(self.tellers[place].state()["why"])


def table(port: int, authority: Authority, to: str = "", more: str = "") -> str:
    return f"""
[[mail]]
host = "127.0.0.1"
port = {port}
authority = "{authority.file}"
user = "{USER}"
from = "{SENDER}"
weekly = "never"
{more}
{to or f'to = [{{ address = "{DESK}" }}]'}
"""


@pytest.fixture(autouse=True)
def _password(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("DRYHOLD_MAIL_PASSWORD", PASSWORD)


@pytest.fixture
def office(authority: Authority) -> Iterator[Mailbox]:
    made = Mailbox(authority.server())
    yield made
    made.close()


Make = Callable[..., Place]


@pytest.fixture
def make(tmp_path: Path, saltmarsh: Path, authority: Authority) -> Iterator[Make]:
    made: list[Place] = []

    def build(port: int, to: str = "", more: str = "") -> Place:
        made.append(Place(tmp_path, saltmarsh, table(port, authority, to, more)))
        return made[-1]

    yield build
    for place in made:
        place.close()


def subjects(office: Mailbox, to: str = DESK) -> list[str]:
    return [str(got.letter["Subject"]) for got in office.got if got.to == to]


def headings(office: Mailbox, to: str = DESK) -> list[str]:
    """The first line of each letter's text."""
    return [plain(got).splitlines()[0] for got in office.got if got.to == to]


def plain(got: Any) -> str:
    body = got.letter.get_body(("plain",))
    return str(body.get_content()).replace("\r\n", "\n")


def told(office: Mailbox, to: str = DESK) -> list[int]:
    """The numbers of the events received, doubles dropped by their id as a receiver should."""
    seen: dict[str, int] = {}
    for got in office.got:
        if got.to == to:
            for one in str(got.letter["Dryhold-Events"] or "").split():
                seen.setdefault(one, int(one.rpartition("-")[2]))
    return list(seen.values())


# --- what a letter is


def test_an_alert_becomes_a_thread_of_letters_with_text_html_and_picture(
    office: Mailbox, make: Make
) -> None:
    """Raise, reminder, acknowledgement and end are one thread by RFC 5322's headers, each marked
    automatic (RFC 3834); the raise has text, HTML and a PNG of the trace that the HTML shows."""
    place = make(office.port)
    ticks = [
        Tick(T0 - 7200 + 60 * i, 0.0, (300.0 + i % 50, 2.0, 0.0, 20.0, 200.0, -20.0))
        for i in range(120)
    ]
    place.writer.keep(ticks, [], {})
    place.rise(LOW, text="The supply is at 33 psi, <under> the low limit of 34 psi.")
    place.settle()
    place.wait(hours=4.1)
    place.event("alert_acknowledged", LOW)
    place.alerts[0]["state"] = "acknowledged"
    place.settle()
    place.wait(hours=30)
    place.end(LOW)
    place.settle()
    assert headings(office) == [
        "URGENT: LOW PRESSURE, SUPPLY",
        "STILL STANDING: LOW PRESSURE, SUPPLY",
        "ACKNOWLEDGED: LOW PRESSURE, SUPPLY",
        "ENDED: LOW PRESSURE, SUPPLY",
    ]
    subject = "Saltmarsh Lane depot: Low pressure, supply"
    assert subjects(office) == [
        f"Simulated: URGENT: {subject}",
        f"Re: Simulated: URGENT: {subject}",
        f"Re: Simulated: {subject}",
        f"Re: Simulated: Ended: {subject}",
    ]
    root = office.got[0].letter["Message-ID"]
    assert {got.letter["In-Reply-To"] for got in office.got[1:]} == {root}
    assert {got.letter["References"] for got in office.got[1:]} == {root}
    assert len({got.letter["Message-ID"] for got in office.got}) == 4
    assert {got.letter["Auto-Submitted"] for got in office.got} == {"auto-generated"}
    first = office.got[0].letter
    assert first["Importance"] == "high"
    assert [p.get_content_type() for p in first.walk()] == [
        "multipart/alternative", "text/plain", "multipart/related", "text/html", "image/png",
    ]  # fmt: skip
    picture = next(p for p in first.walk() if p.get_content_type() == "image/png")
    assert picture["Content-ID"] == "<trace>"
    drawn = Image.open(BytesIO(picture.get_payload(decode=True)))
    assert drawn.size == (WIDTH, HEIGHT)
    assert len(drawn.convert("RGB").getcolors(WIDTH * HEIGHT)) > 5  # type: ignore[arg-type]
    html = first.get_body(("html",)).get_content()
    assert 'src="cid:trace"' in html
    assert "&lt;under&gt;" in html
    assert not re.search(r"(src|href)=\"(?!cid:|http://[\w.:-]+/site/alerts\")", html)
    text = plain(office.got[0])
    for needed in ("Go and look at the gauge.", "a leak that has grown", "Check first", "Bring",
                   "SIMULATED: THESE FIGURES COME FROM NO SENSOR.", "impairment procedure",
                   "Compressed gas", "nitrogen displaces oxygen", "06:00 (UTC-06:00)", "/site/alerts",
                   "45.0 psi", "supervisory", "Fenwick Fire Protection"):  # fmt: skip
        assert needed in text, needed


def test_the_acknowledgement_link_leads_to_the_page_on_site(office: Mailbox, make: Make) -> None:
    """With `page` given the link is under it; it only leads there, it carries no token."""
    place = make(office.port, more='page = "http://10.0.0.7:8080"')
    place.rise(LOW)
    place.settle()
    assert "http://10.0.0.7:8080/site/alerts\n" in plain(office.got[0])


# --- to whom, and when


def test_priorities_sections_and_the_second_in_line(office: Mailbox, make: Make) -> None:
    """Each recipient gets what they asked for; the second in line only hears of what nobody
    acknowledged for half an hour, and then how it went on; nobody hears what was silenced or
    shelved."""
    place = make(
        office.port,
        f"""to = [
  {{ address = "{DESK}", priorities = ["urgent"] }},
  {{ address = "cold@fenwick.example", sections = ["Freezer aisles 1-6"] }},
  {{ address = "{BOSS}", priorities = ["urgent"], after = "30 min" }},
]""",
    )
    place.rise(LOW)
    place.rise(GROWTH)
    place.rise(LOW, "Freezer aisles 1-6")
    place.rise({"alert": "high_pressure", "priority": "urgent", "silenced": True})
    place.rise({"alert": "no_cut_out", "priority": "urgent", "shelved": True})
    place.settle()
    place.event("alert_acknowledged", LOW, section="Freezer aisles 1-6")
    place.alerts[2]["state"] = "acknowledged"
    place.wait(minutes=29)
    assert headings(office) == [
        "URGENT: LOW PRESSURE, SUPPLY",
        "URGENT: LOW PRESSURE, FREEZER AISLES 1-6",
        "ACKNOWLEDGED: LOW PRESSURE, FREEZER AISLES 1-6",
    ]
    assert headings(office, "cold@fenwick.example") == headings(office)[1:]
    assert headings(office, BOSS) == []
    place.wait(minutes=2)
    place.end(LOW)
    place.settle()
    assert headings(office, BOSS) == ["URGENT: LOW PRESSURE, SUPPLY", "ENDED: LOW PRESSURE, SUPPLY"]
    assert "by nobody for 31 min" in plain(next(got for got in office.got if got.to == BOSS))
    assert all(place.writer.outbox.backlog(name) == 0 for name in place.names)


def test_quiet_hours_digest_and_what_cannot_wait(office: Mailbox, make: Make) -> None:
    """At night only the urgent is told; the rest follows in the morning, what is planned once a
    day in one letter, raise and end of one alert in order."""
    place = make(office.port, more='quiet = ["22:00-05:30", "05:45-06:30"]\ndigest_at = "07:15"')
    place.rise(GROWTH)
    place.rise(DRIFT)
    place.rise({"alert": "calibration_due", "priority": "planned"})
    place.rise(LOW)
    place.settle()
    assert headings(office) == ["URGENT: LOW PRESSURE, SUPPLY"]
    place.wait(minutes=29)
    assert len(office.got) == 1
    place.wait(minutes=1)
    assert headings(office)[1:] == ["SOON: LEAK GROWTH, SUPPLY"]
    place.end(DRIFT)
    place.wait(minutes=46)
    assert headings(office)[2:] == ["DIGEST: 3 NOTICES"]
    digest = " ".join(plain(office.got[-1]).split())
    places = [
        digest.index(word)
        for word in ("drift, supply (planned)", "due, supply (planned)", "drift, supply (ended)")
    ]
    assert places == sorted(places)
    assert place.writer.outbox.backlog(place.names[0]) == 0


def test_reminders_come_ever_more_seldom_until_somebody_acknowledges(
    office: Mailbox, make: Make
) -> None:
    """Unacknowledged, an alert is told again after 1, 2, 4 h ... and at most daily; not while it is
    shelved, not once it is acknowledged."""
    place = make(office.port, more='remind_every = "1 h"')
    place.rise(LOW)
    place.settle()
    at = []
    for minute in range(0, 60 * 24 * 4, 10):
        place.now = T0 + 60 * minute
        before = len(office.got)
        place.settle()
        at += [minute / 60] * (len(office.got) - before)
    assert at == [1.0, 3.0, 7.0, 15.0, 31.0, 55.0, 79.0]
    for state in ("shelved", "acknowledged"):
        place.alerts[0]["state"] = state
        place.wait(days=2)
    assert len(office.got) == 8


def test_a_storm_becomes_one_letter(office: Mailbox, make: Make) -> None:
    """Thirty alerts at once are one letter that lists all of them; a later end answers it."""
    place = make(office.port)
    for i in range(30):
        place.rise({"alert": "channel_fault", "priority": "soon", "subject": f"channel {i}"})
    place.settle()
    assert headings(office) == ["30 NOTICES AT ONCE"]
    assert told(office) == list(range(1, 31))
    place.event(
        "alert_cleared", {"alert": "channel_fault", "priority": "soon", "subject": "channel 3"}
    )
    place.settle()
    assert office.got[-1].letter["In-Reply-To"] == office.got[0].letter["Message-ID"]


def test_the_week_is_told_once_a_week_and_not_to_a_newcomer_at_once(
    office: Mailbox, make: Make
) -> None:
    """The account comes on its day at the digest's hour, once, across a restart."""
    place = make(office.port)
    place.site.write_text(place.site.read_text().replace('"never"', '"thu"'))
    place.settings = load(place.site)
    place.again()
    place.settle()
    assert office.got == []
    place.wait(days=2, minutes=59)  # Thursday 06:59
    assert office.got == []
    place.wait(minutes=2)
    place.again()
    place.wait(days=1)
    assert headings(office) == ["ACCOUNT OF THE WEEK"]
    place.wait(days=6)
    assert len(office.got) == 2


# --- what fails


def test_a_server_that_lets_nobody_in_is_known_before_there_is_an_alert(
    office: Mailbox, make: Make, monkeypatch: pytest.MonkeyPatch
) -> None:
    """With nothing to tell it is tried at the start whether the server lets us in; nothing is sent."""
    monkeypatch.setenv("DRYHOLD_MAIL_PASSWORD", "wrong")
    place = make(office.port)
    place.drive(lambda: "login" in place.why(), "a reason")
    monkeypatch.setenv("DRYHOLD_MAIL_PASSWORD", PASSWORD)
    place.drive(lambda: place.tellers[0].state()["connected"], "to be let in")
    assert office.got == []
    assert office.logins[-1] == "good"


def test_one_refused_recipient_stops_nobody_else(authority: Authority, make: Make) -> None:
    """A recipient whom the server refuses for good keeps their letters, with the reason; the others
    are told at once; once the address is good, all of it arrives."""
    bad = {DESK}
    office = Mailbox(
        authority.server(), refuse=lambda to: "550 5.1.1 no such box" if to in bad else None
    )
    try:
        place = make(office.port, f'to = [{{ address = "{DESK}" }}, {{ address = "{BOSS}" }}]')
        place.rise(LOW)
        place.drive(lambda: "550" in place.why() and subjects(office, BOSS), "refusal and letter")
        assert place.why().startswith("recipient: the server said 550 5.1.1 no such box")
        place.end(LOW)
        place.drive(lambda: len(subjects(office, BOSS)) == 2, "the end")
        assert place.writer.outbox.backlog(place.names[0]) == 2
        bad.clear()
        place.drive(lambda: place.writer.outbox.backlog(place.names[0]) == 0, "the first's letters")
        assert told(office) == [1, 2]
        assert place.why() == "None"
    finally:
        place.close()
        office.close()


def test_a_letter_that_is_always_refused_is_given_up_and_told(
    authority: Authority, make: Make
) -> None:
    """What a server refuses three times for what it holds does not hold up the rest for ever; the
    next letter says how many were lost; the last try went without the picture."""
    tried: list[bool] = []

    def picky(got: Any) -> str | None:
        if "Low pressure" not in str(got.letter["Subject"]):
            return None
        tried.append(b"image/png" in got.raw)
        return "554 5.7.1 looks like spam"

    office = Mailbox(authority.server(), refuse_data=picky)
    try:
        place = make(office.port)
        place.writer.keep([Tick(T0 - 60, 0.0, (300.0, 2.0, 0.0, 20.0, 200.0, -20.0))], [], {})
        place.rise(LOW)
        place.rise(GROWTH)
        place.drive(lambda: office.got, "the second letter")
        assert tried == [True, True, False]
        assert "1 notice was refused by the mail server for good" in plain(office.got[0])
    finally:
        place.close()
        office.close()


def fault(place: Place) -> str:
    place.rise(LOW)
    place.drive(lambda: place.tellers[0].state()["why"], "a reason")
    assert place.writer.outbox.backlog(place.names[0]) == 1
    return place.why()


def test_every_way_of_failing_is_named(
    authority: Authority,
    make: Make,
    monkeypatch: pytest.MonkeyPatch,
    tmp_path: Path,
    saltmarsh: Path,
) -> None:
    """Name, port, no TLS, a certificate of another authority, one that has expired, a wrong and an
    absent password: each keeps the notice, is said by its step, and nothing goes out in clear."""
    assert fault(make(free_port())).startswith("port: 127.0.0.1 port")
    other = tmp_path / "other"
    other.mkdir()
    stranger = Authority(other)
    expired = datetime.now(UTC) - timedelta(days=1)
    cases: list[tuple[Mailbox, str]] = [
        (Mailbox(None), "TLS: 127.0.0.1 port {port} offers no STARTTLS; nothing is sent without"),
        (Mailbox(stranger.server()), "TLS: 127.0.0.1 port {port}: its certificate is not good: "),
        (
            Mailbox(authority.server(not_after=expired, not_before=expired - timedelta(days=9))),
            "TLS: 127.0.0.1 port {port}: its certificate is not good: certificate has expired",
        ),
    ]
    for number, (office, expected) in enumerate(cases):
        folder = tmp_path / str(number)
        folder.mkdir()
        place = Place(folder, saltmarsh, table(office.port, authority))
        why = fault(place)
        assert why.startswith(expected.format(port=office.port)), why
        assert office.got == []
        assert office.logins == []
        place.close()
        office.close()
    office = Mailbox(authority.server())
    for number, (given, expected) in enumerate(
        [
            ("wrong-and-secret", "login: the server said 535"),
            (None, "login: no password: expected it in DRYHOLD_MAIL_PASSWORD"),
        ]
    ):
        monkeypatch.delenv("DRYHOLD_MAIL_PASSWORD")
        if given is not None:
            monkeypatch.setenv("DRYHOLD_MAIL_PASSWORD", given)
        folder = tmp_path / f"login{number}"
        folder.mkdir()
        place = Place(folder, saltmarsh, table(office.port, authority))
        assert fault(place).startswith(expected)
        place.close()
        monkeypatch.setenv("DRYHOLD_MAIL_PASSWORD", PASSWORD)
    assert office.got == []
    office.close()
    folder = tmp_path / "name"
    folder.mkdir()
    text = table(25, authority).replace("127.0.0.1", "mail.saltmarsh.invalid")
    place = Place(folder, saltmarsh, text)
    assert fault(place).startswith("name: mail.saltmarsh.invalid is not known here")
    place.close()


# The server takes TLS from the first byte for none.
@pytest.mark.filterwarnings("ignore:Requiring AUTH while not requiring TLS")
def test_tls_from_the_first_byte(authority: Authority, tmp_path: Path, saltmarsh: Path) -> None:
    """`security = "tls"` speaks TLS at once, and logs in."""
    office = Mailbox(authority.server(), implicit=True)
    text = table(office.port, authority, more='security = "tls"')
    place = Place(tmp_path, saltmarsh, text)
    place.rise(LOW)
    place.drive(lambda: office.got, "a letter")
    place.close()
    office.close()
    assert set(office.logins) == {"good"}


def unmarked(
    accepted: Callable[..., None], name: str, numbers: Sequence[int], at: float, memory: Any = None
) -> None:
    """Keeps what is settled before a letter goes out, and loses that it was taken."""
    if not numbers:
        accepted(name, numbers, at, memory)


def test_a_letter_taken_but_not_marked_comes_again_as_itself(office: Mailbox, make: Make) -> None:
    """Killed between acceptance and marking, a single letter and a gathered one come again with the
    same Message-ID and the same events, whatever else has happened since."""
    place = make(office.port)
    for count in (1, 6):
        del office.got[:]
        for i in range(count):
            place.rise({"alert": "channel_fault", "priority": "soon", "subject": f"{count}.{i}"})
        with pytest.MonkeyPatch.context() as patch:
            patch.setattr(
                place.writer.outbox, "accepted", partial(unmarked, place.writer.outbox.accepted)
            )
            place.drive(lambda: office.got, "the letter")
        place.again()
        place.rise({"alert": "stuck_reading", "priority": "soon", "subject": f"{count}"})
        place.settle()
        ids = [got.letter["Message-ID"] for got in office.got]
        assert len(ids) >= 3
        assert set(ids[:-1]) == {ids[0]} != {ids[-1]}
        assert office.got[0].letter["Dryhold-Events"] == office.got[1].letter["Dryhold-Events"]


def test_what_was_dropped_for_want_of_room_is_said(authority: Authority, make: Make) -> None:
    """When the outbox overflows, the oldest go and the next letter says how many, once."""
    port = free_port()
    place = make(port)
    place.close()
    place.open(outbox_limit=3)
    for i in range(5):
        place.rise({"alert": "channel_fault", "priority": "soon", "subject": f"{i}"})
    office = Mailbox(authority.server(), port=port)
    try:
        place.drive(lambda: place.writer.outbox.backlog(place.names[0]) == 0, "the letters")
        assert told(office) == [3, 4, 5]
        said = ["2 older notices were dropped for want of room" in plain(g) for g in office.got]
        assert said == [True, False, False]
    finally:
        place.close()
        office.close()


def test_settings_about_mail_are_checked(saltmarsh: Path) -> None:
    """Unknown sections, a recipient twice, bad addresses and times, a password that two servers
    would see, a certificate without its key, and a password in clear are refused by their paths."""
    import tomllib

    text = (
        saltmarsh.read_text()
        + """
[[mail]]
host = "mail.fenwick.example"
from = "nobody"
user = "a"
quiet = ["22:00"]
digest_at = "25:00"
to = [{ address = "a@b.example", sections = ["attic"] }, { address = "a@b.example" }]
[[mail]]
host = "mail.other.example"
from = "x@y.example"
user = "b"
to = [{ address = "a@b.example" }]
[[mqtt]]
host = "broker.example"
user = "c"
certificate = "c.pem"
"""
    )
    with pytest.raises(ValueError, match="expected") as found:
        check(tomllib.loads(text))
    faults = str(found.value)
    for path in (
        "mail[1].from: expected a mail address",
        'mail[1].quiet[1]: expected two different times of day, as "22:00-06:30"',
        'mail[1].digest_at: expected a time of day, as "07:00"',
        "mail[1].to[1].sections: expected some of Freezer aisles 1-6, supply",
        "mail[1].to[2].address: expected one not used before",
        "mail[2].password_name: expected a name of its own",
        "mqtt[1].key: expected certificate and key together",
        "mqtt[1].tls: expected true, as a password in clear",
        "mqtt[1].tls: expected true where certificate is given",
    ):
        assert path in faults, path


def test_names_of_recipients_show_no_address(saltmarsh: Path, authority: Authority) -> None:
    """What pages and brokers see of a recipient is neither the address nor the same for two."""
    import tomllib

    to = f'to = [{{ address = "{DESK}" }}, {{ address = "dusk@fenwick.example" }}]'
    names = mail.names(check(tomllib.loads(saltmarsh.read_text() + table(25, authority, to))))
    assert len(set(names)) == 2
    assert not any("desk" in name or "dusk" in name for name in names)


def test_a_letter_fits_the_narrowest_phone(
    needs: Callable[[str], str], office: Mailbox, make: Make, tmp_path: Path
) -> None:
    """In a browser 320 px wide nothing of a letter's HTML is wider than the screen, its picture is
    there, and no request leaves the letter."""
    browser_path = needs("chromium")
    from playwright.sync_api import sync_playwright

    place = make(office.port)
    place.writer.keep([Tick(T0 - 60, 0.0, (300.0, 2.0, 0.0, 20.0, 200.0, -20.0))], [], {})
    place.rise(LOW, text="The supply is at 33 psi, under the low limit of 34 psi.")
    place.settle()
    for i in range(9):
        place.rise(
            {"alert": "channel_fault", "priority": "soon", "subject": f"a_long_name_of_channel_{i}"}
        )
    place.settle()
    asked: list[str] = []
    with sync_playwright() as browsers:
        browser = browsers.chromium.launch(
            executable_path=browser_path, args=["--no-sandbox", "--disable-gpu"]
        )
        page = browser.new_page(viewport={"width": 320, "height": 640})
        page.on("request", lambda request: asked.append(request.url))
        for number, got in enumerate(office.got):
            png = next(p for p in got.letter.walk() if p.get_content_type() == "image/png")
            data = "".join(str(png.get_payload()).split())
            html = got.letter.get_body(("html",)).get_content()  # type: ignore[union-attr]
            file = tmp_path / f"{number}.html"
            file.write_text(html.replace("cid:trace", f"data:image/png;base64,{data}"))
            page.goto(file.as_uri())
            assert page.evaluate("document.documentElement.scrollWidth") <= 320
            assert page.evaluate("document.images[0].naturalWidth") == WIDTH
        browser.close()
    assert len(office.got) == 2
    assert all(url.startswith(("file:", "data:")) for url in asked)
