"""The course of a visit: begun, its steps answered or skipped in any order, signed. Pure.

Everything is kept, so that it goes on after a restart, from any device.
"""

from collections.abc import Mapping, Sequence
from datetime import datetime
from math import isfinite
from typing import Any

from edge.core.kept import Kept
from edge.measure.cells import Cells
from edge.measure.supply import Supply
from edge.model import Event, Request, Tick, iso
from edge.settings import Settings
from edge.visit import account, steps
from edge.visit.calibrate import AIR, GAS, calibrate
from edge.visit.conclude import conclude, entered
from edge.visit.look import Look
from edge.visit.watch import FILL, Watch
from edge.words import Words

LONGEST_TEXT = 400
OPEN, SIGNED, ABANDONED = "open", "signed", "abandoned"
SHOWN_S = 86400.0
LASTING = ("valve", "bypass")
"""Findings that stand until somebody has looked, or a later run has proved the contrary."""

LEAST_REST_S = 1200.0
LEAST_SHARE, LEAST_OF_LIMIT = 0.25, 0.05
"""A rest becomes the loss to compare with when it lasted so long, as gas settles for minutes, and
knows its loss (95 %) within this share of it, or of limits.hold_loss where it is tight. Common
practice, no source."""


class Visit(Kept):
    """The one visit that may be open at a time, or the last one for a day."""

    KEPT = ("stage", "by", "began_at", "over_at", "answers", "watch", "refused",
        "refused_alone", "flow_l_min",
            "record")  # fmt: skip

    def __init__(self, settings: Settings, words: Words, cells: Cells) -> None:
        self._settings, self._words, self._cells = settings, words, cells
        self._steps = {step.key: step for step in steps.steps(settings)}
        self._oxygen = settings.place(settings.supply.oxygen)
        self._gauges = {s.name: settings.place(s.pressure) for s in settings.system}
        self.stage: str | None = None
        self.by = ""
        self.began_at = self.over_at = 0.0
        self.answers: dict[str, dict[str, Any]] = {}
        self.watch = Watch()
        self.refused: str | None = None
        self.refused_alone: str | None = None  # why the last calibration of its own was not made
        self.flow_l_min: float | None = None
        self.record: dict[str, Any] | None = None  # what the last one became, told to the page
        self._no_baseline = ""  # why the last visit has none
        self.handed_over: Event | None = None  # the loss to compare with, of the visit just signed
        self._values: Sequence[float | None] = (None,)

    @property
    def open(self) -> bool:
        return self.stage == OPEN

    def look(
        self, tick: Tick, values: Sequence[float | None], supply: Supply, facts: Sequence[Event]
    ) -> None:
        """One tick; `values` as in the tick, with None behind them."""
        self._values = values
        oxygen = values[-1 if self._oxygen is None else self._oxygen]
        if self.open:
            at = supply.stamp(tick.t)
            self.watch.look(tick.t, at, oxygen, supply, self._systems(), facts)
        elif self._oxygen is not None:
            # A calibration on its own needs the last two minutes too.
            self.watch.look(tick.t, supply.stamp(tick.t), oxygen, supply, {}, ())

    def _systems(self) -> dict[str, float | None]:
        """The gauges of the systems at the last tick, kPa."""
        last = self._values
        return {n: last[-1 if place is None else place] for n, place in self._gauges.items()}

    def hear(self, events: Sequence[Event], supply: Supply) -> None:
        """What other requests of this tick brought about."""
        if self.open:
            for event in events:
                self.watch.hear(event, supply)

    # --- asked

    def ask(self, request: Request, t: float, supply: Supply) -> list[Event]:
        """Follow a request, or say in `refused` why not."""
        kind, at = request.kind, supply.stamp(t)
        if kind == "calibrate":
            return self._alone(request, t, at, supply)
        if not kind.startswith("visit_"):
            return []
        self.refused = None
        if kind == "visit_start":
            return self._start(request, at)
        if not self.open:
            self.refused = "no visit is open"
            return []
        if kind == "visit_answer":
            return self._answer(request, t, at, supply)
        if kind == "visit_skip":
            return self._skip(request, at)
        if kind == "visit_sign":
            return self._sign(request, t, at, supply)
        if kind == "visit_abandon":
            self.stage, self.over_at = ABANDONED, at
            text = f"{request.by} gave up the commissioning visit; no record was made."
            return [Event(at, "visit_abandoned", text, None, {"by": request.by})]
        return []

    def _start(self, request: Request, at: float) -> list[Event]:
        if self.open:
            self.refused = "a visit is open already"
            return []
        self.stage, self.by, self.began_at = OPEN, request.by, at
        self.answers, self.record, self.flow_l_min = {}, None, None
        self.watch.clear()
        text = f"{request.by} began a commissioning visit."
        return [Event(at, "visit_started", text, None, {"by": request.by})]

    def _step(self, request: Request) -> steps.Step | None:
        step = self._steps.get(str(request.what.get("step")))
        if step is None:
            self.refused = f"no step is called {request.what.get('step')}"
        return step

    def _answer(self, request: Request, t: float, at: float, supply: Supply) -> list[Event]:
        step = self._step(request)
        if step is None:
            return []
        values = _values(step, request.what.get("values") or {})
        system = step.section if step.key.startswith("fill ") else None
        if system is not None and request.what.get("phase") == steps.TO_BEGIN:
            normal = values.get("normal_kpa")
            if normal is None:
                self.refused = "a fill needs the normal pressure of the system"
                return []
            self.answers.pop(step.key, None)
            self.watch.begin_fill(system, t, at, float(normal))
            text = f"{request.by} began to fill {system}, with air first."
            return [Event(at, "fill_begun", text, system, {"by": request.by})]
        look = self._at(values, t, at, supply)
        entered(look, step)
        events = self._conclude(look, step, request.by)
        self._keep(step.key, look, request.by, at)
        return events

    def _at(self, values: Mapping[str, Any], t: float, at: float, supply: Supply) -> Look:
        return Look(
            self._settings, self._words, values, self.watch, supply, self._systems(), self._cells,
            t, at, self.began_at,
        )  # fmt: skip

    def _conclude(self, look: Look, step: steps.Step, by: str) -> list[Event]:
        if step.key in (AIR, GAS):
            return calibrate(look, step.key, by)
        set_to = self.answers.get("setpoints", {}).get("values", {})
        self.flow_l_min = conclude(look, step, set_to, self.flow_l_min)
        return []

    def _keep(self, key: str, look: Look, by: str, at: float) -> None:
        """The newest answer stands; what the ones before found stays as found before."""
        before = self.answers.get(key, {})
        found = [*before.get("found", []), *before.get("findings", [])]
        still = {f["key"] for f in look.findings}
        cleared = set(look.clears) - still

        def over(finding: Mapping[str, Any], found_at: str) -> bool:
            """Whether this answer has put the finding right: by what it says, or by a later run."""
            what = finding["key"]
            if cleared & {what, f"{what}:{finding.get('place', '')}"}:
                return True
            since = datetime.fromisoformat(found_at).timestamp()
            return what == "bypass" and what not in still and since < look.nitrogen_since

        for answer in self.answers.values():
            gone = [f for f in answer["findings"] if over(f, answer["at"])]
            answer["findings"] = [f for f in answer["findings"] if f not in gone]
            answer["found"] = [*answer["found"], *gone]
        # What was found here before, and neither found again nor looked at now, stands.
        places = {(f["key"], f.get("place", "")) for f in look.findings}
        look.findings += [
            f
            for f in before.get("findings", [])
            if f["key"] in LASTING
            and (f["key"], f.get("place", "")) not in places
            and not over(f, before["at"])
        ]
        still = {f["key"] for f in look.findings}
        self.answers[key] = {
            "at": iso(at),
            "by": by,
            "times": before.get("times", 0) + 1,
            "values": dict(look.values),
            "figures": look.figures,
            "says": look.says,
            "findings": look.findings,
            "found": [f for f in found if f["key"] not in still][-8:],
            "skipped": None,
            "undone": look.undone,
        }

    def _skip(self, request: Request, at: float) -> list[Event]:
        step = self._step(request)
        if step is None:
            return []
        why = " ".join(str(request.what.get("why") or "").split())[:LONGEST_TEXT]
        self.answers[step.key] = {
            "at": iso(at), "by": request.by, "times": 0, "values": {}, "figures": [],
            "says": [], "findings": self.answers.get(step.key, {}).get("findings", []),
            "found": self.answers.get(step.key, {}).get("found", []),
            "skipped": why or "no reason given", "undone": [],
        }  # fmt: skip
        return []

    def _alone(self, request: Request, t: float, at: float, supply: Supply) -> list[Event]:
        """A calibration outside of a visit: its own small record."""
        step = self._steps.get(str(request.what.get("step")))
        if step is None or step.key not in (AIR, GAS):
            found = request.what.get("step")
            self.refused_alone = f"expected {AIR} or {GAS} to calibrate, found {found}"
            return []
        look = self._at(_values(step, request.what.get("values") or {}), t, at, supply)
        entered(look, step)
        events = calibrate(look, step.key, request.by)
        self.refused_alone = None if events else look.says[-1]
        if not events:
            return []
        return [*events, account.calibration(step, look, request.by)]

    def _sign(self, request: Request, t: float, at: float, supply: Supply) -> list[Event]:
        name = " ".join(str(request.what.get("name") or "").split())[:60]
        if not name:
            self.refused = "a signature needs a name"
            return []
        signatures = [{"name": name, "role": str(request.what.get("role") or "technician")[:60]}]
        second = " ".join(str(request.what.get("witness") or "").split())[:60]
        if second:
            signatures.append({"name": second, "role": "owner or witness"})
        note = " ".join(str(request.what.get("note") or "").split())[:LONGEST_TEXT]
        self.handed_over = self.baseline(t, supply)
        event = account.commissioning(
            list(self._steps.values()), self.answers, self.began_at, at, request.by, self.by,
            signatures, note, self._compared(at),
        )  # fmt: skip
        self.stage, self.over_at = SIGNED, at
        self.record = {"at": iso(at), "findings": self.findings()}
        return [event]

    def _compared(self, at: float) -> dict[str, Any]:
        """What later losses are compared with, as a figure."""
        found = self.handed_over
        if found is None:
            text = f"learned anew from the first rests: {self._no_baseline}"
            return account.figure("Loss to compare with", text, iso(at), "monitor")
        n = found.numbers
        spread = n["loss_high_kpa_per_h"] - n["loss_low_kpa_per_h"]
        return {
            **account.figure("Loss to compare with", "", iso(at), "observed at rest"),
            "value": n["loss_at_reference_kpa_per_h"],
            "quantity": "pressure rate",
            "uncertainty": round(spread / 4.0, 5),
            "note": f"over {self._words.duration(n['idle_s'])} of rest, at mid-band",
        }

    # --- known

    def findings(self) -> list[dict[str, str]]:
        """What is wrong as it stands, in the order of the steps."""
        return [
            {**finding, "step": key}
            for key in self._steps
            for finding in self.answers.get(key, {}).get("findings", [])
        ]

    def baseline(self, t: float, supply: Supply) -> Event | None:
        """The last rest since every valve was back, as `idle_measured`; None where there was none,
        or where what is wrong would make it a bad example."""
        back = self.answers.get("devices")
        bad = {f["key"] for f in self.findings()} & {"leak", "bypass", "valve", "device"}
        self._no_baseline = "none was measured after every valve was back"
        if back is None or back["skipped"] or bad:
            return None
        if back.get("undone"):
            self._no_baseline = "not every valve is said to be back"
            return None
        since = datetime.fromisoformat(back["at"]).timestamp()
        under_way = supply.rest.so_far(t, since - supply.offset_s, supply.stamp)
        rests = [
            rest
            for rest in self.watch.rests
            if datetime.fromisoformat(rest["started"]).timestamp() >= since
        ]
        found = [Event(rest["at"], "idle_measured", "", None, rest) for rest in rests]
        found += [] if under_way is None else [under_way]
        for event in reversed(found):
            if self._knows(event.numbers):
                return event
        return None

    def _knows(self, rest: Mapping[str, Any]) -> bool:
        """Whether a rest was long enough to know its loss; why not is kept for the record."""
        half = (rest["loss_high_kpa_per_h"] - rest["loss_low_kpa_per_h"]) / 2.0
        tight = LEAST_OF_LIMIT * self._settings.limits.hold_loss_kpa_per_h
        least = max(LEAST_SHARE * abs(rest["loss_kpa_per_h"]), tight)
        w = self._words
        self._no_baseline = (
            f"the rest of {w.duration(rest['idle_s'])} was too short: it knows its loss of"
            f" {w.rate(rest['loss_kpa_per_h'])} within {w.rate(half)}, and {w.rate(least)} over at"
            f" least {w.duration(LEAST_REST_S)} is needed"
        )
        return bool(rest["idle_s"] >= LEAST_REST_S and half <= least)

    def oxygen(self) -> dict[str, Any]:
        """Whether the oxygen reading stands still, and why no calibration was made."""
        still = self.watch.still()
        return {"still_pct": still and round(still[0], 3), "refused": self.refused_alone}

    def picture(self, t: float, at: float) -> dict[str, Any] | None:
        """For the page: JSON-ready; None when there is no visit to show."""
        if self.stage is None or (not self.open and at - self.over_at > SHOWN_S):
            return None
        shown: dict[str, Any] = {
            "stage": self.stage,
            "by": self.by,
            "began": iso(self.began_at),
            "refused": self.refused,
            "answers": self.answers,
            "findings": self.findings(),
            "record": self.record,
        }
        if not self.open:
            return shown
        oxygen = self.watch.oxygen
        cut_in, cut_out = self.watch.turned("cut_in"), self.watch.turned("cut_out")
        hold = self.watch.holds.get("supply")
        return {
            **shown,
            "watch": {
                "oxygen_pct": round(oxygen[-1][1], 3) if oxygen else None,
                "cut_in_kpa": None if cut_in is None else cut_in["kpa"],
                "cut_out_kpa": None if cut_out is None else cut_out["kpa"],
                "running_s": None if self.watch.flowing is None else round(t - self.watch.flowing),
                "hold": None if hold is None else hold["verdict"],
                "fills": {
                    name: {**fill, "says": FILL[fill["stage"]]}
                    for name, fill in self.watch.fills.items()
                },
            },
        }


def _values(step: steps.Step, given: Mapping[str, Any]) -> dict[str, Any]:
    """What was entered into the fields of a step; ValueError for what cannot be."""
    values: dict[str, Any] = {}
    for one in step.fields:
        value = given.get(one.key)
        if one.kind == "number" and value not in (None, ""):
            number = float(value)
            if not isfinite(number):
                raise ValueError(f"{one.key}: a finite number")
            values[one.key] = number
        elif one.kind == "tick":
            values[one.key] = bool(value)
        elif one.kind == "choice":
            values[one.key] = value if value in one.choices else None
        else:
            text = " ".join(str(value or "").split())[:LONGEST_TEXT]
            values[one.key] = text or None
    return values
