"""What is kept of a hold test, and the same answer three ways: live, exported, judged again."""

import json
import math
import time
from collections.abc import Iterator, Sequence
from itertools import islice
from pathlib import Path
from typing import Any

import pytest
from line import RAW, START, asked, begun, outcome, through, ticks

from edge.__main__ import main
from edge.hold.again import channels, rejudge
from edge.judge import Judge
from edge.model import Event, Tick, iso
from edge.recording import write
from edge.settings import check
from edge.store.read import Reader
from edge.store.requests import Box
from edge.store.write import Writer

SITE = check(RAW)
TOML = """
[site]
name = "Saltmarsh Lane depot"
id = "saltmarsh-lane"
[supply]
pressure = "line"
running = "run"
temperature = "room"
cut_in = "38 psi"
cut_out = "52 psi"
volume = "310 gal"
[[system]]
name = "Freezer"
pressure = "aisle"
regulated = "30 psi"
low_pressure = "26 psi"
volume = "640 gal"
[limits]
hold_loss = "1 psi/h"
[[channel]]
name = "line"
quantity = "pressure"
unit = "psi"
input = "simulated"
[[channel]]
name = "run"
quantity = "running"
input = "simulated"
[[channel]]
name = "room"
quantity = "temperature"
unit = "°F"
input = "simulated"
[[channel]]
name = "aisle"
quantity = "pressure"
unit = "psi"
input = "simulated"
"""


@pytest.fixture
def site(tmp_path: Path) -> Path:
    path = tmp_path / "site.toml"
    path.write_text(TOML)
    return path


def live(folder: Path, given: Iterator[Tick], every: int = 60) -> list[Event]:
    """As the daemon keeps: batches of readings, and at once whatever happened."""
    judge, events, held = Judge(SITE), list[Event](), list[Tick]()
    writer = Writer(folder, SITE, [])
    for tick in given:
        held.append(tick)
        new = judge.look(tick)
        events += new
        if new or tick.requests or len(held) >= every:
            writer.keep(held, new, judge.state() if new or tick.requests else None)
            held = []
    writer.keep(held, [], judge.state())
    writer.close()
    return events


def export(folder: Path, path: Path) -> None:
    with Reader(folder) as reader, path.open("w", newline="") as file:
        write(file, SITE, reader.readings([c.name for c in SITE.channel]))


def numbers(event: dict[str, Any]) -> dict[str, Any]:
    """All that was judged: not who asked nor what was noted."""
    return {k: v for k, v in event.items() if k not in ("by", "note", "id", "n")}


@pytest.mark.parametrize(
    ("loss", "section", "method", "kind"),
    [
        (0.0, "supply", "supply line", "holds"),
        (2.0, "supply", "supply line", "leaks"),
        (0.8, "supply", "periodic 2 h", "holds"),
        (4.0, "Freezer", "periodic 2 h", "leaks"),
    ],
)
def test_one_answer_three_ways(
    tmp_path: Path,
    site: Path,
    capsys: pytest.CaptureFixture[str],
    loss: float,
    section: str,
    method: str,
    kind: str,
) -> None:
    """The live event, `hold judge` on the export of the same stretch and `hold rejudge` from the
    database agree in every number and word."""
    given = ticks(8400.0, loss, aisle_loss_psi_per_h=loss)
    events = live(tmp_path, begun(given, section=section, method=method))
    (kept,) = [e.as_json() for e in events if e.kind == "hold_test_finished"]
    assert kept["verdict"] == kind
    export(tmp_path, tmp_path / "out.csv")
    words = ["hold", "judge", str(tmp_path / "out.csv"), "--settings", str(site), "--json"]
    words += ["--from", kept["started"], "--to", kept["at"], "--section", section]
    assert main([*words, "--method", method]) == 0
    exported = json.loads(capsys.readouterr().out)
    assert numbers(exported) == numbers(kept)
    with Reader(tmp_path) as reader:
        (row,) = reader.tests()
    assert main(["hold", "rejudge", str(row["id"]), "--state", str(tmp_path), "--json"]) == 0
    again = json.loads(capsys.readouterr().out)
    assert again["same"] is True
    assert {k: again[k] for k in numbers(kept) if k in again} == {
        k: v for k, v in numbers(kept).items() if k in again
    }
    assert set(numbers(kept)) - set(again) <= {"kind", "section", "text"} | {"section"}


def test_a_void_test_is_judged_again_as_void(tmp_path: Path) -> None:
    """A test that the sensor's failure made void is void for the same reason when judged again."""

    def change(s: float, v: dict[str, float | None]) -> dict[str, float | None]:
        return {**v, "line": None} if s >= 1200.0 else v

    live(tmp_path, begun(ticks(1800.0, change=change), method="periodic 2 h"))
    with Reader(tmp_path) as reader:
        (row,) = reader.tests()
        event, aside = reader.test(row["n"])
        assert aside is not None
        found = rejudge(aside, reader.steady(channels(aside), aside["start_t"], aside["end_t"]))
    assert found["void"] == event["void"] == "the pressure sensor failed: unplugged"


