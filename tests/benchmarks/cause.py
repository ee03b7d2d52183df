"""Does each trouble get its own cause? python -m tests.benchmarks.cause [CASES [ROW ...]]

Each row of the table of causes, made by the simulated plant on sites drawn at random (20 to
2000 gal, loss 0.2 to 30 scfh, production 15 to 150 scfh, band 5 to 40 psi) under synthetic
weather: the first cause that any alert names is right, wrong, or never comes. With the run
contact and without it (allowed twice the time).
"""

import random
import sys
from collections import Counter
from collections.abc import Callable, Mapping

from tests.benchmarks.result import Result, tell
from tests.benchmarks.supply_sites import Ranges, Site, Watch, draw

CASES = 8


def _leak(w: Watch, r: random.Random) -> None:
    most = 0.8 * w.site.parameters.production_l_min / w.site.loss_l_min - 1.0
    w.plant.extra_loss_l_min = w.site.loss_l_min * r.uniform(1.0, min(2.0, max(most, 1.0)))


def _needle(w: Watch, r: random.Random) -> None:
    w.plant.needle = r.uniform(0.45, 0.7)


def _weak(w: Watch, r: random.Random) -> None:
    w.plant.strength = r.uniform(0.45, 0.7)


def _bypass(w: Watch, _: random.Random) -> None:
    w.plant.bypass = True


def _volume(w: Watch, r: random.Random) -> None:
    w.plant.volume_share = r.uniform(0.35, 0.6)


def _never_stops(w: Watch, _: random.Random) -> None:
    w.plant.control = "never_stops"


def _power(w: Watch, _: random.Random) -> None:
    w.plant.power = False


def _pipe(w: Watch, _: random.Random) -> None:
    w.plant.pipe_open = True


def _shut(w: Watch, _: random.Random) -> None:
    w.plant.systems["Aisles"].device = "shut"


def _open(w: Watch, _: random.Random) -> None:
    w.plant.systems["Aisles"].device = "open"


ROWS: Mapping[str, tuple[str, Callable[[Watch, random.Random], None]]] = {
    "a leak has grown": ("leak", _leak),
    "flow choked": ("flow_restricted", _needle),
    "compressor or membrane tired": ("production_weak", _weak),
    "valve in bypass": ("bypass_open", _bypass),
    "volume shrank": ("volume_changed", _volume),
    "control never stops": ("control_fault", _never_stops),
    "no power": ("no_power", _power),
    "pipe open": ("pipe_open", _pipe),
    "device shut": ("device_shut", _shut),
    "device open": ("device_open", _open),
}


def case(row: str, seed: int, *, contact: bool = True, ranges: Ranges | None = None) -> str:
    """One trouble on one site: "right", "cannot tell", or the wrong cause named."""
    expected, make = ROWS[row]
    r = random.Random(f"{row} {seed}")
    # Half of the production gone must still leave more than is lost.
    site: Site = draw(
        r,
        ranges or Ranges(least_ratio=3.5),
        contact=contact,
        system=row.startswith("device"),
    )
    watch = Watch(site, seed)
    watch.commissioned(within_s=90 * 86400.0)
    make(watch, r)
    # Three whole cycles, however the trouble stretches them, and three days: a system falls in
    # its own time, and so does a loss short of its limit.
    span_s = 12.0 * (site.idle_h + site.run_h) * 3600.0
    span_s = max(span_s, 72.0 * 3600.0)
    for event in watch.on(watch.plant.t_s + span_s * (1.0 if contact else 2.0)):
        if event.kind == "alert_raised" and event.numbers["cause"] is not None:
            cause = str(event.numbers["cause"])
            return "right" if cause == expected else cause
    return "cannot tell"


def table(cases: int, rows: list[str], contact: bool) -> dict[str, Counter[str]]:
    return {row: Counter(case(row, n, contact=contact) for n in range(cases)) for row in rows}


def measure(cases: int = CASES, rows: list[str] | None = None) -> list[Result]:
    results = []
    for contact in (True, False):
        how = "with the run contact" if contact else "without it"
        for row, found in table(cases, rows or list(ROWS), contact).items():
            right = 100.0 * found["right"] / cases
            wrong = 100.0 * (cases - found["right"] - found["cannot tell"]) / cases
            results.append(Result(f"{row}, named {how}", right, "%", 90.0, least=True))
            results.append(Result(f"{row}, another named {how}", wrong, "%", 2.0))
    return results


if __name__ == "__main__":
    count = int(sys.argv[1]) if len(sys.argv) > 1 else CASES
    raise SystemExit(tell("cause", measure(count, sys.argv[2:] or None)) > 0)
