"""What the monitor observes by itself while a visit is open. Pure; all of it is kept."""

from collections.abc import Mapping, Sequence
from math import hypot
from typing import Any, NamedTuple

from edge.cause import NEAR_AIR_PCT
from edge.core.fit import Line, line, t95
from edge.core.kept import Kept
from edge.measure.supply import Supply
from edge.model import SUPPLY, Event
from edge.visit.steps import LAST_KPA

STILL_S, STILL_N = 110.0, 6
"""A reading stands still over two minutes, less a step of them, and so many readings at least."""

STILL_PCT = 0.15
"""Half the scatter and drift that a still oxygen reading may have; common practice, no source."""

NEAR_AIR_OXYGEN_PCT = 100.0 - NEAR_AIR_PCT
PROVED_PCT = 10.0
"""Oxygen that no line in bypass can show while it runs: half of air's."""

FAST_KPA_PER_S = 0.03
"""Slower than this the gauge passes cut-in so slowly that the delay cannot be told."""

WAY_DOWN_S, LEAST_NOISE_KPA = 30.0, 0.1
"""So much of the way down before the cut-in is looked at, by a gauge that is no quieter than this."""

SAMPLED_S = 90.0
"""By then the gas of a run under way is what the sensor sees (common practice, no source)."""

MOST = 12

FILL = {
    "air": "filling with air",
    "turn": "turn the three-way valve to nitrogen now",
    "proved": "nitrogen proved",
}


class Watch(Kept):
    """Readings of the last minutes, turns, hold tests and fills of one visit."""

    KEPT = ("oxygen", "gauge", "turns", "runs", "rests", "holds", "fills", "last_run", "flowing")

    def __init__(self) -> None:
        self.clear()

    def clear(self) -> None:
        self.oxygen: list[list[float]] = []  # second, % as shown; of the last two minutes
        self.gauge: list[list[float]] = []  # second, kPa; of the last two minutes
        self.turns: list[dict[str, Any]] = []
        self.runs: list[dict[str, Any]] = []
        self.rests: list[dict[str, Any]] = []
        self.holds: dict[str, dict[str, Any]] = {}
        self.fills: dict[str, dict[str, Any]] = {}
        self.last_run: dict[str, Any] | None = None  # oxygen when last seen running, and when
        self.flowing: float | None = None  # since when the generator runs

    def look(
        self,
        t: float,
        at: float,
        oxygen_pct: float | None,
        supply: Supply,
        systems: Mapping[str, float | None],
        facts: Sequence[Event],
    ) -> None:
        """One tick; `systems` are the gauges of the systems, kPa."""
        if oxygen_pct is not None:
            self.oxygen = _recent(self.oxygen, t, oxygen_pct)
        if supply.kpa is not None and supply.t == t:
            self.gauge = _recent(self.gauge, t, supply.kpa)
        for fact in facts:
            self.hear(fact, supply)
        self.flowing = (self.flowing or t) if supply.running else None
        sampled = self.flowing is not None and t - self.flowing >= SAMPLED_S
        if sampled and oxygen_pct is not None:
            began_at = at - (t - (self.flowing or t))
            self.last_run = {"t": t, "at": at, "began_at": began_at, "oxygen_pct": oxygen_pct}
        for name, fill in self.fills.items():
            self._fill(t, fill, systems.get(name), oxygen_pct if sampled else None)

    def hear(self, fact: Event, supply: Supply) -> None:
        if fact.kind in ("cut_in", "cut_out"):
            turn = {
                "kind": fact.kind,
                "at": fact.at,
                "kpa": fact.numbers["pressure_kpa"],
                "fall_kpa_per_s": self._fall(fact.at - supply.offset_s),
                "gauge": [list(row) for row in self.gauge] if fact.kind == "cut_in" else [],
                "t": fact.at - supply.offset_s,
            }
            # Only the last start's way down is looked at again.
            again = fact.kind == "cut_in"
            self.turns = [{**old, "gauge": []} if again else old for old in self.turns[1 - MOST :]]
            self.turns.append(turn)
        elif fact.kind == "run_measured":
            self.runs = [*self.runs[1 - MOST :], {"at": fact.at, **fact.numbers}]
        elif fact.kind == "idle_measured":
            self.rests = [*self.rests[1 - MOST :], {"at": fact.at, **fact.numbers}]
        elif fact.kind == "hold_test_finished":
            kept = {k: v for k, v in fact.as_json().items() if k not in ("trace", "fit")}
            self.holds[fact.section or SUPPLY] = kept
        elif fact.kind == "valves_put_back" and (fact.section or SUPPLY) in self.holds:
            self.holds[fact.section or SUPPLY]["put_back"] = fact.as_json()["at"]

    def _fall(self, t: float) -> float | None:
        """How fast the gauge fell before second `t`, kPa/s; None when there is too little of it."""
        rows = [r for r in self.gauge if t - 60.0 <= r[0] <= t]
        if len(rows) < 3:
            return None
        found = _line(rows)
        return None if found is None else -found.slope

    def corrected_anew(self) -> None:
        """What was read until now was shown by the correction before: it proves nothing of this."""
        self.oxygen = []

    def still(self) -> tuple[float, float] | None:
        """The oxygen reading and its standard deviation, when it stands still; else None."""
        rows = self.oxygen
        if len(rows) < STILL_N or rows[-1][0] - rows[0][0] < STILL_S:
            return None
        values = [r[1] for r in rows]
        mean = sum(values) / len(values)
        sd = (sum((v - mean) ** 2 for v in values) / (len(values) - 1)) ** 0.5
        found = _line(rows)
        drift = 0.0 if found is None else abs(found.slope) * (rows[-1][0] - rows[0][0])
        return (mean, sd) if hypot(sd, drift / 2.0) <= STILL_PCT else None

    def turned(self, kind: str) -> dict[str, Any] | None:
        """The last cut_in or cut_out."""
        return next((t for t in reversed(self.turns) if t["kind"] == kind), None)

    # --- fills

    def begin_fill(self, name: str, t: float, at: float, normal_kpa: float) -> None:
        self.fills[name] = {
            "began_t": t,
            "began_at": at,
            "began_kpa": None,
            "normal_kpa": normal_kpa,
            "stage": "air",
            "kpa": None,
            "most_oxygen_pct": None,
            "turn_s": None,
            "alone_s": None,
            "normal_s": None,
            "proved_s": None,
            "proved_pct": None,
            "over": False,
        }

    def _fill(
        self, t: float, fill: dict[str, Any], kpa: float | None, oxygen_pct: float | None
    ) -> None:
        if fill["over"]:
            return
        since_s = round(t - fill["began_t"], 1)
        fill["since_s"] = since_s
        if kpa is not None:
            fill["kpa"] = kpa
            fill["began_kpa"] = kpa if fill["began_kpa"] is None else fill["began_kpa"]
            if fill["stage"] == "air" and kpa >= fill["normal_kpa"] - LAST_KPA:
                fill["stage"], fill["turn_s"] = "turn", since_s
                fill["alone_s"] = since_s * _whole(fill, kpa)
            # Near enough to normal that the device's regulator has begun to close.
            if fill["normal_s"] is None and kpa >= fill["normal_kpa"] - 0.25 * LAST_KPA:
                fill["normal_s"] = since_s
        if oxygen_pct is None:
            return
        most = fill["most_oxygen_pct"]
        fill["most_oxygen_pct"] = oxygen_pct if most is None else max(most, oxygen_pct)
        if fill["stage"] == "turn" and oxygen_pct < PROVED_PCT:
            fill["stage"], fill["proved_s"], fill["proved_pct"] = "proved", since_s, oxygen_pct


