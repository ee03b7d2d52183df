"""What holds for every registered detector, by a story of its own trouble."""

import json
import random
from collections.abc import Callable
from dataclasses import dataclass
from datetime import date
from typing import Any

import pytest
from script import CHANNELS, EPOCH, STEP_S, SYSTEM, Phase, play, site

from edge.detect import KINDS
from edge.judge import Judge, detectors
from edge.model import ALERTS, Event, Tick
from edge.settings import Settings

BASELINE = ("baseline_set", {"loss_kpa_per_h": 40.0, "sd": 1.0})
CALM = 11.0
"""Hours of calm before the trouble: four cycles, so that the commissioned rise is known."""


@dataclass(frozen=True)
class Story:
    """A trouble: what begins it, how long it lasts, what ends it, and how long it may take to clear."""

    trouble: dict[str, Any]
    hours: float
    end: dict[str, Any]
    after: float
    alert: str = ""
    section: str = "supply"
    cause: str | None = None
    asks: tuple[str, dict[str, Any]] | None = None
    answers: tuple[str, dict[str, Any]] | None = None
    calm: float = CALM
    baseline: bool = True
    settings: Callable[[str], Settings] = lambda unit: site(unit=unit)

    def phases(self, troubled: bool = True) -> list[Phase]:
        hours = self.hours
        before = [Phase(0.1, {}, BASELINE if self.baseline else None), Phase(self.calm)]
        if not troubled:
            return [*before, Phase(hours + self.after)]
        return [
            *before,
            Phase(hours, self.trouble, self.asks),
            Phase(self.after, self.end, self.answers),
        ]


BY_DATE = ("calibration_due", "work_due")
"""Alerts that a calendar raises."""

SERVICE = [{"name": "filter service", "every": "182 d", "done": date(2026, 9, 20)}]


def limited(**limits: Any) -> Callable[[str], Settings]:
    return lambda unit: site(limits=limits, unit=unit)


