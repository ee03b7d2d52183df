"""Every fault has a place: what is still judged and told while it lasts, and what is said of it.

A wrong card, file, clock, bus or pin here; the broker and the mail server away for a week is
tests/tell/test_outage.py, and their line torn below. Each test breaks one thing in a whole monitor,
then lets the pressure fall: `low_pressure` must reach the receiver all the same.
"""

import sqlite3
from collections.abc import Callable, Iterator
from itertools import pairwise
from pathlib import Path

import pytest

from edge.attendance import LOOK_EVERY_S, Attendance, PageThere
from edge.detect.low_purity import LowPurity
from edge.store.chain import inspect
from edge.store.schema import FILE
from tests.faults.disk import Disk, Fault
from tests.faults.monitor import EVERY_S, LOW_V, PRESSURE, T0, Monitor


@pytest.fixture
def monitor(tmp_path: Path) -> Iterator[Monitor]:
    made = Monitor(tmp_path)
    yield made
    made.kill()


def falls(monitor: Monitor) -> None:
    """The pressure falls; low_pressure is told within two minutes."""
    monitor.volts(PRESSURE, LOW_V)
    monitor.tick(120)
    assert "low_pressure" in monitor.alerts()


# --- sensors, bus, pins


def gone(monitor: Monitor) -> None:
    monitor.bus.gone = True


def hung(monitor: Monitor) -> None:
    monitor.bus.hung = True


def never_ready(monitor: Monitor) -> None:
    monitor.bus.chip.never_ready = True


def out_of_range(monitor: Monitor) -> None:
    monitor.volts(PRESSURE, 0.1)


@pytest.mark.parametrize(
    ("break_it", "why"),
    [(gone, "121"), (hung, "110"), (never_ready, "never finished"), (out_of_range, "0.1")],
)
def test_a_sensor_that_fails(
    monitor: Monitor, break_it: Callable[[Monitor], None], why: str
) -> None:
    """A converter that is gone, a bus that hangs, a conversion without an end, a wire off: within
    three minutes it is told which channel and why, the page is blind about the piping and says so, a
    contact still gives runs; and when it is mended all of it ends, and a fall is told again."""
    monitor.start()
    monitor.tick(120)
    break_it(monitor)
    monitor.tick(180)
    failed = monitor.told("channel_failed", channel="line_pressure")
    assert why in failed[-1]["why"]
    assert "channel_fault/line_pressure" in monitor.alerts()
    shown = monitor.shown()
    assert shown["picture"]["state"] == "blind"
    assert shown["channels"]["line_pressure"]["value"] is None
    assert shown["channels"]["running"]["value"] == 0.0
    monitor.bus.gone = monitor.bus.hung = monitor.bus.chip.never_ready = False
    monitor.volts(PRESSURE, 2.3)
    monitor.tick(180)
    assert monitor.told("channel_recovered", channel="line_pressure")
    assert monitor.alerts() == set()
    falls(monitor)


def test_a_hung_bus_is_opened_anew(monitor: Monitor) -> None:
    """Each try after error 110 opens the bus anew, which recovers it once the kernel's driver was
    reset; one that stays hung costs a look no more than one time-out in five seconds."""
    monitor.start()
    monitor.tick(60)
    assert monitor.bus.opened == 1
    monitor.bus.hung = True
    monitor.tick(60)
    assert 3 <= monitor.bus.opened <= 8
    monitor.bus.heals_on_opening = True
    monitor.tick(30)
    assert monitor.shown()["channels"]["line_pressure"]["status"] == "good"


def test_a_sensor_that_sticks(monitor: Monitor) -> None:
    """A pressure that gives the very same value while the generator runs is told as stuck within half
    an hour; oxygen and the run go on being judged, and once it moves again a fall is told."""
    monitor.start()
    monitor.tick(120)
    monitor.pins.pin(17).drive_low()
    monitor.tick(1800)
    assert "stuck_reading/line_pressure" in monitor.alerts()
    monitor.pins.pin(17).drive_high()
    monitor.volts(PRESSURE, 2.2)
    monitor.tick(120)
    assert monitor.told("purity_measured")
    assert "stuck_reading/line_pressure" not in monitor.alerts()
    falls(monitor)


