"""The supply line measured: turns, runs, rests, purity, each told as an event when known."""

from typing import Any

from edge.core.kept import Kept
from edge.core.units import STANDARD_KPA
from edge.measure.minutes import Minutes
from edge.measure.purity import Purity
from edge.measure.rest import LONGEST_SETTLING_S, Rest
from edge.measure.runs import Runs
from edge.measure.turns import ByContact, FromPressure, Turn
from edge.measure.weather import Weather
from edge.model import SUPPLY, Event, iso
from edge.settings import Settings
from edge.words import Words

CONTACT_PATIENCE_S = 60.0
"""A run contact silent for longer is done without: turns are then inferred."""

LONGEST_STEP_S = 900.0
"""Readings farther apart than this are no steady pace to get used to."""


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
        "minutes",
        "rest",
        "runs",
        "purity",
        "unsure_pct",
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
            supply.cut_in_kpa,
            supply.cut_out_kpa,
            supply.tolerance_kpa,
            atmosphere,
            _pace_kpa_per_h(supply.production_l_min, supply.volume_l),
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
        self.minutes = Minutes()
        self.rest = Rest(SUPPLY, self.reference_absolute_kpa, supply.volume_l, self.weather, words)
        self.runs = Runs()
        self.purity = Purity(supply.warm_up_s, words)
        self.unsure_pct: list[list[float]] = []  # oxygen that a run may not have made

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
        longest_s = max(180.0, 6.0 * self.step_s)
        self._silence(t, contact, longest_s, facts)
        if contact is not None:
            self.contact_t = t
        if (contact if self.by_contact else kpa) is not None:
            self.runs.watch(t, longest_s)
        if kpa is None:
            if self.by_contact and contact is not None:
                self._blind(t, contact > 0.5, longest_s)
            return self._purity(t, oxygen_pct, facts)
        if self.t is not None:
            self.step_s += 0.1 * (min(t - self.t, LONGEST_STEP_S) - self.step_s)
        turn = self._follow(t, kpa, contact)
        if turn is not None:
            self._turned(turn, facts)
        self.t, self.kpa = t, kpa
        self.minutes.add(t, kpa)
        if self.running is False and self.rest.start_t is None and self.by_contact:
            # A rest first seen under way may still be settling from a run that was not seen.
            self.rest.begin(t, LONGEST_SETTLING_S - (t - (self.since_t or t)))
        if not self.running and self.rest.start_t is not None:
            self.rest.add(t, kpa, celsius, barometer_kpa)
            if self.rest.full(t):
                self._measured(self.rest.close(t, self.stamp), facts)
                self.rest.go_on(t)
        return self._purity(t, oxygen_pct, facts)

    def _silence(
        self, t: float, contact: float | None, longest_s: float, facts: list[Event]
    ) -> None:
        """Forget what can no longer be trusted to have been seen since the last look."""
        if self._has_contact:
            patience_s = max(CONTACT_PATIENCE_S, 3.0 * self.step_s)
            told = contact is not None or (
                self.contact_t is not None and t - self.contact_t <= patience_s
            )
            if told != self.by_contact:
                self._forget(facts)
                self.by_contact = told
        seen_t = self._seen_t()
        if seen_t is not None and t - seen_t > longest_s and self.since_t is not None:
            self._forget(facts)
        if self.t is not None and t - self.t > longest_s:
            # The contact may go on telling, but no loss is measured across missing pressure.
            self._close_rest(self.t, facts)

    def _seen_t(self) -> float | None:
        """When that which tells the turns was last heard."""
        return self.contact_t if self.by_contact else self.t

    def _blind(self, t: float, running: bool, longest_s: float) -> None:
        """The run contact alone still counts runtime and lets purity be judged."""
        self.contact.hear(t, running)
        if self.t is not None and t - self.t <= longest_s:
            return  # a turn is told with the next pressure
        if running == self.running:
            return
        turned_t = t if self.contact.edge_t is None else self.contact.edge_t
        self.contact.forget()
        self.contact.running = running
        self._first_seen(turned_t, running)

    def _first_seen(self, t: float, running: bool) -> None:
        """In the middle of a run or a rest: when or at what pressure it began is not known."""
        self.runs.stopped(t)
        self.rest.drop()
        self.running, self.since_t, self.since_known = running, t, False
        self.run_from = t if running else None
        if running:
            self.runs.started(t)

    def _purity(self, t: float, oxygen_pct: float | None, facts: list[Event]) -> list[Event]:
        if self.running and not self.by_contact:
            self._unsure_purity(t, oxygen_pct, facts)
            return facts
        self.unsure_pct = []
        if oxygen_pct is not None or self.purity.valid or self.purity.n:
            fact = self.purity.look(t, oxygen_pct, self.run_from, self.stamp)
            if fact is not None:
                facts.append(fact)
        return facts

    def _unsure_purity(self, t: float, oxygen_pct: float | None, facts: list[Event]) -> None:
        """Without a contact, oxygen counts only once later pressure shows that the run went on."""
        if oxygen_pct is not None and (not self.unsure_pct or t - self.unsure_pct[-1][0] >= 10.0):
            self.unsure_pct = [*self.unsure_pct[-199:], [t, oxygen_pct]]
        sure_t = self.pressure_only.sure_t
        for at, pct in [row for row in self.unsure_pct if row[0] <= sure_t]:
            fact = self.purity.look(at, pct, self.run_from, self.stamp)
            if fact is not None:
                facts.append(fact)
        self.unsure_pct = [row for row in self.unsure_pct if row[0] > sure_t]

    def _follow(self, t: float, kpa: float, contact: float | None) -> Turn | None:
        if not self.by_contact:
            turn = self.pressure_only.follow(t, kpa)
            if self.since_t is None:
                self.since_t, self.since_kpa = t, kpa
            if turn is not None and not turn.seen:
                self._first_seen(turn.t, turn.running)
                return None
            return turn
        if contact is None:
            return None
        turn = self.contact.follow(t, kpa, contact)
        if self.running is None and turn is None:
            self._first_seen(t, contact > 0.5)
        return turn

    def _turned(self, turn: Turn, facts: list[Event]) -> None:
        at = self.stamp(turn.t)
        numbers: dict[str, Any] = {"pressure_kpa": round(turn.kpa, 4), "inferred": turn.inferred}
        if self.since_t is not None and not self.since_known:
            numbers["seen_from"] = iso(self.stamp(self.since_t))
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

    def _close_rest(self, t: float, facts: list[Event]) -> None:
        """Measure the rest under way up to `t`, the last that was seen of it."""
        if self.rest.start_t is None:
            return
        # Without a contact, a rise may be a run that had only begun to show.
        if self.by_contact or not self.pressure_only.rising:
            self._measured(self.rest.close(t, self.stamp), facts)
        self.rest.drop()

    def _forget(self, facts: list[Event]) -> None:
        """Readings were missing for longer than a turn can be trusted to have been seen."""
        seen_t = self._seen_t()
        if seen_t is not None:
            self._close_rest(seen_t, facts)
            self.runs.stopped(seen_t)
        self.contact.forget()
        self.pressure_only.forget()
        self.running = self.run_from = self.since_t = None
        self.since_known = False


def _pace_kpa_per_h(production_l_min: float | None, volume_l: float | None) -> float | None:
    """The rise that a production makes in a volume, at the standard temperature."""
    if production_l_min is None or volume_l is None:
        return None
    return production_l_min * 60.0 * STANDARD_KPA / volume_l
