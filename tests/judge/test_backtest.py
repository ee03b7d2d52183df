"""What other settings would have said about a site's own history."""

import json
from collections.abc import Callable
from pathlib import Path

import pytest

from edge.__main__ import main
from edge.commands.backtest import compare
from edge.judge import Judge
from edge.model import Event, Tick, on_grid
from edge.settings import load
from edge.store.write import Writer

START = 1_767_225_600.0
SITE = """
[site]
name = "Saltmarsh Lane depot"
id = "saltmarsh-lane"

[supply]
pressure = "line_pressure"
running = "running"
cut_in = "38 psi"
cut_out = "52 psi"

[limits]
longest_run = "{longest}"

[[channel]]
name = "line_pressure"
quantity = "pressure"
unit = "psi"
input = "simulated"

[[channel]]
name = "running"
quantity = "running"
input = "simulated"
"""


@pytest.fixture
def site(tmp_path: Path) -> Callable[[str], Path]:
    """Settings with a longest run."""

    def write(longest: str) -> Path:
        path = tmp_path / f"{longest.replace(' ', '')}.toml"
        path.write_text(SITE.format(longest=longest))
        return path

    return write


def keep(settings_file: Path, state: Path) -> None:
    """Keep two days of cycles whose runs last 70 minutes, as the daemon would."""
    settings = load(settings_file)
    judge, writer = Judge(settings), Writer(state, settings, [])
    ticks, events, running, kpa = [], [], 0.0, 300.0
    for i in range(2 * 2880):
        kpa += 0.69 if running else -0.15
        running = 1.0 if kpa < 262.0 else 0.0 if kpa > 358.5 else running
        tick = Tick(START + 30.0 * i, 0.0, (on_grid(kpa), running))
        ticks.append(tick)
        events += judge.look(tick)
    writer.keep(ticks, events, judge.state())
    writer.close()


def test_tighter_limits_are_tried_on_kept_history(
    site: Callable[[str], Path], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Limits that were never crossed say the same; a shorter longest run would have said long_run."""
    state = tmp_path / "state"
    state.mkdir()
    keep(site("3 h"), state)
    same = ["backtest", "--state", str(state), "--settings", str(site("3 h")), "--json"]
    assert main(same) == 0
    assert capsys.readouterr().out == ""
    tighter = ["backtest", "--state", str(state), "--settings", str(site("1 h")), "--json"]
    assert main(tighter) == 1
    rows = [json.loads(line) for line in capsys.readouterr().out.splitlines()]
    assert {row["alert"] for row in rows} == {"long_run"}
    assert len(rows) >= 3
    assert all(row["said"] is None and row["would_say"] for row in rows)
    assert main(tighter[:-1]) == 1
    assert "only with these settings" in capsys.readouterr().out


def test_one_alert_told_at_nearly_one_time_is_the_same() -> None:
    """Raises within an hour pair off once each; what only one side says stays alone."""

    def said(hour: int, alert: str = "long_run") -> dict[str, str]:
        return {
            "alert": alert,
            "section": "supply",
            "at": f"2026-01-01T{hour:02d}:00:00Z",
            "text": "",
        }

    rows = compare([said(1), said(9)], [said(1), said(2), said(5, "low_pressure")])
    assert [(r.alert, bool(r.said), bool(r.would_say)) for r in rows] == [
        ("long_run", True, True),
        ("long_run", False, True),
        ("low_pressure", False, True),
        ("long_run", True, False),
    ]


def test_what_no_settings_change_is_no_difference(
    site: Callable[[str], Path], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Alerts of the disk, the monitor and a hold test, which readings do not bring back, are not
    counted as said then and not now."""
    state = tmp_path / "state"
    state.mkdir()
    keep(site("3 h"), state)
    writer = Writer(state, load(site("3 h")), [])
    names = ("storage_low", "monitor_fault", "hold_test_failed")
    events = [
        Event(START + 3600.0, "alert_raised", "It is so.", "supply", {"alert": a}) for a in names
    ]
    writer.keep([], events, {})
    writer.close()
    assert main(["backtest", "--state", str(state), "--settings", str(site("3 h"))]) == 0
    assert "No alert then" in capsys.readouterr().out
