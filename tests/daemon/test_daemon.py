"""The loop in one process, with time moved by hand."""

import json
import resource
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

import pytest

from edge import latest
from edge.__main__ import main
from edge.clock import AFTER_S, FastClock, ManualClock, Offset, SystemClock
from edge.daemon import Daemon
from edge.errors import StoreError
from edge.heartbeat import Heartbeat
from edge.judge import Judge
from edge.model import Reading, Status, Tick
from edge.settings import Settings, load
from edge.store.read import Reader
from edge.store.requests import Box
from edge.store.write import Writer
from edge.wiring import daemon

T0 = 1_764_072_000.0


class Desk:
    """A daemon and what it stands on: everything real but the clock and the readings."""

    def __init__(self, folder: Path, settings: Settings, clock: ManualClock) -> None:
        self.folder, self.settings, self.clock = folder, settings, clock
        self.box = Box(folder, clock.utc)
        self.shown: list[Mapping[str, Any]] = []
        self.broken = False  # the oxygen cell's wire
        self.writer = Writer(folder, settings, [])
        self.daemon = self.start()

    def start(self) -> Daemon:
        saved = self.writer.saved()
        judge = Judge(self.settings, dict(saved.state) if saved else None)
        kept = self.writer.readings.since(saved.steady) if saved else ()
        caught = [event for tick in kept for event in judge.look(tick)]
        daemon = Daemon(
            self.settings,
            self.clock,
            self.look,
            judge,
            self.writer,
            self.box,
            [],
            self.shown.append,
            Heartbeat({}),
        )
        daemon.start(caught)
        return daemon

    def restart(self) -> None:
        """As after a crash: what was held in memory is gone."""
        self.writer.close()
        self.writer = Writer(self.folder, self.settings, [])
        self.clock.wait_until((self.writer.readings.steady() or T0) + 1.0)
        self.daemon = self.start()

    def look(self) -> list[Reading]:
        return [
            Reading(c.name, c.quantity, None, Status.FAILURE, "wire broken")
            if c.name == "oxygen" and self.broken
            else Reading(c.name, c.quantity, {"pressure": 300.00004}.get(c.quantity, 0.0))
            for c in self.settings.channel
        ]

    def tick(self, count: int = 1) -> None:
        for _ in range(count):
            self.daemon.tick()
            self.clock.wait_until(self.clock.steady() + 1.0)

    def kinds(self) -> list[str]:
        with Reader(self.folder) as reader:
            return [event["kind"] for event in reversed(reader.events())]

    def ticks(self) -> list[Tick]:
        with Reader(self.folder) as reader:
            return list(reader.readings([c.name for c in self.settings.channel]))


@pytest.fixture
def desk(tmp_path: Path, saltmarsh: Path) -> Iterator[Desk]:
    made = Desk(tmp_path, load(saltmarsh), ManualClock(T0))
    yield made
    made.writer.close()
    made.box.close()


def test_readings_go_in_batches_and_events_at_once(desk: Desk) -> None:
    """The first tick is kept at once with the start's event; then a batch every 100 s."""
    desk.tick()
    assert desk.kinds() == ["monitor_started"]
    desk.tick(99)
    assert len(desk.ticks()) == 1
    desk.tick()
    assert len(desk.ticks()) == 101
    desk.broken = True
    desk.tick(60)
    tick = desk.ticks()[-1]
    assert tick.values[:2] == (300.0, None)
    assert tick.faults == {"oxygen": "wire broken"}


def test_the_newest_is_shown_every_tick_with_its_ages(desk: Desk) -> None:
    """What the page reads has the documented keys, and the age of the last good value."""
    desk.tick()
    desk.broken = True
    desk.tick(2)
    shown = json.loads(json.dumps(desk.shown[-1]))
    assert list(shown) == ["at", "written_at", "tick", "channels", "picture", "monitor"]
    assert (shown["at"], shown["tick"]) == ("2025-11-25T12:00:02.000Z", 3)
    assert shown["channels"]["oxygen"] == {
        "quantity": "oxygen",
        "value": None,
        "unit": "%",
        "status": "failure",
        "why": "wire broken",
        "age_s": 2.0,
        "volts": None,
    }
    assert shown["channels"]["line_pressure"]["age_s"] == 0.0
    assert shown["picture"]["state"] == "holding"


