"""What the gas in each section is becoming: well mixed, from fills, makeup and loss.

An estimate, and an upper bound on the oxygen. Dead-end branches mix slowly, so every time worked
out from it is the least that it can take. A section starts as air where nobody knows better.
"""

from collections.abc import Callable, Iterable, Mapping, Sequence
from math import isfinite
from typing import Any

from edge.core.kept import Kept
from edge.core.purge import AIR_PCT, flow_for_l_min, held_l, minutes_to, mixed_pct
from edge.measure.supply import Supply
from edge.measure.system import System
from edge.model import SUPPLY, Event, Request, iso
from edge.settings import Settings
from edge.words import Words

STEP_S = 60.0
EMPTY_KPA = 7.0
"""Under about 1 psi of gauge pressure a section has been let down, and perhaps opened."""

FILLED_REL, FILLED_UNMEASURED_REL, FILLING_REL = 0.03, 0.08, 0.01
"""How far a system's gas must have grown to be a fill and no weather: with its temperature, without
it, and within an hour of having grown. Common practice, no source."""

FILLING_S = 3600.0
GAP_S = 900.0
CELL_PCT = 0.3
"""What a cell set in air may be wrong by at 2 % (the wider end of the usual 0.1 to 0.3 %)."""

NEAR_AIR_PCT = 15.0
NOTABLE_PCT = 1.0
PATIENCE_MIN = 14.0 * 1440.0
"""For the vent that would do it within two weeks."""

UNKNOWN, DRAINED, BYPASS, MEASURED = "not known before", "drained", "bypass fill", "measured"
DENIED = "flow denied"
DENIED_SHARE = 0.5
"""A hold test that leaves a section at most this share of the flow that was taken for it denies what
was worked out with that flow."""
RESTART = "gas_restart"


class Vessel(Kept):
    """The gas of one section. Oxygen in %, amounts in standard litres."""

    KEPT = (
        "oxygen_pct", "high_pct", "since_at", "why", "held", "at_t", "filled_t", "empty", "reached",
        "before_pct", "added", "added_low", "lost", "leak_l_min", "leak_low_l_min",
        "flow_l_min", "flow_low_l_min", "celsius", "volume_l",
    )  # fmt: skip

    def __init__(self, volume_l: float, volume_rel: float, atmosphere_kpa: float) -> None:
        self.volume_l, self._atmosphere_kpa = volume_l, atmosphere_kpa
        self._surely = 1.0 / (1.0 + 2.0 * volume_rel)  # share of an exchange if it were larger
        self.oxygen_pct: float | None = None
        self.high_pct = AIR_PCT
        self.since_at: float | None = None
        self.why = UNKNOWN
        self.held = 0.0
        self.at_t: float | None = None
        self.filled_t: float | None = None
        self.empty = False
        self.reached = False
        self.before_pct: float | None = None  # before air began to come in
        self.added = self.added_low = self.lost = 0.0  # not mixed yet: what came in is not known
        self.leak_l_min: float | None = None  # as a hold test of this section found
        self.leak_low_l_min = 0.0
        self.flow_l_min = self.flow_low_l_min = 0.0  # what is made up now
        self.celsius: float | None = None

    def restore(self, state: dict[str, Any]) -> None:
        """A volume that the settings tell otherwise now was always so: that is no fill."""
        volume_l = self.volume_l
        super().restore(state)
        scale, self.volume_l = volume_l / self.volume_l, volume_l
        self.held *= scale
        self.added *= scale
        self.added_low *= scale
        self.lost *= scale

    def begin(self, t: float, at: float, kpa: float) -> None:
        self.at_t, self.held = t, self.gas_l(kpa)
        self.restart(AIR_PCT, AIR_PCT, UNKNOWN, at)

    def restart(self, oxygen_pct: float, high_pct: float, why: str, at: float) -> None:
        self.oxygen_pct, self.high_pct, self.why, self.since_at = oxygen_pct, high_pct, why, at
        self.added = self.added_low = self.lost = 0.0
        self.reached = False

    def gas_l(self, kpa: float) -> float:
        return held_l(self.volume_l, max(kpa + self._atmosphere_kpa, 1.0), self.celsius)

    def line(self, t: float, kpa: float, running: bool) -> None:
        """The supply's line: gas comes in while the generator runs, and only then."""
        dt_min = self._pass(t)
        now = self.gas_l(kpa)
        grown = now - self.held - self.added + self.lost
        if running:
            self.lost += self.flow_l_min * dt_min
            self.added += max(0.0, grown + self.flow_l_min * dt_min)
            self.added_low += max(0.0, grown + self.flow_low_l_min * dt_min)
        else:
            self.lost += max(0.0, -grown)

    def system(self, t: float, kpa: float) -> None:
        """A system: what it loses is made up, and a fill shows as gas that grows."""
        dt_min = self._pass(t)
        self.added += self.flow_l_min * dt_min
        self.lost += self.flow_l_min * dt_min
        if dt_min * 60.0 <= GAP_S:
            self.added_low += self.flow_low_l_min * dt_min
        now, model = self.gas_l(kpa), self.held + self.added - self.lost
        filling = self.filled_t is not None and t - self.filled_t <= FILLING_S
        least = (
            FILLING_REL
            if filling
            else FILLED_UNMEASURED_REL
            if self.celsius is None
            else FILLED_REL
        )
        if now > model * (1.0 + least):
            self.added += now - model
            self.added_low += now - model
            self.filled_t = t
        elif now < model * (1.0 - least):
            self.lost += model - now

    def _pass(self, t: float) -> float:
        """Minutes since the last step."""
        dt_s = 0.0 if self.at_t is None else t - self.at_t
        self.at_t = t
        return dt_s / 60.0

    def mix(self, supply_pct: float, supply_high_pct: float) -> None:
        """What came in since the last mixing had so much oxygen."""
        if self.oxygen_pct is None:
            return
        lost = min(self.lost, 0.99 * self.held + self.added)
        self.oxygen_pct = mixed_pct(self.oxygen_pct, supply_pct, self.held, self.added, lost)
        added = self.added_low * self._surely if supply_high_pct < self.high_pct else self.added
        if added > 0.0:
            self.high_pct = mixed_pct(self.high_pct, supply_high_pct, self.held, added, 0.0)
        self.high_pct = min(max(self.high_pct, self.oxygen_pct), AIR_PCT)
        self.held += self.added - lost
        self.added = self.added_low = self.lost = 0.0


