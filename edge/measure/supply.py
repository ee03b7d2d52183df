"""The supply line measured: turns, runs, rests, purity, each told as an event when known."""

from typing import Any

from edge.core.kept import Kept
from edge.measure.purity import Purity
from edge.measure.rest import Rest
from edge.measure.runs import Runs
from edge.measure.turns import ByContact, FromPressure, Turn
from edge.measure.weather import Weather
from edge.model import SUPPLY, Event, iso
from edge.settings import Settings
from edge.words import Words

CONTACT_PATIENCE_S = 60.0
"""A run contact silent for longer is done without: turns are then inferred."""


class Supply(Kept):
    """Follows one supply. Feed it every tick with `look`; read its attributes between."""

    KEPT = (
        "t",
        "kpa",
        "step_s",
        "by_contact",
        "contact",
        "pressure_only",
        "contact_t",
        "running",
        "since_t",
        "since_known",
        "since_kpa",
        "cut_in_kpa",
        "cut_out_kpa",
        "rise_kpa_per_h",
        "run_from",
        "loss",
        "weather",
        "rest",
        "runs",
        "purity",
    )

    def __init__(self, settings: Settings, words: Words) -> None:
        supply, site = settings.supply, settings.site
        self._words = words
        self._has_contact = supply.running is not None
        atmosphere = site.atmosphere_kpa
        self.reference_absolute_kpa = (supply.cut_in_kpa + supply.cut_out_kpa) / 2.0 + atmosphere
        self.offset_s = 0.0
        self.t: float | None = None  # of the last pressure reading
        self.kpa: float | None = None
        self.step_s = 10.0  # smoothed seconds between pressure readings
        self.by_contact = self._has_contact
        self.contact_t: float | None = None
        self.contact = ByContact()
        self.pressure_only = FromPressure(
            supply.cut_in_kpa, supply.cut_out_kpa, supply.tolerance_kpa, atmosphere
        )
        self.running: bool | None = None
        self.since_t: float | None = None  # when the present run or rest began, or was first seen
        self.since_known = False
        self.since_kpa = 0.0
        self.run_from: float | None = None
        self.cut_in_kpa: float | None = None
        self.cut_out_kpa: float | None = None
        self.rise_kpa_per_h: float | None = None
        self.loss: dict[str, Any] | None = None  # the last idle_measured
        self.weather = Weather(atmosphere)
        self.rest = Rest(SUPPLY, self.reference_absolute_kpa, supply.volume_l, self.weather, words)
        self.runs = Runs()
        self.purity = Purity(supply.warm_up_s, words)

    def stamp(self, t: float) -> float:
        """Steady seconds as seconds since 1970."""
        return t + self.offset_s

    def look(
        self,
        t: float,
        kpa: float | None,
        contact: float | None,
        oxygen_pct: float | None,
        celsius: float | None,
        barometer_kpa: float | None,
    ) -> list[Event]:
        facts: list[Event] = []
        if celsius is not None:
            self.weather.hear(t, celsius)
        if contact is not None:
            self.contact_t = t
        if kpa is None:
            # The run contact alone still counts runtime and lets purity be judged.
            return self._purity(t, oxygen_pct, facts)
        gap_s = t - self.t if self.t is not None else 0.0
        longest_s = max(180.0, 6.0 * self.step_s)
        if gap_s > longest_s:
            self._gap(facts)
        elif gap_s > 0.0:
            self.step_s += 0.1 * (gap_s - self.step_s)
        self.runs.watch(t, longest_s)
        turn = self._follow(t, kpa, contact)
        if turn is not None:
            self._turned(turn, facts)
        self.t, self.kpa = t, kpa
        if not self.running and self.rest.start_t is not None:
            self.rest.add(t, kpa, celsius, barometer_kpa)
            if self.rest.full(t):
                self._measured(self.rest.close(t, self.stamp), facts)
                self.rest.go_on(t)
        return self._purity(t, oxygen_pct, facts)

    def _purity(self, t: float, oxygen_pct: float | None, facts: list[Event]) -> list[Event]:
        if oxygen_pct is not None or self.purity.valid:
            fact = self.purity.look(t, oxygen_pct, self.run_from, self.stamp)
            if fact is not None:
                facts.append(fact)
        return facts

    def _follow(self, t: float, kpa: float, contact: float | None) -> Turn | None:
        if self._has_contact:
            told = contact is not None or (
                self.contact_t is not None and t - self.contact_t <= CONTACT_PATIENCE_S
            )
            if told != self.by_contact:
                self._forget()
                self.by_contact = told
        if not self.by_contact:
            turn = self.pressure_only.follow(t, kpa)
            if self.since_t is None:
                self.since_t, self.since_kpa = t, kpa
            return turn
        if contact is None:
            return None
        turn = self.contact.follow(t, kpa, contact)
        if self.running is None and turn is None:
            # First seen in the middle of a run or a rest: when it began is not known.
            self.running = self.contact.running
            self.since_t, self.since_known, self.since_kpa = t, False, kpa
            if self.running:
                self.run_from = t
                self.runs.started(t)
            else:
                self.rest.begin(t)
        return turn

    def _turned(self, turn: Turn, facts: list[Event]) -> None:
        at = self.stamp(turn.t)
        numbers = {"pressure_kpa": round(turn.kpa, 4), "inferred": turn.inferred}
        seen = ", as the pressure shows" if turn.inferred else ""
        written = self._words.pressure(turn.kpa)
        if turn.running:
            # Inferred rests that were first seen under way were perhaps no rests at all.
            self._measured(self.rest.close(turn.t, self.stamp), facts)
            self.rest.drop()
            self.cut_in_kpa = turn.kpa
            self.run_from = turn.t
            self.runs.started(turn.t)
            text = f"The generator started at {written}{seen}."
            facts.append(Event(at, "cut_in", text, SUPPLY, numbers))
        else:
            self.cut_out_kpa = turn.kpa
            text = f"The generator stopped at {written}{seen}."
            facts.append(Event(at, "cut_out", text, SUPPLY, numbers))
            if self.running and self.since_known and self.since_t is not None:
                facts.append(self._run(turn, self.since_t))
            self.run_from = None
            self.runs.stopped(turn.t)
            self.rest.begin(turn.t)
        self.running = turn.running
        self.since_t, self.since_known, self.since_kpa = turn.t, True, turn.kpa

    def _run(self, turn: Turn, start_t: float) -> Event:
        run_s = turn.t - start_t
        rise = (turn.kpa - self.since_kpa) / max(run_s, 1.0) * 3600.0
        self.rise_kpa_per_h = rise
        return Event(
            self.stamp(turn.t),
            "run_measured",
            f"A run of {self._words.duration(run_s)} raised the pressure by"
            f" {self._words.rate(rise)}.",
            SUPPLY,
            {
                "started": iso(self.stamp(start_t)),
                "run_s": round(run_s, 3),
                "rise_kpa_per_h": round(rise, 4),
            },
        )

    def _measured(self, fact: Event | None, facts: list[Event]) -> None:
        if fact is not None:
            facts.append(fact)
            self.loss = fact.as_json()

    def _gap(self, facts: list[Event]) -> None:
        """Readings were missing for longer than a turn can be trusted to have been seen."""
        if self.t is not None:
            if self.running is False:
                self._measured(self.rest.close(self.t, self.stamp), facts)
            self.runs.stopped(self.t)
        self._forget()

    def _forget(self) -> None:
        if self.runs.open_t is not None and self.t is not None:
            self.runs.stopped(self.t)
        self.rest.drop()
        self.contact.forget()
        self.pressure_only.forget()
        self.running = self.run_from = self.since_t = None
        self.since_known = False
