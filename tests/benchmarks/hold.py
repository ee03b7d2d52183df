"""Simulated hold tests over real weather: python -m tests.benchmarks.hold [SECTIONS [SEED]]

Every section is tested tight, at twice the limit and somewhere between nothing and three times it,
by each method, three times over: with no temperature measured, with one but nothing learned of the
site, and after a week of learning. 56 sections make 2,016 tests.
"""

import sys
from collections.abc import Iterator
from typing import NamedTuple

import numpy as np

from edge.core.bins import Bins
from edge.hold.holding import Holding
from edge.measure.weather import Weather
from edge.methods import STANDARD, Method
from tests.benchmarks.result import Result, tell
from tests.hold.plant import PSI, Section, Story, year

SECTIONS, SEED = 56, 20
WEEK_S = 7 * 86400.0
DAYS = 9.5
ARMS = ("not measured", "nothing learned", "learned")


class Trial(NamedTuple):
    """One simulated test: what was so, and what was said."""

    method: str
    arm: str
    times: float  # the loss as a multiple of the limit
    evident: str | None
    evident_s: float | None
    verdict: str
    void: str | None
    inside: bool  # the 95 % interval holds the truth
    half_kpa_per_h: float

    def said(self, word: str) -> bool:
        return word in (self.evident, self.verdict)


def learned(rng: np.random.Generator, story: Story) -> Weather:
    """What a week of rests of five hours each teaches."""
    weather = Weather(101.325)
    air, every = story.air_c.tolist(), story.step_s
    t = 0.0
    while t < WEEK_S - 18000.0:
        loss = float(rng.uniform(2.0, 10.0))
        rest = story.hold(rng, t, 16200.0, loss, 1e6, 45.0 * PSI)
        lagged, bins = list(weather.lagged), Bins()
        for past, kpa, c in zip(rest.past_s, rest.gauge_kpa, rest.air_c, strict=True):
            bins.add(float(t + past), float(kpa), float(c), None)
        if lagged:
            weather.learn(bins, lagged, t, 600.0)
        hear(weather, air, every, t, t + 18000.0)
        t += 18000.0
    return weather


def hear(weather: Weather, air: list[float], every: float, start: float, end: float) -> None:
    for i in range(round(start / every), round(end / every)):
        weather.hear(i * every, air[i])


def trial(
    rng: np.random.Generator, story: Story, weather: Weather, at_s: float, method: Method,
    arm: str, times: float,
) -> Trial:  # fmt: skip
    """One test; with every third a barometer is fitted."""
    start_kpa = (method.at_kpa or 52.0 * PSI) + float(rng.normal(0.0, 1.0))
    floor_kpa = start_kpa - 4.0 * PSI
    drop = method.drop_kpa if method.drop_kpa is not None else 4.0 * PSI
    limit = PSI if method.duration_s is None else drop / method.duration_s * 3600.0
    undisturbed_s = float(rng.choice([0.0, 300.0, 36000.0]))
    held = story.hold(rng, at_s, method.longest_s, times * limit, undisturbed_s, start_kpa)
    terms = {
        "method": method.plain(),
        "hold_loss_kpa_per_h": PSI,
        "floor_kpa": floor_kpa,
        "atmosphere_kpa": 101.325,
        "to_end": method.duration_s is not None,
    }
    site = {
        "sums": weather.sums,
        "lagged": weather.lagged,
        "heard_s": at_s - weather.since_t,
        "settling_since_s": undisturbed_s,
    }
    holding = Holding()
    holding.begin(0.0, terms, site)
    barometer = rng.random() < 1 / 3
    outcome = None
    values = (held.past_s, held.gauge_kpa, held.air_c, held.barometer_kpa)
    for t, kpa, c, b in zip(*(v.tolist() for v in values), strict=True):
        outcome = holding.look(
            t, kpa, None, None if arm == ARMS[0] else c, b if barometer else None, None
        )
        if outcome is not None:
            break
    if outcome is None:
        outcome = holding.stop(float(held.past_s[-1]))
    loss = outcome.estimate
    truth = float(held.truth_kpa_per_h[round(outcome.end_s / story.step_s)])
    return Trial(
        method.name, arm, times, holding.evident, holding.evident_s, outcome.verdict, outcome.void,
        loss is not None and loss.low <= truth <= loss.high,
        float("nan") if loss is None else (loss.high - loss.low) / 2.0,
    )  # fmt: skip