def crashed(folder: Path, given: Sequence[Tick], at: int, away: int) -> list[Event]:
    """As a daemon that is killed at one tick and back `away` ticks later: what was not in a batch
    is lost, the judge is as it was last kept and sees the kept readings since."""
    judge, events, held = Judge(SITE), list[Event](), list[Tick]()
    writer = Writer(folder, SITE, [])
    for i, tick in enumerate(given):
        if i == at:
            writer.close()
            writer, held = Writer(folder, SITE, []), []
            saved = writer.saved()
            assert saved is not None
            judge = Judge(SITE, dict(saved.state))
            for old in writer.readings.since(saved.steady):
                events += judge.look(old)
        if at <= i < at + away:
            continue
        held.append(tick)
        new = judge.look(tick)
        events += new
        if new or tick.requests or len(held) >= 30:
            writer.keep(held, new, judge.state() if new or tick.requests else None)
            held = []
    writer.close()
    return events


def test_killed_for_five_seconds_is_not_void(tmp_path: Path) -> None:
    """A daemon killed in the middle of a test, its last minute of readings lost, and back after five
    seconds ends the test with its verdict; away for five minutes, the test is void."""
    given = list(begun(ticks(3600.0, loss_psi_per_h=2.0)))
    back = crashed(tmp_path / "a", given, at=500, away=3)
    assert outcome(back)["verdict"] == "leaks"
    assert "void" not in outcome(back)
    late = crashed(tmp_path / "b", given, at=500, away=150)
    assert "the monitor was away" in outcome(late)["void"]


def test_readings_of_a_test_are_not_let_go(tmp_path: Path) -> None:
    """Retention takes old readings and leaves those of a test, which is still judged to the same answer."""
    short = check({**RAW, "keeping": {"readings": "1 h"}})
    live(tmp_path, begun(ticks(3600.0), at_s=1200.0))
    with Reader(tmp_path) as reader:
        (row,) = reader.tests()
        before = len(list(reader.readings(["line"])))
    writer = Writer(tmp_path, short, [])
    for day in range(3):
        late = START + 86400.0 * (1 + day)
        writer.keep([Tick(late, 0.0, (350.0, 0.0, 18.0, 270.0))], [], None)
    writer.close()
    with Reader(tmp_path) as reader:
        event, aside = reader.test(row["n"])
        assert aside is not None
        left = list(reader.steady(channels(aside), aside["start_t"], aside["end_t"]))
        assert len(left) == event["duration_s"] / 2.0 + 1
        assert len(list(reader.readings(["line"], until=START + 3700.0))) < before
        found = rejudge(aside, iter(left))
    assert found == {k: v for k, v in event.items() if k in found}


