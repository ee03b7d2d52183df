"""One hold test under way: readings in, an outcome out. Pure, and from nothing but its terms and the
readings, so that live, from a recording and judged again years later the answer is the same."""

from collections.abc import Mapping, Sequence
from math import sqrt
from typing import Any, NamedTuple

from edge.core.bins import Bins
from edge.core.fit import line
from edge.core.kept import Kept
from edge.core.units import PSI, ZERO_C_K
from edge.hold.arithmetic import ASSUMED_C, Estimate, Site, assess
from edge.hold.clause import AT_PRESSURE, FED, Said, by_alarm, by_drop, off_pressure
from edge.hold.decision import CANNOT_TELL, LEAKS, decide, look_s, looks, tail
from edge.model import SUPPLY

VERSION = 2
"""Of the judgement of hold tests; kept with every outcome."""

GAUGE_S = 30.0
"""The gauge is read, at the start and at any moment after, as the mean over so many seconds."""

STEP_KPA = 0.7
STEP_FROM_S = 60.0
STEP_LINE_S = 60.0
STEP_WEATHER_KPA_PER_H = 3.0
"""A step departs from the last minute's line by more than noise (six times its standard error), weather's
bend and this, 0.1 psi. Common practice, no source."""

RISE_K_PER_H, RISE_K = 18.0, 25.0
"""Sun and heating warm the gas no faster and no farther (an allowance, no source): what rises more
is being fed."""

RISE_TAIL = 5e-5
RISE_SHARE = 0.25
"""A loss surely below zero by a quarter of the limit means that something feeds the section."""

FED_DROP_KPA = 1.0
FED_NEAR_KPA = 2.0 * PSI
"""A section that never fell by so much, at about the pressure that its device regulates to, stands
as one that is still fed: 0.15 and 2 psi. Common practice, no source."""

LINE_ROSE_SHARE = 0.3
"""Where no run contact is fitted, a line that rose by this share of its band was fed."""

SILENT_S = 60.0
SILENT_LOOKS = 3
AWAY_S, AWAY_SHARE = 120.0, 0.02
MISSING_SHARE = 0.2
STEPS = 61


class Outcome(NamedTuple):
    """How a test ended, `end_s` after its start. `void` says why it does not count."""

    verdict: str
    void: str | None
    end_s: float
    estimate: Estimate | None
    raw_drop_kpa: float | None
    code_result: str | None
    limit_kpa_per_h: float
    decided_after_s: float | None
    code_open: str | None = None  # why a standard's clause gives no result (edge.hold.clause)
    fed: bool = False  # it looks as if the section was still fed