def test_a_clock_that_is_set_becomes_an_event_and_not_a_gap(desk: Desk) -> None:
    """Steady time goes on evenly across an hour's step back; the event has the step."""
    desk.tick(5)
    desk.clock.set_wall(desk.clock.utc() - 3600.0)
    desk.tick(5)
    assert desk.kinds() == ["monitor_started", "clock_stepped"]
    with Reader(desk.folder) as reader:
        (event,) = reader.events(kinds=["clock_stepped"])
    assert event["step_s"] == -3600.0
    assert event["at"] == "2025-11-25T11:00:05.000Z"
    desk.tick(100)
    assert [t.t for t in desk.ticks()[:10]] == [T0 + i for i in range(10)]
    assert [t.offset_s for t in desk.ticks()[4:6]] == [0.0, -3600.0]


def test_a_request_is_judged_once_even_when_the_crash_comes_before_the_answer(desk: Desk) -> None:
    """A request whose effect was kept is not given to the judges again; it is only answered."""
    given: list[str] = []
    look = Judge.look

    def spy(judge: Judge, tick: Tick) -> list[Any]:
        given.extend(request.kind for request in tick.requests)
        return look(judge, tick)

    desk.tick()
    number = desk.box.post("acknowledge", "test", {"alert": "low_pressure"})
    done = desk.box.done
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(Judge, "look", spy)
        patch.setattr(desk.box, "done", lambda *_: None)  # the crash: never answered
        desk.tick(3)
        assert given == ["acknowledge"]
        patch.setattr(desk.box, "done", done)
        desk.restart()
        desk.tick()
        assert given == ["acknowledge"]
    assert desk.box.answer(number) == "seen"


