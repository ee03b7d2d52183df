"""The simulated inputs: one plant seen through its channels, and the story of the demo."""

import tomllib
from pathlib import Path

import pytest

from edge.errors import SensorError
from edge.model import Reading, Status
from edge.sensors.bench import Bench, look, open_sensors
from edge.settings import Settings, check
from edge.story import STORIES


class Hand:
    """A clock moved by hand."""

    def __init__(self) -> None:
        self.t = 1000.0

    def steady(self) -> float:
        return self.t


def site(saltmarsh: Path, source: str, **extra: object) -> Settings:
    raw = tomllib.loads(saltmarsh.read_text())
    for channel in raw["channel"]:
        channel["input"] = source
    raw["channel"] += extra.get("channels", [])
    return check(raw)


def by_name(readings: list[Reading]) -> dict[str, float | None]:
    return {r.channel: r.value for r in readings}


def test_channels_of_one_tick_see_one_moment_of_one_plant(saltmarsh: Path) -> None:
    """Time moves only when a channel looks again, and every channel reads its own place in the plant."""
    hand = Hand()
    with Bench(steady=hand.steady, utc=lambda: 1.7e9) as bench:
        sensors = open_sensors(site(saltmarsh, "simulated"), bench)
        first = by_name(look(sensors))
        assert first["line_pressure"] == pytest.approx(266.8, abs=0.5)
        assert first["aisle_pressure"] == pytest.approx(206.8, abs=0.5)
        assert first["aisle_temperature"] < 0.0 < first["room_temperature"]
        assert first["running"] == 0.0
        assert first["oxygen"] == pytest.approx(20.95, abs=0.1)
        hand.t += 1200.0
        by_name([sensors[0].read({})])
        hand.t += 1200.0  # within the same tick: the others must still see the moment of the first
        rest = [s.read({}) for s in sensors[1:]]
        assert by_name(rest)["running"] == 1.0
        stand = bench.shared("simulated:", lambda: pytest.fail("there is no plant"))
        assert stand.plant.t_s == 1200.0


def test_readings_are_the_same_for_the_same_times(saltmarsh: Path) -> None:
    """Two benches with one clock give the same readings to the last digit."""
    seen = []
    for _ in range(2):
        hand = Hand()
        with Bench(steady=hand.steady, utc=lambda: 1.7e9) as bench:
            sensors = open_sensors(site(saltmarsh, "simulated"), bench)
            rows = []
            for _ in range(50):
                hand.t += 7.0
                rows.append(by_name(look(sensors)))
            seen.append(rows)
    assert seen[0] == seen[1]
    assert len({row["line_pressure"] for row in seen[0]}) > 40, "readings carry noise"


def test_what_the_plant_lacks_is_said(saltmarsh: Path) -> None:
    """A channel that nothing in the plant answers has a reason, and an unknown story is refused by name."""
    spare = {"name": "spare", "quantity": "pressure", "unit": "psi", "input": "simulated"}
    with Bench() as bench:
        readings = look(open_sensors(site(saltmarsh, "simulated", channels=[spare]), bench))
        assert readings[-1].value is None
        assert readings[-1].status is Status.FAILURE
        assert "no pressure" in str(readings[-1].why)
    with (
        Bench() as bench,
        pytest.raises(
            SensorError,
            match=r"line_pressure: .*simulated:depot, simulated:visit, found simulated:ogre",
        ),
    ):
        open_sensors(site(saltmarsh, "simulated:ogre"), bench)


def test_the_demo_story_shows_runs_a_warning_and_its_end(saltmarsh: Path) -> None:
    """In 20 h of plant time: four runs, pressure under its limit and back, a run in bypass and a pure one after it."""
    assert "depot" in STORIES
    settings = site(saltmarsh, "simulated:depot")
    low = settings.low_pressure_kpa
    hand = Hand()
    runs: list[list[float]] = []
    was_low = recovered = False
    before = 0.0
    with Bench(steady=hand.steady, utc=lambda: 1.7e9) as bench:
        sensors = open_sensors(settings, bench)
        for _ in range(20 * 360):
            hand.t += 10.0
            now = by_name(look(sensors))
            if now["running"] and not before:
                runs.append([])
            if now["running"]:
                runs[-1].append(now["oxygen"])
            before = now["running"]
            was_low |= now["line_pressure"] < low - 2.0
            recovered |= was_low and now["line_pressure"] > settings.supply.cut_in_kpa
    assert recovered
    last = [run[-1] for run in runs if len(run) > 60]
    assert len(last) == 4
    assert [oxygen > 15.0 for oxygen in last] == [False, False, True, False]
    assert max(last[0], last[1], last[3]) < 2.0