def test_a_sensor_that_is_noisy(monitor: Monitor) -> None:
    """Noise of 2 psi on a line at rest, and a value out of the world now and then, raise no urgent
    alert in an hour; a fall is told through it."""
    monitor.start()
    for i in range(360):
        noise = 0.08 if i % 2 else -0.08
        monitor.volts(PRESSURE, 4.9 if i % 50 == 49 else 2.3 + noise)
        monitor.tick(EVERY_S)
    assert not [e for e in monitor.told("alert_raised") if e["priority"] == "urgent"]
    falls(monitor)


def test_pins_that_are_not_there(monitor: Monitor) -> None:
    """Without a GPIO chip the run contact has no value and says why, and pressure, oxygen and
    temperature are judged; when the chip is there, so is the contact."""
    pins, monitor.pins = monitor.pins, None
    monitor.start()
    monitor.tick(180)
    assert "channel_fault/running" in monitor.alerts()
    assert "gpiochip0" in monitor.told("channel_failed", channel="running")[-1]["why"]
    falls(monitor)
    monitor.pins = pins
    monitor.tick(120)
    assert monitor.shown()["channels"]["running"]["value"] == 0.0


def test_a_detector_that_raises(monitor: Monitor, monkeypatch: pytest.MonkeyPatch) -> None:
    """It is switched off and reported once, the page has it under what is not judged, and the others
    go on."""

    def look(*_: object) -> bool:
        raise ZeroDivisionError("division by zero")

    monkeypatch.setattr(LowPurity, "look", look)
    monitor.start()
    monitor.tick(180)
    (told,) = [e for e in monitor.told("alert_raised") if "detector" in e.get("evidence", {})]
    assert told["evidence"]["detector"] == "low_purity"
    not_judged = monitor.shown()["picture"]["not_judged"]
    assert any(line.startswith("Low purity: switched off (ZeroDivision") for line in not_judged)
    falls(monitor)


def test_memory_that_is_short(monitor: Monitor, monkeypatch: pytest.MonkeyPatch) -> None:
    """No detector or sensor is blamed for it: the process ends, so that it is started again, and the
    next life has everything but the last batch and goes on telling."""

    def look(*_: object) -> bool:
        raise MemoryError

    monitor.start()
    monitor.tick(300)
    with monkeypatch.context() as patch:
        patch.setattr(LowPurity, "look", look)
        with pytest.raises(MemoryError):
            monitor.tick(120)
    monitor.kill()
    monitor.start()
    assert len(monitor.seconds()) >= 24
    falls(monitor)


def test_a_monitor_that_does_not_last(monitor: Monitor) -> None:
    """Stopped, the next start says nothing of it; killed three times within a day, each start says that
    nothing had asked for it and the last is an alert; after a day without another it ends."""
    monitor.start()
    monitor.tick(60)
    monitor.stop()
    for _ in range(3):
        monitor.start()
        monitor.tick(600)
        assert monitor.alerts() == set()
        monitor.kill()
    monitor.start()
    monitor.tick(60)
    starts = monitor.told("monitor_started")
    assert [start.get("unasked", False) for start in starts] == [False, False, True, True, True]
    assert monitor.alerts() == {"monitor_fault/restarts"}
    assert "ended 3 times" in monitor.shown()["monitor"]["troubles"]["restarts"]
    falls(monitor)
    monitor.volts(PRESSURE, 2.3)
    monitor.clock.wait_until(monitor.clock.steady() + 86_400.0)
    monitor.tick(120)
    assert "monitor_fault/restarts" not in monitor.alerts()


# --- the card