def test_a_disk_that_fills_is_told_and_its_end_too(
    desk: Desk, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The running daemon asks its disk once a minute: nearly full raises storage_low, room again
    clears it; and the real disk gives a share between 0 and 100."""
    assert 0.0 < (desk.writer.free_pct() or -1.0) <= 100.0
    free = [50.0]
    monkeypatch.setattr(desk.daemon, "_free_pct", lambda: free[0])

    def said() -> list[tuple[str, str]]:
        with Reader(desk.folder) as reader:
            events = reversed(reader.events())
        return [(e["kind"], e["text"]) for e in events if e.get("alert") == "storage_low"]

    desk.tick(130)
    assert said() == []
    free[0] = 4.0
    desk.tick(130)
    assert said() == [("alert_raised", "Only 4.0 % of the monitor's disk was free.")]
    free[0] = 40.0
    desk.tick(130)
    assert [kind for kind, _ in said()] == ["alert_raised", "alert_cleared"]


def test_the_end_keeps_everything(desk: Desk) -> None:
    """A clean stop keeps the ticks in hand, the event that says so, and a state that has seen
    all of it."""
    desk.tick(30)
    desk.daemon.stop()
    assert len(desk.ticks()) == 30
    assert desk.kinds() == ["monitor_started", "monitor_stopped"]
    saved = desk.writer.saved()
    assert saved is not None
    assert list(desk.writer.readings.since(saved.steady)) == []


def test_a_newest_that_finds_no_room_leaves_the_last_one_whole(tmp_path: Path) -> None:
    """Where only a part of the file can be written, that is an error, and readers find the one
    before."""
    path = tmp_path / "latest.json"
    latest.write(path, {"a": "before"})
    soft, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (1000, hard))
    try:
        with pytest.raises(OSError, match="too large"):
            latest.write(path, {"a": "x" * 5000})
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, (soft, hard))
    assert json.loads(path.read_text()) == {"a": "before"}


class Mute:
    """A messenger whose outbox cannot be read, or one that notes what was asked of it."""

    def __init__(self, name: str, *, fails: bool) -> None:
        self.name, self.fails, self.asked = name, fails, list[str]()

    def _ask(self, what: str) -> None:
        self.asked.append(what)
        if self.fails:
            raise StoreError("the outbox cannot be read")

    def tell(self, t: float, latest: Mapping[str, Any]) -> None:
        self._ask("tell")

    def state(self) -> dict[str, Any]:
        self._ask("state")
        return {"connected": True, "why": None, "waiting": 0, "dropped": 0}

    def stop(self) -> None:
        self._ask("stop")


def test_an_outbox_that_fails_ends_neither_the_daemon_nor_the_other_messengers(desk: Desk) -> None:
    """With reads of one outbox failing, ticks go on, the page is told why, the other messenger is
    asked all the same, and at the end both say goodbye and what was held is kept."""
    bad, good = Mute("bad", fails=True), Mute("good", fails=False)
    desk.daemon._messengers = [bad, good]
    desk.tick(3)
    said = desk.shown[-1]["monitor"]["messengers"]
    assert (said["bad"]["connected"], said["bad"]["why"]) == (False, "the outbox cannot be read")
    assert said["good"]["connected"]
    desk.daemon.stop()
    assert bad.asked[-1] == good.asked[-1] == "stop"
    assert len(desk.ticks()) == 3


def test_late_ticks_are_left_out_and_not_bunched(desk: Desk) -> None:
    """When one look takes 3.5 s, the next ticks keep to the even seconds after it."""
    clock = desk.clock
    looks: list[float] = []
    look = desk.look

    def slow() -> list[Reading]:
        looks.append(clock.steady() - T0)
        if len(looks) == 3:
            clock.wait_until(clock.steady() + 3.5)
        return look()

    desk.daemon._look = slow
    clock._stop_at = T0 + 8.0
    desk.daemon.run()
    assert looks == [0.0, 1.0, 2.0, 6.0, 7.0]


def test_steady_time_goes_on_after_a_boot_in_the_wrong_year() -> None:
    """A machine that boots in 1970 goes on after the last second kept; time set later changes
    only the offset."""
    boot, wall = [5.0], [100.0]
    clock = SystemClock(T0, boot=lambda: boot[0], wall=lambda: wall[0])
    offset = Offset(clock.steady(), clock.utc())
    assert clock.steady() == pytest.approx(T0 + AFTER_S)
    assert clock.steady() + offset.seconds == pytest.approx(100.0, abs=0.001)
    boot[0], wall[0] = 65.0, T0 + 500.0
    assert clock.steady() == pytest.approx(T0 + 60.0, abs=0.01)
    step = offset.look(clock.steady(), clock.utc())
    assert step == pytest.approx(T0 + 500.0 - 160.0, abs=0.01)
    assert offset.look(clock.steady(), clock.utc() + 1.9) is None
    ahead = SystemClock(T0 - 50.0, boot=lambda: boot[0], wall=lambda: T0)
    assert ahead.steady() == T0


def test_fast_time_is_faster() -> None:
    """At 600 times, a second of life is ten minutes, in steady time as in UTC."""
    boot = [5.0]
    clock = FastClock(600.0, boot=lambda: boot[0], wall=lambda: T0)
    boot[0] += 1.0
    assert clock.steady() == clock.utc() == T0 + 600.0
    assert not clock.wait_until(T0)


def test_what_is_exported_replays_to_the_same_events(
    saltmarsh: Path,
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """A day of the simulated plant through daemon, database, export and replay gives the events
    that the daemon kept, one by one; only that a channel was simulated stands in no recording."""
    monkeypatch.setattr(Writer, "free_pct", lambda _: 50.0)  # this machine's is in no reading
    site = tmp_path / "site.toml"
    text = saltmarsh.read_text().replace('"simulated"', '"simulated:depot"')
    site.write_text(text + '[keeping]\nevery = "10 s"\n')
    state, csv = tmp_path / "state", tmp_path / "day.csv"
    with daemon(
        load(site), state, state, lambda _: ManualClock(T0, T0 + 86400.0), show=lambda *_: None
    ) as made:
        made.run()
    where = ["--state", str(state), "--settings", str(site)]
    assert main(["export", *where, "-o", str(csv)]) == 0
    capsys.readouterr()
    assert main(["replay", str(csv), "--settings", str(site), "--json"]) == 0
    replayed = [json.loads(line) for line in capsys.readouterr().out.splitlines()]
    with Reader(state) as reader:
        kept = [
            {key: value for key, value in event.items() if key not in ("id", "n", "simulated")}
            for event in reversed(reader.events(limit=100_000))
            if not event["kind"].startswith("monitor_")
        ]
    assert {"cut_out", "idle_measured", "purity_measured", "alert_raised", "alert_cleared"} <= {
        event["kind"] for event in kept
    }
    assert replayed == kept
    assert main(["export", *where, "--since", "2031-01-01T00:00:00Z", "-o", str(csv)]) == 1