class Holding(Kept):
    """Follows one test from its start; `start_t` is None before.

    `terms` (plain data): method (Method.plain()), hold_loss_kpa_per_h, floor_kpa or None, to_end
    (go on when the evidence already suffices); perhaps section, void_on_run, line_band_kpa,
    regulated_kpa, and what a person said: alarm_kpa, operated, device_proved. `site` the fields of
    arithmetic.Site.
    """

    KEPT = (
        "start_t",
        "terms",
        "site",
        "bins",
        "first",
        "recent",
        "steps",
        "last_s",
        "good_s",
        "silent",
        "missing_s",
        "looked",
        "evident",
        "evident_s",
        "failed",
        "lowest",
        "least_kpa",
        "line_low_kpa",
        "line_fed",
    )

    def __init__(self) -> None:
        self.bins = Bins()
        self.clear()

    def clear(self) -> None:
        self.start_t: float | None = None
        self.terms: dict[str, Any] = {}
        self.site: dict[str, Any] = {}
        self.bins.clear()
        self.first = [0.0, 0.0]  # readings of the gauge at the start, and their sum
        self.recent: list[list[float]] = []  # second, kPa; the last minute or some twenty readings
        self.steps: list[float] = []  # seconds between the last readings
        self.last_s = 0.0  # of any tick
        self.good_s: float | None = None  # of a tick with a pressure
        self.silent = 0  # ticks without one since
        self.missing_s = 0.0
        self.looked = 0
        self.evident: str | None = None  # the verdict that the evidence already suffices for
        self.evident_s: float | None = None
        self.failed = False  # the raw gauge has passed the method's limit
        self.lowest: list[float] | None = None  # second and kPa of the lowest smoothed pressure
        self.least_kpa: float | None = None  # the lowest that the gauge was read
        self.line_low_kpa: float | None = None  # a system's line: its lowest pressure
        self.line_fed = False  # the generator ran during the test

    def begin(self, t: float, terms: Mapping[str, Any], site: Mapping[str, Any]) -> None:
        self.clear()
        self.start_t = t
        self.terms, self.site = dict(terms), dict(site)

    # --- what it knows

    def seconds(self, t: float) -> float:
        return round(t - (self.start_t or 0.0), 3)

    @property
    def first_kpa(self) -> float | None:
        return self.first[1] / self.first[0] if self.first[0] else None

    @property
    def gauge_kpa(self) -> float | None:
        """The gauge now."""
        if not self.recent:
            return None
        since = self.recent[-1][0] - GAUGE_S
        near = [kpa for s, kpa in self.recent if s > since]
        return sum(near) / len(near)

    @property
    def limit_kpa_per_h(self) -> float:
        """The rate that uses up in the method's time just what it allows."""
        method = self.terms["method"]
        drop = method["drop_kpa"]
        if method["to_low_limit"]:
            drop = max((self.first_kpa or 0.0) - self.down_to_kpa, 0.01)
        if drop is None:
            return float(self.terms["hold_loss_kpa_per_h"])
        return float(drop) / float(method["duration_s"]) * 3600.0

    @property
    def down_to_kpa(self) -> float:
        """With the source shut off: where the alarm is set, if that was told, else the low limit."""
        alarm = self.terms.get("alarm_kpa")
        return float(self.terms["floor_kpa"] if alarm is None else alarm)

    @property
    def off_pressure(self) -> bool:
        """Whether it was begun at another pressure than its standard's."""
        return off_pressure(self.terms["method"], self.first_kpa)

    @property
    def unproved(self) -> bool:
        """Whether a system stands just as one that is still fed would, and nobody has proved that
        its device is closed."""
        first, least = self.first_kpa, self.least_kpa
        if self.terms.get("section", SUPPLY) == SUPPLY or self.terms.get("device_proved"):
            return False
        if first is None or least is None or first - least >= FED_DROP_KPA:
            return False
        regulated = self.terms.get("regulated_kpa")
        return bool(regulated is None or abs(first - regulated) <= FED_NEAR_KPA)

    @property
    def standard(self) -> bool:
        """Whether the raw gauge decides a result of its own."""
        return bool(self.terms["method"]["duration_s"])

    def away_s(self, s: float) -> float:
        """How long the monitor may be away: two minutes, or a fiftieth of a long test."""
        return max(AWAY_S, AWAY_SHARE * max(s, self.terms["method"]["duration_s"] or 0.0))

    def estimate(self) -> Estimate | None:
        return assess(
            self.bins,
            Site(
                float(self.terms["atmosphere_kpa"]),
                self.site["sums"],
                self.site["lagged"],
                self.site["heard_s"],
                self.site["settling_since_s"],
            ),
        )

    # --- what it is told

    def look(
        self,
        t: float,
        kpa: float | None,
        contact: float | None,
        celsius: float | None,
        barometer_kpa: float | None,
        why: str | None,
        line_kpa: float | None = None,
    ) -> Outcome | None:
        """One tick; the outcome when the test is over. `why` explains a missing pressure; `line_kpa`
        is the pressure of a system's line."""
        s = self.seconds(t)
        away, self.last_s = s - self.last_s, s
        if away > self.away_s(s) and away > 3.0 * self._step():
            return self._void(s, f"the monitor was away for {away:.0f} s")
        if self._fed_line(contact, line_kpa) and self.terms.get("void_on_run", True):
            return self._void(s, "the generator started")
        if kpa is None:
            return self._silence(s, why)
        self._count(s)
        self.bins.add(s, kpa, celsius, barometer_kpa)
        if s <= GAUGE_S or not self.first[0]:
            self.first[0] += 1.0
            self.first[1] += kpa
        moved = self._moved(s, kpa)
        if moved is not None:
            return self._void(s, moved)
        return self._judge(s)

    def stop(self, t: float) -> Outcome:
        """End it here, by request or because a recording ends: judged by what there is."""
        return self._end(max(self.seconds(t), 0.0))

    # --- underneath

    def _step(self) -> float:
        """The usual seconds between readings."""
        return sorted(self.steps)[len(self.steps) // 2] if self.steps else 1.0

    def _count(self, s: float) -> None:
        if self.good_s is not None:
            step = s - self.good_s
            usual = self._step() if len(self.steps) >= 5 else step
            if step > 1.5 * usual:
                self.missing_s += step - usual
            self.steps = [*self.steps[1 - STEPS :], step]
        else:
            self.missing_s += s
        self.good_s, self.silent = s, 0

    def _silence(self, s: float, why: str | None) -> Outcome | None:
        self.silent += 1
        since = s - (self.good_s or 0.0)
        if since > SILENT_S and self.silent >= SILENT_LOOKS:
            return self._void(s, f"the pressure sensor failed: {why or 'no reading'}")
        return None

    def _fed_line(self, contact: float | None, line_kpa: float | None) -> bool:
        """Whether the generator has run since the test began: by its contact, and where none is
        fitted by the pressure of the line in front of a system."""
        if contact is not None:
            self.line_fed = self.line_fed or contact > 0.5
        elif line_kpa is not None and self.terms.get("line_band_kpa"):
            low = line_kpa if self.line_low_kpa is None else min(self.line_low_kpa, line_kpa)
            self.line_low_kpa = low
            rose = line_kpa - low > LINE_ROSE_SHARE * self.terms["line_band_kpa"]
            self.line_fed = self.line_fed or rose
        return self.line_fed

    def _moved(self, s: float, kpa: float) -> str | None:
        """Why the pressure moved as no leak and no weather moves it, or None."""
        if not self.recent or s - self.recent[-1][0] >= 0.5:
            self.recent.append([s, kpa])
        usual = self._step()
        tip = 5 if usual < 15.0 else 3  # readings: most of them must agree, a spike does not
        keep_s = max(STEP_LINE_S, 10.0 * usual) + tip * usual
        while len(self.recent) > tip + 10 and self.recent[0][0] < s - keep_s:
            del self.recent[0]
        before, last = self.recent[:-tip], self.recent[-tip:]
        if len(before) < 8 or s < STEP_FROM_S:
            return None
        fit = line([p[0] for p in before], [p[1] for p in before])
        now = sorted(p[1] for p in last)[tip // 2]
        at = sum(p[0] for p in last) / tip
        hours = (at - fit.mean_x) / 3600.0
        away = now - fit.at(at)
        # The line's own error where it is carried on to, and that of the median it is held against.
        carried = 1.0 / len(before) + (at - fit.mean_x) ** 2 / fit.sxx
        noise = 6.0 * fit.rms * sqrt(carried + 0.5)
        if abs(away) > max(STEP_KPA, noise) + STEP_WEATHER_KPA_PER_H * hours:
            way = "rose" if away > 0.0 else "fell"
            return f"a valve was opened: the pressure {way} in a step"
        if self.lowest is None or now <= self.lowest[1]:
            self.lowest = [at, now]
            return None
        kelvin = (now + self.terms["atmosphere_kpa"]) / (ASSUMED_C + ZERO_C_K)
        warming = min(RISE_K_PER_H * (at - self.lowest[0]) / 3600.0, RISE_K) * kelvin
        if now - self.lowest[1] > STEP_KPA + noise + warming:
            return "the pressure rose as no weather makes it: a valve was opened or gas is fed in"
        return None

    def _judge(self, s: float) -> Outcome | None:
        method, first, gauge = self.terms["method"], self.first_kpa, self.gauge_kpa
        to_end = bool(self.terms["to_end"])
        if gauge is not None:
            self.least_kpa = gauge if self.least_kpa is None else min(self.least_kpa, gauge)
        if first is not None and gauge is not None and s > GAUGE_S:
            drop = method["drop_kpa"]
            if drop is not None and first - gauge > drop:
                self.failed = True
            if method["to_low_limit"] and gauge <= self.down_to_kpa:
                self.failed = True
        if s >= look_s(self.looked):
            while s >= look_s(self.looked):
                self.looked += 1
            ended = self._look(s)
            if ended is not None:
                return ended
        if self.standard:
            over = s >= float(method["duration_s"]) or (self.failed and not to_end)
        else:
            over = not to_end and (self.evident is not None or s >= float(method["longest_s"]))
        return self._end(s) if over else None

    def _look(self, s: float) -> Outcome | None:
        spoilt = self._spoilt(s)
        estimate = self.estimate()
        if spoilt is None:
            spoilt = self._fed(estimate)
        if spoilt is not None:
            return self._void(s, spoilt)
        longest_s = float(self.terms["method"]["longest_s"])
        # A stretch that goes on for longer than planned has spent its looks: then the end decides.
        if self.evident is None and self.looked <= looks(longest_s):
            risk = tail(longest_s, final=False)
            verdict = decide(estimate, self.limit_kpa_per_h, risk)
            if verdict != CANNOT_TELL:
                self.evident, self.evident_s = verdict, s
        return None

    def _spoilt(self, s: float) -> str | None:
        missing = self.missing_s + (
            s - self.good_s if self.good_s is not None and self.silent else 0
        )
        if s > 0.0 and missing > MISSING_SHARE * s:
            return f"{100.0 * missing / s:.0f} % of the readings are missing"
        return None

    def _fed(self, estimate: Estimate | None) -> str | None:
        if estimate is None:
            return None
        if estimate.at_most(RISE_TAIL) < -RISE_SHARE * self.limit_kpa_per_h:
            return "the pressure rose more than the weather explains: gas is fed in"
        return None

    def _end(self, s: float) -> Outcome:
        estimate = self.estimate()
        spoilt = self._spoilt(s) or self._fed(estimate)
        if spoilt is not None:
            return self._void(s, spoilt)
        method = self.terms["method"]
        limit = self.limit_kpa_per_h
        risk = tail(float(method["longest_s"]), final=True)
        verdict = decide(estimate, limit, risk)
        fed = self.line_fed and self.unproved and estimate is not None and estimate.low <= 0.0
        code, still_open = self._clause(s, fed)
        evident_s = self.evident_s
        if evident_s is None and verdict != CANNOT_TELL:
            evident_s = s
        if fed:
            verdict, evident_s = CANNOT_TELL, None
        return Outcome(
            verdict, None, s, estimate, self._drop(), code, limit, evident_s, still_open, fed
        )

    def _clause(self, s: float, fed: bool) -> Said:
        """What the method's clause says at the end, second `s`."""
        method, terms = self.terms["method"], self.terms
        if not self.standard:
            return None, None
        whole = s >= float(method["duration_s"])
        if method["to_low_limit"]:
            return by_alarm(terms.get("operated"), terms.get("alarm_kpa"), self.least_kpa, whole)
        if self.off_pressure:
            return None, AT_PRESSURE
        return (None, FED) if fed else by_drop(self.failed, whole)

    def _void(self, s: float, why: str) -> Outcome:
        return Outcome(
            CANNOT_TELL, why, s, self.estimate(), self._drop(), None, self.limit_kpa_per_h, None
        )

    def _drop(self) -> float | None:
        first, gauge = self.first_kpa, self.gauge_kpa
        return None if first is None or gauge is None else first - gauge


def leaking(outcome: Outcome) -> bool:
    """Whether a person must act on it."""
    return outcome.void is None and (outcome.verdict == LEAKS or outcome.code_result == "fail")


def points(bins: Bins) -> Sequence[Sequence[float]]:
    """The trace: [second, gauge kPa] of every mean, 128 at most."""
    return [[round(b[2] / b[1], 1), round(b[3] / b[1], 4)] for b in bins.bins]
