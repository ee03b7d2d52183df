"""False alerts of healthy years, and how soon a leak is told: python -m tests.benchmarks.watchful [SITES [DAYS]]

Sites of 60 to 1500 gal losing 1 to 20 scfh under a real year's hourly weather (the pvlib package's
data/723170TYA.CSV), the pipe feeling 0.3 to 1.0 of it behind a lag, 10 s steps, 0.02 psi of noise,
half of them without a temperature channel. Full length is 20 sites for 365 days.
"""

import random
import sys
from typing import NamedTuple

import numpy as np

from tests.benchmarks.loss import blow
from tests.benchmarks.result import Result, tell
from tests.benchmarks.supply_sites import Ranges, Site, Watch, draw
from tests.hold.plant import year

RANGES = Ranges((60.0, 1500.0), (1.0, 20.0), (15.0, 150.0), (8.0, 25.0), 4.0, 100.0)
SITES, DAYS = 4, 60.0
COMMISSIONED_DAYS = 14.0


def site(seed: int) -> Site:
    """A site in the year's weather, begun at any hour of it; every other one knows no temperature."""
    r = random.Random(f"year {seed}")
    air, barometer = year()
    start_h = r.randrange(len(air))
    # The year goes round, so that any site may be watched for all of it.
    turned = (np.tile(np.roll(air, -start_h), 2), np.tile(np.roll(barometer, -start_h), 2))
    drawn = draw(r, RANGES, temperature=seed % 2 == 0, weather=blow(turned, 0))
    return drawn._replace(step_s=10.0)


def healthy(seed: int, days: float) -> list[str]:
    """The alerts of a site with nothing wrong."""
    watch = Watch(site(seed), seed)
    return [
        event.numbers["alert"] for event in watch.on(days * 86400.0) if event.kind == "alert_raised"
    ]


class Grown(NamedTuple):
    """When leak_growth was raised after the loss grew: hours, and rests that ended meanwhile."""

    hours: float
    rests: int


def grown(seed: int, times: float, within_days: float) -> Grown | None:
    """Let a commissioned site's loss grow at once to so many times itself."""
    watch = Watch(site(seed), seed)
    for _ in watch.on(COMMISSIONED_DAYS * 86400.0):
        pass
    start = watch.plant.t_s
    watch.plant.extra_loss_l_min = watch.site.loss_l_min * (times - 1.0)
    rests = 0
    for event in watch.on(start + within_days * 86400.0):
        rests += event.kind == "idle_measured"
        if event.kind == "alert_raised" and event.numbers["alert"] == "leak_growth":
            return Grown((watch.plant.t_s - start) / 3600.0, rests)
    return None


def measure(sites: int = SITES, days: float = DAYS) -> list[Result]:
    false = sum(len(healthy(seed, days)) for seed in range(sites))
    years = sites * days / 365.0
    doubled = [grown(seed, 2.0, 6.0) for seed in range(sites)]
    # Weather alone may hide a quarter where the temperature is not measured.
    quarter = [grown(seed, 1.25, 11.0) for seed in range(0, sites, 2)]
    # The rest in which it began is no whole one.
    late = sum(1 for g in doubled if g is None or (g.rests > 3 and g.hours > 36.0))
    slow = max((g.hours / 24.0 if g is not None else 99.0) for g in quarter)
    return [
        Result(f"false alerts a site-year, over {years:.2f} site-years", false / years, "", 1.0),
        Result("doubled losses told later than two rests and 36 h", float(late), "", 0.0),
        Result(
            "a loss grown by a quarter is told where temperature is measured, the slowest",
            slow,
            "days",
            10.0,
        ),
    ]


if __name__ == "__main__":
    given = [*map(int, sys.argv[1:2]), *map(float, sys.argv[2:])]
    raise SystemExit(tell("watchful", measure(*given)) > 0)
