"""Judgement of a real compressor's recordings, from the wire's numbers to the events.

Source: MetroPT-3 (see compressor.py). What is in the files was worked out from their numbers.
"""

from collections import Counter
from datetime import datetime
from pathlib import Path

import pytest
from compressor import replay, settings, without_contact

from edge.__main__ import main

CUT_INS = ["00:23:08", "00:57:19", "01:30:41", "02:04:23", "02:37:54"]
CUT_OUTS = ["00:24:57", "00:58:58", "01:32:20", "02:06:02", "02:39:34"]
"""The rows at which the load-valve signal of the healthy recording changes."""


def seconds(iso: str) -> float:
    return datetime.fromisoformat(iso).timestamp()


def of(events: list[dict], kind: str) -> list[dict]:
    return [event for event in events if event["kind"] == kind]


@pytest.fixture(params=["by the contact", "from the pressure alone"])
def healthy(request, recording, tmp_path: Path, capsys) -> tuple[bool, list[dict]]:
    """Whether turns are inferred, and the healthy recording's events."""
    path = recording("compressor-healthy.csv")
    inferred = request.param == "from the pressure alone"
    if inferred:
        path = without_contact(path, tmp_path)
    return inferred, replay(path, settings(tmp_path), capsys)


def test_five_whole_cycles(healthy: tuple[bool, list[dict]]) -> None:
    """The five cycles are found, each turn within 30 s and at the pressures in the numbers."""
    inferred, events = healthy
    for kind, times in (("cut_in", CUT_INS), ("cut_out", CUT_OUTS)):
        turns = of(events, kind)
        assert len(turns) == 5
        for turn, time in zip(turns, times, strict=True):
            off_s = seconds(turn["at"]) - seconds(f"2020-02-01T{time}Z")
            assert abs(off_s) <= (30.0 if inferred else 0.0)
            assert turn["inferred"] is inferred
            assert turn["section"] == "supply"
            if kind == "cut_in":
                assert turn["pressure_kpa"] == pytest.approx(807.0, abs=2.0)
            else:
                assert 1006.0 <= turn["pressure_kpa"] <= 1011.0


def test_runs_and_losses(healthy: tuple[bool, list[dict]]) -> None:
    """Runs last 99 to 109 s (inferred: up to two rows longer) and the four whole rests lose
    3.3 to 3.6 bar/h; the rest first seen under way, too short to know settled, is not measured."""
    inferred, events = healthy
    runs = of(events, "run_measured")
    assert len(runs) == 5
    for run in runs:
        assert 99.0 - 20.0 * inferred <= run["run_s"] <= 109.0 + 20.0 * inferred
        assert run["rise_kpa_per_h"] * run["run_s"] / 3600.0 == pytest.approx(203.0, abs=3.0)
    rests = of(events, "idle_measured")
    assert [seconds(r["at"]) for r in rests] == [seconds(t["at"]) for t in of(events, "cut_in")[1:]]
    for rest in rests:
        assert 330.0 <= rest["loss_kpa_per_h"] <= 360.0
        assert rest["loss_low_kpa_per_h"] < rest["loss_kpa_per_h"] < rest["loss_high_kpa_per_h"]
        assert rest["loss_high_kpa_per_h"] - rest["loss_low_kpa_per_h"] < 120.0
        assert seconds(rest["at"]) - seconds(rest["started"]) == pytest.approx(rest["idle_s"])
    starts = [seconds(rest["started"]) for rest in rests]
    stops = [seconds(turn["at"]) for turn in of(events, "cut_out")]
    assert all(a - b >= 60.0 for a, b in zip(starts, stops, strict=False))  # settling


def test_healthy_needs_nobody(healthy: tuple[bool, list[dict]]) -> None:
    """A healthy compressor raises no alert."""
    assert of(healthy[1], "alert_raised") == []


@pytest.mark.parametrize("contact", [True, False])
def test_leaking_never_cuts_out(recording, tmp_path: Path, capsys, contact: bool) -> None:
    """The compressor that a leak keeps running for 30 h raises long_run, and no cut-out that did
    not happen is told, with the run contact or without."""
    path = recording("compressor-leaking.csv")
    if not contact:
        path = without_contact(path, tmp_path)
    events = replay(path, settings(tmp_path), capsys)
    kinds = Counter(event["kind"] for event in events)
    assert kinds["cut_out"] == kinds["run_measured"] == kinds["idle_measured"] == 0
    assert kinds["cut_in"] == (0 if contact else 1)  # once it dips and recovers as a start would
    raised = Counter(e["alert"] for e in of(events, "alert_raised"))
    assert raised["long_run"] == 1
    assert raised["excess_runtime"] == 1
    assert raised["no_cut_out"] == raised["channel_fault"] == 0
    # Pressure alone cannot tell a run too weak to lift it from no run at all.
    assert raised["no_cut_in"] == 0 or not contact
    cleared = [e["alert"] for e in of(events, "alert_cleared")]
    assert "long_run" not in cleared
    assert "excess_runtime" not in cleared


def test_readable_account(recording, tmp_path: Path, capsys) -> None:
    """Without --json the same recording is told in the site's units, with its sums."""
    path = recording("compressor-healthy.csv")
    assert main(["replay", str(path), "--settings", str(settings(tmp_path))]) == 0
    out = capsys.readouterr().out
    assert "Whole runs: 5, 8 min 26 s in all" in out
    assert "Loss at rest: 3.41 bar/h, the median of 4 rests" in out
    assert "Alerts raised: 0, still standing: 0" in out
    assert "00:23:08  The generator started at 8.07 bar." in out