class Gas(Kept):
    """The gas of every section whose volume is known. Feed it every tick, after the judgement."""

    KEPT = ("made_pct", "bypass", "running", "next_t")

    def __init__(self, settings: Settings, words: Words) -> None:
        self._settings, self._words = settings, words
        self._target_pct = 100.0 - settings.inerting.target_pct
        given = settings.inerting.nitrogen_pct
        self._given_pct = None if given is None else 100.0 - given
        self.vessels: dict[str, Vessel] = {}
        for name, piping in ((SUPPLY, settings.supply), *((s.name, s) for s in settings.system)):
            volume = piping.gas_volume
            if volume is not None:
                self.vessels[name] = Vessel(
                    volume.litres, volume.sd / volume.litres, settings.site.atmosphere_kpa
                )
        self._litres = {s.name: s.volume_l for s in settings.system if s.volume_l is not None}
        self._thermometers = {
            SUPPLY: settings.place(settings.supply.temperature),
            **{s.name: settings.place(s.temperature) for s in settings.system},
        }
        self.denied: list[str] = []  # sections whose supposed flow a hold test has just denied
        self.made_pct: float | None = None  # the generator's oxygen, as last judged
        self.bypass = False
        self.running: bool | None = None
        self.next_t = float("-inf")

    def state(self) -> dict[str, Any]:
        next_t = self.next_t if isfinite(self.next_t) else None
        vessels = {name: vessel.state() for name, vessel in self.vessels.items()}
        return {**super().state(), "next_t": next_t, "vessels": vessels}

    def restore(self, state: dict[str, Any]) -> None:
        super().restore(state)
        if self.next_t is None:
            self.next_t = float("-inf")
        for name, vessel in self.vessels.items():
            if name in state.get("vessels", {}):
                vessel.restore(state["vessels"][name])

    def look(
        self,
        t: float,
        values: Sequence[float | None],
        supply: Supply,
        systems: Mapping[str, System],
        events: Iterable[Event],
    ) -> list[Event]:
        """`events` are the facts and alerts of this tick, among them what the gas depends on."""
        turned = supply.running != self.running
        for event in events:
            turned = self._learn(event) or turned
        facts: list[Event] = []
        for name in self.denied:
            # What is left is what it is at the most: fills and proved flow alone.
            most = self.vessels[name].high_pct
            facts.append(self._restart(name, most, most, DENIED, supply.stamp(t)))
        self.denied = []
        if t < self.next_t and not turned:
            return facts
        self.next_t = t + STEP_S
        self._flows(supply)
        for name, vessel in self.vessels.items():
            place = self._thermometers[name]
            if place is not None and values[place] is not None:
                vessel.celsius = values[place]
            seen = supply if name == SUPPLY else systems[name]
            if seen.t == t and seen.kpa is not None:
                # Up to this moment it ran or rested as it did at the last.
                self._step(name, vessel, t, seen.kpa, supply.stamp, facts)
        self._mix(supply)
        self.running = supply.running
        for name, vessel in self.vessels.items():
            self._tell(name, vessel, supply.stamp(t), facts)
        return facts

    def _learn(self, event: Event) -> bool:
        """Whether the event changes what comes in."""
        if event.kind in ("alert_raised", "alert_cleared"):
            if event.numbers["alert"] != "bypass_suspected":
                return False
            self.bypass = event.kind == "alert_raised"
            if self.bypass and (self.made_pct is None or self.made_pct < NEAR_AIR_PCT):
                # Runs too quick to be judged by their oxygen: how much was air is not known.
                for vessel in self.vessels.values():
                    vessel.high_pct = AIR_PCT
            return True
        if event.kind == "hold_test_finished" and event.section in self.vessels:
            vessel, numbers = self.vessels[event.section], event.numbers
            loss, rate = numbers.get("loss_l_min"), numbers.get("loss_kpa_per_h")
            counts = not numbers.get("void") and not numbers.get("still_fed")
            if counts and loss is not None and rate is not None:
                most = max(numbers.get("loss_high_l_min") or loss, 0.0)
                supposed = vessel.leak_l_min is None and event.section != SUPPLY
                if supposed and most < DENIED_SHARE * vessel.flow_l_min:
                    self.denied.append(event.section)
                low = numbers.get("loss_low_kpa_per_h") or 0.0
                vessel.leak_l_min = max(loss, 0.0)
                vessel.leak_low_l_min = max(loss * low / rate, 0.0) if rate > 0.0 else 0.0
        return False

    def _flows(self, supply: Supply) -> None:
        """What each section makes up: as its own hold test found, else its part of the supply's."""
        loss, line = supply.loss or {}, self.vessels.get(SUPPLY)
        total = max(loss.get("loss_l_min") or 0.0, 0.0)
        rate, low = loss.get("loss_kpa_per_h") or 0.0, loss.get("loss_low_kpa_per_h") or 0.0
        left = total - ((line.leak_l_min or 0.0) if line is not None else 0.0)
        untested = 0.0
        for name, litres in self._litres.items():
            if self.vessels[name].leak_l_min is None:
                untested += litres
            else:
                left -= self.vessels[name].leak_l_min or 0.0
        for name, vessel in self.vessels.items():
            if name == SUPPLY:
                vessel.flow_l_min = total
                vessel.flow_low_l_min = max(total * low / rate, 0.0) if rate > 0.0 else 0.0
            elif vessel.leak_l_min is not None:
                vessel.flow_l_min = vessel.leak_l_min
                vessel.flow_low_l_min = vessel.leak_low_l_min
            else:
                # It may all be lost from the line: then nothing in the system is exchanged.
                vessel.flow_l_min = max(left, 0.0) * self._litres[name] / untested
                vessel.flow_low_l_min = 0.0

    def _step(
        self,
        name: str,
        vessel: Vessel,
        t: float,
        kpa: float,
        stamp: Callable[[float], float],
        facts: list[Event],
    ) -> None:
        if vessel.oxygen_pct is None:
            vessel.begin(t, stamp(t), kpa)
        if kpa < EMPTY_KPA or (vessel.empty and kpa < 2.0 * EMPTY_KPA):
            if not vessel.empty:
                facts.append(self._restart(name, AIR_PCT, AIR_PCT, DRAINED, stamp(t)))
            vessel.empty, vessel.at_t, vessel.held = True, t, vessel.gas_l(kpa)
            return
        vessel.empty = False
        if name == SUPPLY:
            vessel.line(t, kpa, bool(self.running))
        else:
            vessel.system(t, kpa)

    def _mix(self, supply: Supply) -> None:
        """Mix in what came in, once it is known what it was."""
        purity = supply.purity
        if purity.valid and purity.now_pct is not None:
            self.made_pct = 100.0 - purity.now_pct
        elif supply.running and self._settings.supply.oxygen is not None:
            return  # in the warm part of this run it will be known
        made = self.comes_in_pct()
        if made is None:
            return
        high = min(made + CELL_PCT, AIR_PCT)
        line = self.vessels.get(SUPPLY)
        if made > NEAR_AIR_PCT:
            for vessel in self.vessels.values():
                if vessel.before_pct is None:
                    vessel.before_pct = vessel.oxygen_pct
        if line is not None:
            line.mix(made, high)
        for name, vessel in self.vessels.items():
            if name != SUPPLY:
                if line is not None and line.oxygen_pct is not None:
                    vessel.mix(line.oxygen_pct, line.high_pct)
                else:
                    vessel.mix(made, high)

    def comes_in_pct(self) -> float | None:
        """Oxygen of what the supply gives now, None where it is neither measured nor told."""
        if self.bypass:
            return AIR_PCT
        return self._given_pct if self.made_pct is None else self.made_pct

    def _tell(self, name: str, vessel: Vessel, at: float, facts: list[Event]) -> None:
        oxygen, made = vessel.oxygen_pct, self.comes_in_pct()
        if oxygen is None or made is None:
            return
        if vessel.before_pct is not None:
            if oxygen > vessel.before_pct + NOTABLE_PCT:
                facts.append(self._restart(name, oxygen, vessel.high_pct, BYPASS, at))
                vessel.before_pct = 100.0  # told once, until nitrogen comes in again
            if made <= NEAR_AIR_PCT:
                vessel.before_pct = None
        if not vessel.reached and oxygen <= self._target_pct:
            vessel.reached = True
            text = (
                f"By the well-mixed model the gas in {_called(name)} may now be"
                f" {self._words.percent(100.0 - oxygen)} nitrogen, as is wanted; dead ends"
                " take longer."
            )
            facts.append(Event(at, "inerting_reached", text, name, self._numbers(vessel)))

    def _restart(self, name: str, oxygen_pct: float, high_pct: float, why: str, at: float) -> Event:
        vessel = self.vessels[name]
        vessel.restart(oxygen_pct, high_pct, why, at)
        said = {
            DRAINED: "has no pressure: it was drained or opened",
            BYPASS: "was filled in bypass, with air",
            MEASURED: "was measured with an analyzer",
            DENIED: "holds tighter than its estimate took for granted, by a hold test",
        }[why]
        text = (
            f"The gas in {_called(name)} starts again at"
            f" {self._words.percent(oxygen_pct)} oxygen: it {said}."
        )
        return Event(at, "inerting_restarted", text, name, {"why": why, **self._numbers(vessel)})

    @staticmethod
    def _numbers(vessel: Vessel) -> dict[str, Any]:
        return {
            "oxygen_pct": round(vessel.oxygen_pct or 0.0, 3),
            "oxygen_high_pct": round(vessel.high_pct, 3),
        }

    def ask(self, request: Request, at: float) -> list[Event]:
        """`gas_restart` with section and why: bypass fill, drained, or measured with oxygen_pct.

        KeyError or ValueError for one that makes no sense.
        """
        if request.kind != RESTART:
            return []
        name, why = str(request.what["section"]), str(request.what["why"])
        if name not in self.vessels or why not in (BYPASS, DRAINED, MEASURED):
            raise ValueError("section, why: expected a section of known volume and a known reason")
        oxygen = high = AIR_PCT
        if why == MEASURED:
            oxygen = float(request.what["oxygen_pct"])
            if not 0.0 <= oxygen <= AIR_PCT:
                raise ValueError("oxygen_pct: expected 0 to that of air")
            high = min(oxygen + CELL_PCT, AIR_PCT)
        return [self._restart(name, oxygen, high, why, at)]

    def picture(self, name: str, at: float) -> dict[str, Any]:
        """What is known of one section's gas now; `not_known` says why where nothing is."""
        vessel, made = self.vessels.get(name), self.comes_in_pct()
        if vessel is None:
            return {"not_known": "its volume is not told in the settings"}
        if made is None:
            return {"not_known": "the supply's purity is neither measured yet nor set"}
        if vessel.oxygen_pct is None or vessel.since_at is None:
            return {"not_known": "no pressure has been read yet"}
        oxygen, flow, target = vessel.oxygen_pct, vessel.flow_l_min, self._target_pct
        minutes = minutes_to(oxygen, made, target, vessel.held, flow)
        vent = self._settings.inerting.vent_l_min
        vented = minutes_to(oxygen, made, target, vessel.held, flow + (vent or 0.0))
        enough = flow_for_l_min(oxygen, made, target, vessel.held, PATIENCE_MIN)
        return {
            "oxygen_pct": round(oxygen, 3),
            "oxygen_high_pct": round(vessel.high_pct, 3),
            "target_oxygen_pct": target,
            "since": iso(vessel.since_at),
            "why": vessel.why,
            "supply_oxygen_pct": round(made, 3),
            "supply_from": "bypass"
            if self.bypass
            else "measured"
            if self.made_pct is not None
            else "settings",
            "held_l": round(vessel.held, 1),
            "makeup_l_min": round(flow, 3),
            "makeup_from": "the supply's loss"
            if name == SUPPLY
            else "its own hold test"
            if vessel.leak_l_min is not None
            else "its share of the supply's loss, the line taken as tight",
            "reached": oxygen <= target,
            "never": oxygen > target and made >= target,
            "earliest": _date(at, minutes),
            "vent_l_min": vent,
            "earliest_with_vent": None if vent is None else _date(at, vented),
            "vent_for_two_weeks_l_min": round(max(enough - flow, 0.0), 3)
            if isfinite(enough)
            else None,
        }


def _called(name: str) -> str:
    return "the supply line" if name == SUPPLY else name


def _date(at: float, minutes: float) -> str | None:
    """The moment so many minutes on; None for never, or past a hundred years."""
    return iso(at + 60.0 * minutes) if minutes < 100.0 * 366.0 * 1440.0 else None