def trials(sections: int = SECTIONS, seed: int = SEED) -> Iterator[Trial]:
    rng = np.random.default_rng(seed)
    weather = year()
    for _ in range(sections):
        story = Story(Section.any(rng, DAYS), weather, DAYS, 10.0)
        air = story.air_c.tolist()
        for arm in ARMS:
            known = learned(rng, story) if arm == "learned" else Weather(101.325)
            heard_s = WEEK_S - 6 * 3600.0 if arm == "nothing learned" else WEEK_S
            starts = np.sort(rng.uniform(0.5, 34.0, len(STANDARD))) * 3600.0
            for method, start_s in zip(rng.permutation(len(STANDARD)), starts, strict=True):
                at_s = 10.0 * round((WEEK_S + start_s) / 10.0)
                if arm != ARMS[0]:
                    hear(known, air, 10.0, heard_s, at_s)
                heard_s = at_s
                for times in (0.0, 2.0, float(rng.uniform(0.1, 3.0))):
                    yield trial(rng, story, known, at_s, STANDARD[method], arm, times)


def table(found: list[Trial]) -> list[str]:
    """The rows that README shows."""
    lines = [
        "| method | temperature | tests | tight: leaks / holds | twice: holds / leaks"
        " | minutes to leaks at twice, median | 95 % interval holds the truth | ± kPa/h, median | void |",
        "|---|---|---|---|---|---|---|---|---|",
    ]
    for method in STANDARD:
        for arm in ARMS:
            rows = [t for t in found if t.method == method.name and t.arm == arm]
            tight = [t for t in rows if t.times == 0.0]
            twice = [t for t in rows if t.times == 2.0]
            counted = [t for t in rows if t.void is None]
            lines.append(
                f"| {method.name} | {arm} | {len(rows)}"
                f" | {sum(t.said('leaks') for t in tight)} / {sum(t.said('holds') for t in tight)}"
                f" of {len(tight)}"
                f" | {sum(t.said('holds') for t in twice)} / {sum(t.said('leaks') for t in twice)}"
                f" of {len(twice)}"
                f" | {_minutes(twice)}"
                f" | {100.0 * np.mean([t.inside for t in counted]):.0f} %"
                f" | {np.median([t.half_kpa_per_h for t in counted]):.2f}"
                f" | {len(rows) - len(counted)} |"
            )
    return lines


def _minutes(twice: list[Trial]) -> str:
    """Median minutes to "leaks"; a test that never says so counts as endless."""
    seconds = float(np.median(until(twice)))
    return f"{seconds / 60.0:.0f}" if np.isfinite(seconds) else "cannot tell"


def until(twice: list[Trial]) -> list[float]:
    return [
        float(t.evident_s) if t.evident == "leaks" and t.evident_s else float("inf") for t in twice
    ]


def measure(sections: int = SECTIONS, seed: int = SEED) -> list[Result]:
    found = list(trials(sections, seed))
    print("\n".join(table(found)))
    tight = [t for t in found if t.times == 0.0]
    twice = [t for t in found if t.times == 2.0]
    counted = [t for t in found if t.void is None]
    inside = 100.0 * float(np.mean([t.inside for t in counted]))
    results = [
        Result("tight called leaking", 100.0 * _share(tight, "leaks"), "%", 1.0),
        Result("twice the limit called holding", 100.0 * _share(twice, "holds"), "%", 1.0),
        Result("95 % intervals that hold the truth", inside, "%", 93.0, least=True),
        Result("95 % intervals that hold the truth", inside, "%", 97.0),
        Result("undisturbed tests called void", 100.0 * (1 - len(counted) / len(found)), "%", 1.0),
    ]
    for method in STANDARD:
        for arm in ARMS:
            if method.duration_s is None or (method.name, arm) == ("acceptance 24 h", ARMS[0]):
                # Unmeasured, a day's weather is larger than a day's limit: no time is long enough.
                continue
            seconds = until([t for t in twice if (t.method, t.arm) == (method.name, arm)])
            share = float(np.median(seconds)) / method.duration_s
            what = f"{method.name}, {arm}: median time to leaks at twice the limit"
            results.append(Result(what, share, "of the standard's time", 0.25))
    return results


def _share(rows: list[Trial], word: str) -> float:
    return float(np.mean([t.said(word) for t in rows]))


if __name__ == "__main__":
    raise SystemExit(tell("hold", measure(*map(int, sys.argv[1:]))) > 0)