@pytest.mark.parametrize("fault", list(Fault))
def test_a_card_that_takes_nothing_while_running(
    disk: Disk, monitor: Monitor, fault: Fault
) -> None:
    """Full, broken or read-only for an hour: memory stands in, the fall and its end are told
    meanwhile, page and receiver know what is wrong; with the card back everything is on it, each
    event once and under the id it was told by."""
    monitor.start()
    monitor.tick(600)
    disk.fails = fault
    monitor.tick(300)
    assert monitor.shown()["monitor"]["not_kept"]
    assert "memory" in monitor.shown()["monitor"]["troubles"]["storage"]
    assert "monitor_fault/storage" in monitor.alerts()
    falls(monitor)
    monitor.volts(PRESSURE, 2.3)
    monitor.tick(3300)
    assert monitor.alerts() == {"monitor_fault/storage"}
    assert "low_pressure" not in {event.get("alert") for event in monitor.kept()}
    disk.fails = None
    monitor.tick(300)
    assert monitor.alerts() == set()
    assert monitor.shown()["monitor"]["not_kept"] is None
    monitor.stop()
    kept = monitor.kept()
    ids = [event["id"] for event in kept]
    assert len(ids) == len(set(ids))
    told = [event["id"] for event in monitor.told()]
    assert told == ids[: len(told)]
    assert len(ids) - len(told) <= 1  # the stop itself
    assert monitor.seconds() == [10 * i for i in range(len(monitor.seconds()))]


def test_a_record_that_is_made_meanwhile(disk: Disk, monitor: Monitor) -> None:
    """A hold test that ends while the card takes nothing is told, and enters the chain of records once
    the card is back; the chain holds, also through a damaged database afterwards."""
    monitor.start()
    monitor.tick(60)
    monitor.daemon._letterbox.post("hold_start", "test", {"section": "supply"})
    monitor.tick(600)
    disk.fails = Fault.FULL
    monitor.tick(60)
    monitor.pins.pin(17).drive_low()
    monitor.tick(120)
    assert monitor.told("hold_test_finished")
    disk.fails = None
    monitor.tick(60)
    monitor.stop()
    db = sqlite3.connect(monitor.state / FILE)
    before = inspect(db)
    db.close()
    assert (before.rows, before.faults) == (1, ())
    damage(monitor.state / FILE, *_pages(monitor.state / FILE, "outbox"))
    monitor.start()
    monitor.stop()
    db = sqlite3.connect(monitor.state / FILE)
    assert inspect(db) == before
    db.close()
    assert "database_set_aside" in [event["kind"] for event in monitor.kept()]


def test_a_full_card_for_longer_than_memory_holds(
    disk: Disk, monitor: Monitor, monkeypatch: pytest.MonkeyPatch
) -> None:
    """When memory too is full, judging goes on, the page counts what is lost, and history has a gap
    there and nowhere else; what was told stays told."""
    monkeypatch.setattr("edge.store.standin.ROOM_PAGES", 60)
    monkeypatch.setattr("edge.keeper.MOST_TICKS", 100)
    monitor.start()
    monitor.tick(600)
    disk.fails = Fault.FULL
    for i in range(4 * 60):
        monitor.volts(PRESSURE, 2.3 + 0.37 * ((i * 7919) % 101) / 101)
        monitor.tick(60)
    lost = monitor.shown()["monitor"]["readings_lost"]
    assert lost > 0
    disk.fails = None
    monitor.volts(PRESSURE, 2.3)
    monitor.tick(120)
    falls(monitor)
    monitor.stop()
    seconds = monitor.seconds()
    gaps = [b - a for a, b in pairwise(seconds) if b - a > EVERY_S]
    assert len(gaps) == 1
    assert gaps[0] == EVERY_S * (lost + 1)


def test_a_card_that_is_read_only_at_the_start(disk: Disk, monitor: Monitor) -> None:
    """Started on a card that cannot be written, first empty, then with a history: it judges and tells
    from memory, with the alerts that stood; and goes back to the card when that is mended."""
    disk.fails = Fault.READ_ONLY
    monitor.start()
    monitor.tick(120)
    assert {"monitor_fault/storage", "monitor_fault/letterbox"} <= monitor.alerts()
    falls(monitor)
    disk.fails = None
    monitor.tick(180)
    assert not any(alert.startswith("monitor_fault") for alert in monitor.alerts())
    monitor.stop()
    before = len(monitor.kept())
    assert monitor.told(alert="low_pressure")[0]["id"] in {e["id"] for e in monitor.kept()}

    disk.fails = Fault.READ_ONLY
    monitor.start()
    monitor.tick(120)
    assert "low_pressure" in monitor.alerts()
    assert len(monitor.told("alert_raised", alert="low_pressure")) == 1  # it still stands
    monitor.volts(PRESSURE, 2.3)
    monitor.tick(900)
    assert "low_pressure" not in monitor.alerts()
    disk.fails = None
    monitor.tick(60)
    monitor.stop()
    ids = [event["id"] for event in monitor.kept()]
    assert len(ids) == len(set(ids)) > before
    assert {event["id"] for event in monitor.told()} <= set(ids)