def test_the_shells_requests(
    tmp_path: Path, site: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """`hold start` and `hold stop` put into the letterbox what the judge follows, `watch` tells the
    course from latest.json to its verdict, `list` the methods and the tests."""
    Writer(tmp_path, SITE, []).close()
    base = ["--settings", str(site), "--state", str(tmp_path)]
    start = ["hold", "start", *base, "--section", "Freezer", "--method", "periodic 2 h"]
    assert main([*start, "--by", "R. Fenwick", "--note", "edition of 2023"]) == 0
    assert main(["hold", "stop", *base, "--section", "Freezer", "--by", "R. Fenwick"]) == 0
    box = Box(tmp_path)
    posted = box.waiting()
    box.close()
    assert [r.kind for r in posted] == ["hold_start", "hold_stop"]
    box = Box(tmp_path)
    for request in posted:
        box.done(request.id, "seen")
    box.close()
    judge = Judge(SITE)
    given = list(ticks(1200.0))
    judge.look(given[0]._replace(requests=(posted[0],)))
    through(judge, iter(given[1:-1]))
    capsys.readouterr()
    events = judge.look(given[-1]._replace(requests=(posted[1],)))
    assert outcome(events)["by"] == "R. Fenwick"
    assert outcome(events)["note"] == "edition of 2023"
    show(tmp_path, judge)
    assert main(["hold", "watch", *base, "--section", "Freezer"]) == 0
    assert "the section holds" in capsys.readouterr().out
    live(tmp_path, begun(ticks(2400.0)))
    assert main(["hold", "list", *base]) == 0
    said = capsys.readouterr().out
    assert "acceptance 24 h" in said
    assert "the section holds" in said


def show(folder: Path, judge: Judge, ago_s: float = -1.0) -> None:
    at = iso(time.time() - ago_s)
    latest = {"at": at, "written_at": at, "channels": {}, "picture": judge.picture(), "monitor": {}}
    (folder / "latest.json").write_text(json.dumps(latest))


def test_watch_follows_what_was_asked_for_and_no_silent_daemon(
    tmp_path: Path, site: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """With yesterday's verdict on show, watching right after a start waits for the test that was
    asked for; a daemon that writes no more is said after a minute, with the age of what it wrote."""
    Writer(tmp_path, SITE, []).close()
    base = ["--settings", str(site), "--state", str(tmp_path), "--section", "Freezer"]
    judge, given = Judge(SITE), ticks(3000.0)
    judge.look(asked(next(given), section="Freezer"))
    through(judge, islice(given, 500))
    judge.look(asked(next(given), "hold_stop", section="Freezer"))
    assert judge.picture()["hold_test"]["state"] == "verdict"
    show(tmp_path, judge, ago_s=5.0)
    assert main(["hold", "start", *base]) == 0
    capsys.readouterr()
    waits = []

    def wait(_: float) -> None:
        """The daemon takes it up, follows it for a while, and then dies."""
        waits.append(capsys.readouterr().out)
        if len(waits) == 1:
            box = Box(tmp_path)
            (request,) = box.waiting()
            judge.look(next(given)._replace(requests=(request,)))
            box.done(request.id, "seen")
            box.close()
            show(tmp_path, judge)
        else:
            show(tmp_path, judge, ago_s=180.0)

    monkeypatch.setattr("edge.commands.hold.time.sleep", wait)
    assert main(["hold", "watch", *base]) == 2
    assert waits[0] == "", "nothing of yesterday's"
    assert waits[1].startswith("Freezer: ")
    assert "the daemon wrote last 3 min ago" in capsys.readouterr().err


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["--from", "2025-10-09T09:00:00Z", "--to", "2025-10-09T08:00:00Z"], "--to"),
        (["--from", "2031-01-01T00:00:00Z", "--to", "2031-01-01T01:00:00Z"], "expected readings"),
        (
            [
                "--from",
                "2025-10-09T08:53:20Z",
                "--to",
                "2025-10-09T09:00:00Z",
                "--section",
                "Attic",
            ],
            "Freezer",
        ),
        (
            ["--from", "2025-10-09T08:53:20Z", "--to", "2025-10-09T09:00:00Z", "--method", "ear"],
            "periodic 2 h",
        ),
    ],
)
def test_what_cannot_be_judged_is_told(
    tmp_path: Path, site: Path, capsys: pytest.CaptureFixture[str], words: list[str], said: str
) -> None:
    """A wrong order of times, an empty stretch, an unknown section or method exit with 2 and say
    what was expected."""
    with (tmp_path / "r.csv").open("w", newline="") as file:
        write(file, SITE, ticks(600.0))
    given = ["hold", "judge", str(tmp_path / "r.csv"), "--settings", str(site), *words]
    assert main(given) == 2
    found = capsys.readouterr()
    assert said in found.err
    assert found.out == ""


def test_judging_teaches_from_what_came_before(
    tmp_path: Path, site: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """The stretch alone and the stretch with two days of rests before it give one verdict, and the
    history makes the answer surer."""

    def change(s: float, v: dict[str, float | None]) -> dict[str, float | None]:
        swing = 4.0 * math.sin(s / 86400.0 * math.tau)
        resting = s % 18000.0 >= 120.0
        kpa = (v["line"] or 0.0) + 0.7 * swing * 1.57 - (0.0 if resting else 8.0)
        return {**v, "line": kpa, "room": 18.0 + swing, "run": float(not resting)}

    given = list(ticks(2.8 * 86400.0, step_s=20.0, change=change))
    first = START + 12 * 18000.0 + 3600.0
    spread = []
    for rows in (given, [t for t in given if t.t >= first - 60.0]):
        with (tmp_path / "r.csv").open("w", newline="") as file:
            write(file, SITE, iter(rows))
        words = ["hold", "judge", str(tmp_path / "r.csv"), "--settings", str(site), "--json"]
        stretch = ["--from", iso(first), "--to", iso(first + 7200.0)]
        assert main([*words, *stretch]) == 0
        found = json.loads(capsys.readouterr().out)
        assert found["verdict"] == "holds"
        assert found["duration_s"] == 7200.0
        spread.append(found["loss_high_kpa_per_h"] - found["loss_low_kpa_per_h"])
    assert spread[0] < 0.6 * spread[1]


def test_asked_twice_in_one_tick() -> None:
    """A start and a stop in the same tick end as void, and nothing is left under way."""
    judge = Judge(SITE)
    first, second = list(ticks(4.0))
    judge.look(first)
    events = judge.look(asked(asked(second), "hold_stop", 2))
    assert [e.kind for e in events][-2:] == ["hold_test_started", "hold_test_finished"]
    assert outcome(events)["verdict"] == "cannot tell"