def _whole(fill: Mapping[str, Any], kpa: float) -> float:
    """A whole fill as a multiple of what is filled by now."""
    began = float(fill["began_kpa"])
    return float((fill["normal_kpa"] - began) / max(kpa - began, 1e-3))


def _recent(rows: list[list[float]], t: float, value: float) -> list[list[float]]:
    """The same rows with the newest, and without what is older than two minutes and a step."""
    rows.append([t, value])
    while rows[0][0] <= t - 125.0:
        del rows[0]
    return rows


def _line(rows: Sequence[Sequence[float]]) -> Line | None:
    """The straight line through rows in the order of time; None where they are all of one moment."""
    if len(rows) < 2 or rows[0][0] == rows[-1][0]:
        return None
    return line([r[0] for r in rows], [r[1] for r in rows])


class Delay(NamedTuple):
    """How long a start was delayed past the set cut-in, s: best estimate, its standard deviation,
    and between what it lies (95 %)."""

    seconds: float
    sd: float
    low: float
    high: float


def delay(turn: Mapping[str, Any], cut_in_kpa: float) -> Delay | None:
    """The delay of the start that `turn` (a cut_in) tells of; None where the gauge fell too slowly,
    or was never seen above.

    It begins where the line through the gauge's last way down crosses the cut-in, and ends at some
    moment, any as likely as another, between the contact's last reading open and its first closed.
    """
    fall, end = turn["fall_kpa_per_s"], float(turn["t"])
    before = [r for r in turn["gauge"] if r[0] < end]
    above = [r for r in before if r[1] > cut_in_kpa]
    if fall is None or fall < FAST_KPA_PER_S or not above:
        return None
    since = max(above[-1][0] - WAY_DOWN_S, end - 60.0)
    down = [r for r in before if r[0] >= since]
    down = before[-3:] if len(down) < 3 else down
    way = _line(down) if len(down) >= 3 else None
    if way is None or way.slope > -FAST_KPA_PER_S:
        return None
    n = len(down)
    crossed = way.mean_x + (cut_in_kpa - way.mean_y) / way.slope
    noise = max(way.rms * (n / (n - 2)) ** 0.5, LEAST_NOISE_KPA)
    share = 1.0 / n + (crossed - way.mean_x) ** 2 / way.sxx
    crossed_sd = noise / -way.slope * share**0.5
    step_s = end - before[-1][0]
    seconds = end - step_s / 2.0 - crossed
    half = hypot(0.95 * step_s / 2.0, t95(n - 2.0) * crossed_sd)
    sd = hypot(crossed_sd, step_s / 12.0**0.5)
    return Delay(max(seconds, 0.0), sd, max(seconds - half, 0.0), max(seconds + half, 0.0))