def damage(path: Path, *pages: int) -> None:
    """Overwrite pages of a database file; the first is 0."""
    with path.open("r+b") as file:
        size = path.stat().st_size // 1024
        for page in pages or range(1, size):
            file.seek(page * 1024)
            file.write(b"\xa5" * 1024)


@pytest.mark.parametrize("when", ["at the start", "at a write", "the header", "nothing left"])
def test_a_damaged_database(monitor: Monitor, when: str) -> None:
    """It is set aside under a name with the date and a new one begun; event, alert and page say so;
    what could be read came along; no id is used twice, and a fall is told."""
    monitor.start()
    monitor.volts(PRESSURE, LOW_V)
    monitor.tick(600)
    assert "low_pressure" in monitor.alerts()
    path = monitor.state / FILE
    before = {event["id"] for event in monitor.told()}
    if when == "at a write":
        db = monitor.daemon._keeper._store._card.conn  # type: ignore[attr-defined]
        db.execute("PRAGMA wal_checkpoint(TRUNCATE)")
        db.execute("PRAGMA shrink_memory")
        damage(path, *_pages(path, "readings", "outbox", "events"))
    else:
        monitor.kill()
        pages = {"at the start": _pages(path, "outbox"), "the header": [0], "nothing left": []}[
            when
        ]
        damage(path, *pages)
        monitor.start()
    monitor.tick(180)
    (event,) = monitor.told("database_set_aside")
    assert (monitor.state / event["file"]).exists()
    assert "damaged-20" in event["file"]
    assert "monitor_fault/database" in monitor.alerts()
    assert event["file"] in monitor.shown()["monitor"]["troubles"]["database"]
    if when in ("at the start", "at a write"):
        assert "state" in event["carried"]
        assert len(monitor.told("alert_raised", alert="low_pressure")) == 1  # it went on standing
    monitor.volts(PRESSURE, 2.3)
    monitor.tick(180)
    falls(monitor)
    after = [event["id"] for event in monitor.told()]
    assert len(after) == len(set(after))
    assert before < set(after)
    with sqlite3.connect(path) as db:
        assert db.execute("PRAGMA integrity_check").fetchone() == ("ok",)
    db.close()


def _pages(path: Path, *tables: str) -> list[int]:
    """Where a table's and its indexes' pages are in the file; the first page is 0."""
    db = sqlite3.connect(path)
    marks = ", ".join("?" * len(tables))
    rows = db.execute(
        "SELECT pageno - 1 FROM dbstat WHERE name IN"
        f" (SELECT name FROM sqlite_schema WHERE tbl_name IN ({marks}))",
        tables,
    ).fetchall()
    db.close()
    return [row[0] for row in rows]


def test_a_damaged_letterbox(monitor: Monitor) -> None:
    """It is set aside and a new one begun: what is asked for afterwards is done, though its number
    could have been used before."""
    monitor.start()
    monitor.tick(30)
    for _ in range(3):
        monitor.daemon._letterbox.post("acknowledge", "test", {})
    monitor.tick(30)
    monitor.kill()
    damage(monitor.state / "letterbox.db", 0)
    monitor.start()
    falls(monitor)
    monitor.daemon._letterbox.post("acknowledge", "test", {"alert": "low_pressure"})
    monitor.tick(30)
    assert monitor.told("alert_acknowledged", alert="low_pressure")
    assert list(monitor.state.glob("letterbox.damaged-*.db"))


# --- clock and page