STORIES = {
    "low_pressure": Story({"power": False}, 4.0, {"power": True}, 2.0),
    "low_pressure of a system": Story(
        {"aisles_move": -60.0}, 0.7, {"aisles_move": 0.0, "aisles_kpa": 206.8}, 1.0,
        alert="low_pressure", section=SYSTEM,
    ),
    "high_pressure": Story(
        {"kpa": 400.0, "loss": 0.0}, 0.2, {"kpa": 340.0, "loss": 40.0}, 1.0
    ),
    "no_cut_in": Story({"power": False}, 4.0, {"power": True}, 1.0, cause="no_power"),
    "no_cut_out": Story(
        {"kpa": 300.0, "running": True, "stops": False}, 0.25, {"stops": True}, 2.0,
        cause="control_fault",
    ),
    "long_run": Story(
        {"kpa": 300.0, "running": True, "loss": 440.0}, 4.0, {"loss": 40.0}, 2.0, calm=3.0
    ),
    "excess_runtime": Story(
        {"production": 80.0}, 11.0, {"production": 440.0}, 30.0, calm=3.0,
        settings=limited(runtime_per_day="4 h"),
    ),
    "low_purity": Story({"oxygen": 4.0}, 6.0, {"oxygen": 1.5}, 6.0),
    "slow_build": Story(
        {"production": 250.0}, 9.0, {"production": 440.0}, 9.0, cause="production_weak"
    ),
    "short_cycling": Story(
        {"production": 4400.0, "loss": 400.0}, 3.0, {"production": 440.0, "loss": 40.0}, 3.0,
        baseline=False, settings=limited(starts_per_hour=3),
    ),
    "leak_growth": Story({"loss": 140.0}, 6.0, {"loss": 40.0}, 12.0, cause="leak"),
    "fast_drop": Story({"loss": 2400.0, "kpa": 350.0}, 0.03, {"loss": 40.0}, 1.0, cause="pipe_open"),
    "bypass_suspected": Story(
        {"oxygen": 20.9}, 6.0, {"oxygen": 1.5}, 6.0, cause="bypass_open"
    ),
    "setpoint_drift": Story(
        {"cut_in": 245.0}, 10.0, {"cut_in": 262.0}, 10.0, cause="control_fault"
    ),
    "maintenance_device_fault": Story(
        {"aisles_move": -30.0}, 1.0, {"aisles_move": 0.0, "aisles_kpa": 206.8}, 1.0,
        section=SYSTEM, cause="device_shut",
    ),
    "maintenance_device_fault, open": Story(
        {"kpa": 350.0, "aisles_move": 200.0}, 0.65, {"aisles_move": 0.0, "aisles_kpa": 206.8}, 1.0,
        alert="maintenance_device_fault", section=SYSTEM, cause="device_open",
    ),
    "stuck_reading": Story({"frozen": True}, 14.0, {"frozen": False}, 1.0),
    "calibration_due": Story(
        {"offset_s": EPOCH + 200 * 86400.0}, 1.0, {"offset_s": EPOCH}, 1.0,
        settings=lambda unit: site(unit=unit, calibrated=date(2026, 9, 20)),
    ),
    "work_due": Story(
        {"offset_s": EPOCH + 200 * 86400.0}, 1.0, {"offset_s": EPOCH}, 1.0,
        settings=lambda unit: site(unit=unit, periodic=SERVICE),
    ),
    "storage_low": Story({"free_pct": 4.0}, 1.0, {"free_pct": 40.0}, 1.0),
    "monitor_fault": Story({"troubles": {"storage": "It is full."}}, 1.0, {"troubles": {}}, 1.0),
    "hold_test_failed": Story(
        {"kpa": 350.0, "running": False}, 1.5, {}, 1.0,  # as much as when commissioned: no growth
        asks=("hold_start", {"section": "supply"}),
        answers=("acknowledge", {"alert": "hold_test_failed"}),
    ),
    "hold_test_failed, grown": Story(
        {"kpa": 350.0, "running": False, "loss": 60.0}, 1.2, {"loss": 40.0}, 1.0, cause="leak",
        alert="hold_test_failed", asks=("hold_start", {"section": "supply"}),
        answers=("acknowledge", {"alert": "hold_test_failed"}),
    ),
    "channel_fault": Story({"silent": ("room",)}, 0.5, {"silent": ()}, 0.5),
}  # fmt: skip


def run(settings: Settings, ticks: list[Tick]) -> tuple[Judge, list[Event]]:
    judge = Judge(settings)
    return judge, [event for tick in ticks for event in judge.look(tick)]


def of(name: str) -> tuple[Story, str]:
    story = STORIES[name]
    return story, story.alert or name


def test_every_detector_has_a_story() -> None:
    """Each registered detector is tried by a story, and each is an alert of the contract."""
    assert {of(name)[1] for name in STORIES} == set(KINDS)
    assert set(KINDS) <= set(ALERTS)
    assert {d.alert for d in detectors(site(calibrated=date(2026, 9, 20)))} == set(KINDS)


@pytest.mark.parametrize("name", STORIES)
def test_raised_and_cleared(name: str) -> None:
    """The alert is raised by its trouble and not before, once, and cleared when it has passed;
    it says what to do, carries its numbers, and its evidence can be written as JSON."""
    story, alert = of(name)
    _, events = run(story.settings("psi"), list(play(story.phases())))
    mine = [
        e
        for e in events
        if e.numbers.get("alert") == alert
        and e.section == story.section
        and e.kind in ("alert_raised", "alert_cleared")
    ]
    assert [e.kind for e in mine] == ["alert_raised", "alert_cleared"]
    begins = EPOCH + (0.1 + story.calm) * 3600.0
    raised = mine[0]
    ends = begins + story.hours * 3600.0 + (200 * 86400.0 if alert in BY_DATE else 0.0)
    assert begins <= raised.at <= ends + STEP_S
    if alert not in BY_DATE:
        assert mine[1].at > ends - STEP_S or alert in ("hold_test_failed",)
    assert raised.numbers["cause"] == story.cause
    assert raised.numbers["priority"] in ("urgent", "soon", "planned")
    assert len(raised.numbers["todo"]) > 20
    evidence = raised.numbers["evidence"]
    assert set(evidence) - {"since"}
    assert evidence["since"] <= raised.as_json()["at"]
    json.dumps([event.as_json() for event in events], allow_nan=False)