def test_a_clock_that_is_wrong_at_the_start(tmp_path: Path) -> None:
    """Booted in 1970: a fall is told at once, the receiver knows that the times are wrong; set later,
    that ends and the step is an event; what is kept is in order and without a gap."""
    monitor = Monitor(tmp_path, wall=100.0)
    monitor.start()
    monitor.tick(120)
    assert "monitor_fault/clock" in monitor.alerts()
    falls(monitor)
    monitor.clock.wall(T0 + 500.0)
    monitor.tick(120)
    assert "monitor_fault/clock" not in monitor.alerts()
    assert monitor.told("clock_stepped")
    monitor.stop()
    assert monitor.seconds() == [10 * i for i in range(len(monitor.seconds()))]


def test_a_clock_that_is_years_ahead_at_a_start_makes_nothing_old(monitor: Monitor) -> None:
    """Steady time goes on at most a day later, so that nothing kept is let go for its age."""
    from edge.clock import AWAY_S, SystemClock

    clock = SystemClock(T0, boot=lambda: 5.0, wall=lambda: T0 + 50 * 365 * 86_400.0)
    assert clock.steady() == T0 + AWAY_S
    monitor.start()
    monitor.tick(120)
    monitor.stop()
    monitor.clock.wall(T0 + 50 * 365 * 86_400.0)
    monitor.start()
    falls(monitor)
    monitor.stop()
    assert monitor.seconds()[0] == 0


def test_a_clock_that_steps_and_stands(monitor: Monitor) -> None:
    """Set back an hour, then standing still: every step is told, and a fall too."""
    monitor.start()
    monitor.tick(60)
    monitor.clock.wall(monitor.clock.utc() - 3600.0)
    monitor.tick(60)
    monitor.clock.stands = True
    falls(monitor)
    assert {round(e["step_s"]) for e in monitor.told("clock_stepped")} == {-3600, -10}


def test_a_page_that_is_down(monitor: Monitor) -> None:
    """A page that was there and is gone for minutes is told, or is there and silent; one that comes
    back ends it only when it answers; a site that never had one is told nothing."""
    monitor.start()
    monitor.tick(300)
    assert monitor.alerts() == set()

    def well(there: Attendance, seconds: int) -> None:
        for _ in range(0, seconds, 30):
            there.answered()
            monitor.tick(30)

    def page() -> str:
        return str(monitor.shown()["monitor"]["troubles"].get("page", ""))

    first = Attendance(monitor.state)
    with pytest.raises(OSError, match="in use"):
        Attendance(monitor.state)
    well(first, 600)
    assert monitor.alerts() == set()
    first.close()
    monitor.tick(300)
    assert monitor.alerts() == {"monitor_fault/page"}
    assert "has ended" in page()
    falls(monitor)
    monitor.volts(PRESSURE, 2.3)
    second = Attendance(monitor.state)
    monitor.tick(300)
    assert "answers nobody" in page()
    assert "monitor_fault/page" in monitor.alerts()
    well(second, 300)
    assert monitor.alerts() == set()
    second.close()


def test_a_page_is_heard_however_long_the_path(tmp_path: Path) -> None:
    """Of two folders whose paths are alike for longer than a socket's name may be, each has a page of
    its own, which is heard there and not in the other."""
    folders = [tmp_path / ("deep" * 30) / name for name in ("one", "other")]
    now = ManualTime()
    daemons = [PageThere(folder, now, now) for folder in folders]
    pages = [Attendance(folder) for folder in folders]
    try:
        for _ in range(12):
            pages[0].answered()
            assert daemons[0].troubles() == {}
            silent = daemons[1].troubles()
            now.seconds += LOOK_EVERY_S
        assert "answers nobody" in silent["page"]
    finally:
        for opened in (*daemons, *pages):
            opened.close()


class ManualTime:
    """Seconds that pass when they are told to."""

    seconds = 0.0

    def __call__(self) -> float:
        return self.seconds


def test_settings_that_are_broken_are_told(monitor: Monitor) -> None:
    """What was found wrong before the start stands as an alert and on the page."""
    monitor.troubles = {"settings": "The settings file is broken."}
    monitor.start()
    monitor.tick(60)
    assert monitor.alerts() == {"monitor_fault/settings"}
    assert monitor.shown()["picture"]["reason"] == "The settings file is broken."
    falls(monitor)