@pytest.mark.parametrize("name", STORIES)
def test_quiet_without_the_trouble(name: str) -> None:
    """The same hours without the trouble raise no alert at all."""
    story, _ = of(name)
    _, events = run(story.settings("psi"), list(play(story.phases(troubled=False))))
    assert [e.text for e in events if e.kind == "alert_raised"] == []


@pytest.mark.parametrize("name", STORIES)
def test_text_in_the_sites_units(name: str) -> None:
    """A site that reads psi hears of psi, one that reads bar of bar, and neither of kPa."""
    story, _ = of(name)
    for unit, other in (("psi", "bar"), ("bar", "psi")):
        _, events = run(story.settings(unit), list(play(story.phases())))
        texts = [e.text + e.numbers.get("todo", "") for e in events]
        words = {word.strip(".,()") for text in texts for word in text.split()}
        assert not {"kPa", "kPa/h", other, f"{other}/h"} & words
        assert unit in words or f"{unit}/h" in words


@pytest.mark.parametrize("name", STORIES)
def test_restarts_change_nothing(name: str) -> None:
    """Stopped and taken up again from its state, written as JSON, at twenty random ticks, the
    judge tells the very same events, and an equal picture at the end."""
    story, _ = of(name)
    settings, ticks = story.settings("psi"), list(play(story.phases()))
    whole, events = run(settings, ticks)
    stops = set(random.Random(name).sample(range(len(ticks)), 20))
    judge, again = Judge(settings), []
    for i, tick in enumerate(ticks):
        again += judge.look(tick)
        if i in stops:
            judge = Judge(settings, json.loads(json.dumps(judge.state(), allow_nan=False)))
    assert [e.as_json() for e in again] == [e.as_json() for e in events]
    assert judge.picture() == whole.picture()
    assert judge.state() == json.loads(json.dumps(whole.state()))


BLIND = {
    "low_pressure", "high_pressure", "no_cut_in", "no_cut_out", "long_run", "low_purity",
    "slow_build", "leak_growth", "fast_drop", "bypass_suspected", "setpoint_drift",
    "maintenance_device_fault", "stuck_reading", "storage_low", "monitor_fault",
    "calibration_due",
}  # fmt: skip
"""What cannot be judged when nothing has ever been read or calibrated; the rest count or compare dates."""


def test_unjudgeable_is_none() -> None:
    """With no reading at all every detector that needs one says that it cannot judge, and nothing
    but channel_fault is raised, however long it lasts."""
    settings = site()
    judge = Judge(settings)
    faults = {name: "open circuit" for name, _, _ in CHANNELS}
    raised = set()
    for i in range(2000):
        for event in judge.look(Tick(10.0 * i, EPOCH, (None,) * len(CHANNELS), faults)):
            if event.kind == "alert_raised":
                raised.add(event.numbers["alert"])
    assert raised == {"channel_fault"}
    now = judge._now
    looks = {
        alarm.detector.alert: alarm.detector.look(now, False)
        for alarm in judge.desk.alarms.values()
    }
    assert {alert for alert, look in looks.items() if look is None} == BLIND


@pytest.mark.parametrize("name", ["low_pressure", "no_cut_in", "long_run", "low_purity"])
def test_silence_neither_raises_nor_clears(name: str) -> None:
    """While what an alert depends on is silent it stays as it was."""
    story, alert = of(name)
    phases = story.phases()
    silent = Phase(3.0, {"silent": tuple(n for n, _, _ in CHANNELS)})
    _, events = run(
        story.settings("psi"), list(play([*phases[:3], silent, Phase(0.01, {"silent": ()})]))
    )
    mine = [e.kind for e in events if e.numbers.get("alert") == alert and e.section == "supply"]
    assert mine == ["alert_raised"] or (name == "low_purity" and mine[0] == "alert_raised")
    _, events = run(story.settings("psi"), list(play([*phases[:2], silent])))
    assert {e.numbers["alert"] for e in events if e.kind == "alert_raised"} == {"channel_fault"}
