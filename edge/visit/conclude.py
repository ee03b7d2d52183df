"""What a step concludes from what was entered and what was observed. Pure.

Each function is given a `Look` and says figures, sentences, findings, and which earlier findings
it clears because it proved the contrary.
"""

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from math import hypot, sqrt
from typing import Any

from edge.core import membrane
from edge.core.calibration import AGEING_REL, WORN_REL
from edge.core.units import PSI, STANDARD_K, STANDARD_KPA, ZERO_C_K
from edge.measure.cells import Cells
from edge.measure.supply import Supply
from edge.model import SUPPLY, iso
from edge.settings import Settings
from edge.visit import steps
from edge.visit.findings import KINDS
from edge.visit.watch import NEAR_AIR_OXYGEN_PCT, Watch, delay
from edge.words import Words

DELAY_BAND_S = 5.0
"""A start delay this far from its setting, beyond its own doubt, is mis-set (common practice)."""

AGREE_PCT = 0.3
"""Two instruments within this agree: what one point in air leaves of doubt at 2 % oxygen."""

METER_REL = 0.03
PRODUCTION_REL = 0.90
"""A flow meter's own doubt, and the share of the test report under which production is short;
common practice, no source."""

FLUSHED_S = 300.0
"""A run under way shows the gas of the valve as it was so long ago, or later (common practice)."""

DEVICE_KPA = 2.0 * PSI
"""A system this far from its regulated pressure is not held by its device (common practice)."""


@dataclass
class Look:
    """One step at the moment it is concluded."""

    settings: Settings
    words: Words
    values: Mapping[str, Any]
    watch: Watch
    supply: Supply
    systems: Mapping[str, float | None]
    cells: Cells
    t: float
    at: float
    since_at: float  # when the visit began
    figures: list[dict[str, Any]] = field(default_factory=list)
    says: list[str] = field(default_factory=list)
    findings: list[dict[str, str]] = field(default_factory=list)
    clears: list[str] = field(default_factory=list)  # kinds of findings, or kind:place
    nitrogen_since: float = 0.0  # findings of a bypass from before then are proved to be over
    undone: list[str] = field(default_factory=list)  # what was not looked at or not done

    def number(self, key: str) -> float | None:
        value = self.values.get(key)
        return None if value in (None, "") else float(value)

    def not_done(self, why: str) -> None:
        self.undone.append(why)
        self.says.append(f"Not done: {why}.")

    def nitrogen(self, began_at: float, at: float) -> None:
        """A run that began then had nitrogen at `at`: it proves the valve for what was found before
        the run, or long enough before that moment of it."""
        self.nitrogen_since = max(self.nitrogen_since, began_at, at - FLUSHED_S)

    def figure(
        self,
        what: str,
        value: float | None,
        quantity: str | None = None,
        source: str = "entered",
        *,
        text: str = "",
        sd: float | None = None,
        note: str = "",
        at: float | None = None,
    ) -> None:
        """A value without a quantity is a percentage; `sd` is one standard uncertainty."""
        self.figures.append(
            {
                "what": what,
                "value": None if value is None else round(value, 5),
                "quantity": "fraction" if quantity is None and value is not None else quantity,
                "text": text,
                "at": iso(self.at if at is None else at),
                "source": source,
                "uncertainty": None if sd is None else round(sd, 5),
                "note": note,
            }
        )

    def find(self, key: str, text: str, place: str = "") -> None:
        """`place` tells findings of one kind apart that are cleared each by itself."""
        kind = KINDS[key]
        found = {"key": key, "name": kind.name, "text": text, "todo": kind.todo, "place": place}
        self.findings.append(found)
        self.says.append(f"{kind.name[0].upper()}{kind.name[1:]}: {text}")


def entered(look: Look, step: steps.Step) -> None:
    """Every field as it was filled in, and which were not."""
    for one in step.fields:
        value = look.values.get(one.key)
        if one.kind == "tick":
            look.figure(one.label, None, text="confirmed" if value else "not confirmed")
        elif value in (None, ""):
            text = "not looked at" if one.kind == "choice" else "not entered"
            look.figure(one.label, None, text=text)
        elif one.kind == "number":
            plain = "fraction" if one.key.endswith("_pct") else "time"
            kind = one.quantity or plain
            look.figure(one.label, look.number(one.key), kind)
        else:
            look.figure(one.label, None, text=str(value))


def valves(look: Look) -> None:
    """Positions as found, or as left: only a valve that was looked at is found, or put right."""
    three_way = look.values.get("three_way")
    if three_way == steps.BYPASS:
        look.find("bypass", "the three-way valve stands in bypass.")
    elif three_way is None:
        look.not_done("the three-way valve was not looked at")
    else:
        look.clears.append("bypass")
    _valve(
        look, "drains", "open", "drains and sample valves", "a drain or sample valve stands open."
    )
    for n, system in enumerate(look.settings.system):
        device = f"{system.name}'s air maintenance device"
        shut, past = f"the shut-off of {device}", f"the bypass of {device}"
        _valve(look, f"device{n}", "closed", shut, f"{shut} is closed.")
        _valve(look, f"past{n}", "open", past, f"{past} is open.")


def _valve(look: Look, key: str, wrong: str, name: str, text: str) -> None:
    stands = look.values.get(key)
    if stands is None:
        look.not_done(f"{name} not looked at")
    elif stands == wrong:
        look.find("valve", text, key)
    else:
        look.clears.append(f"valve:{key}")


def readiness(look: Look, step: steps.Step) -> None:
    for one in step.fields:
        if one.kind == "tick" and not look.values.get(one.key):
            look.not_done(f"not confirmed: {one.label[0].lower()}{one.label[1:]}")


def setpoints(look: Look) -> None:
    supply = look.settings.supply
    for key, name, given in (
        ("cut_in_kpa", "cut-in", supply.cut_in_kpa),
        ("cut_out_kpa", "cut-out", supply.cut_out_kpa),
    ):
        told = look.number(key)
        if told is not None and abs(told - given) > supply.tolerance_kpa:
            w = look.words
            look.find(
                "settings",
                f"{name} is set to {w.pressure(told)}, the settings say {w.pressure(given)}.",
            )


def cycle(look: Look, set_to: Mapping[str, float]) -> None:
    """`set_to` is what the step before entered: cut_in_kpa, cut_out_kpa, delay_s."""
    w, supply, given = look.words, look.supply, look.settings.supply
    tolerance = given.tolerance_kpa
    stop, start = look.watch.turned("cut_out"), look.watch.turned("cut_in")
    cut_out = set_to.get("cut_out_kpa", given.cut_out_kpa)
    cut_in = set_to.get("cut_in_kpa", given.cut_in_kpa)
    if stop is None:
        kpa = supply.kpa
        if supply.running and kpa is not None and kpa > cut_out + tolerance:
            look.find(
                "cut_out",
                f"the generator still runs at {w.pressure(kpa)}; it should stop at"
                f" {w.pressure(cut_out)}.",
            )
        else:
            look.not_done("no cut-out has been seen during this visit")
    else:
        _turn(look, "cut_out", "Cut-out", stop, float(stop["kpa"]), cut_out)
    if start is None:
        kpa = supply.kpa
        if not supply.running and kpa is not None and kpa < cut_in - tolerance:
            look.find(
                "control",
                f"the pressure is {w.pressure(kpa)}, under cut-in, and the generator does not run.",
            )
        else:
            look.not_done("no cut-in has been seen during this visit")
        return
    # While the start is delayed a bled line goes on falling. Without a stopwatch a cut-in too low
    # and a start too late look the same in one fast cycle, and both are named.
    set_s = set_to.get("delay_s", given.start_delay_s)
    taken = look.number("stopwatch_s")
    wait_s = set_s if taken is None else taken
    seen = float(start["kpa"]) + max(float(start["fall_kpa_per_s"] or 0.0), 0.0) * wait_s
    _turn(look, "cut_in", "Cut-in", start, seen, cut_in)
    _delay(look, start, cut_in, set_s)
    if look.watch.runs:
        rise = look.watch.runs[-1]
        text = w.rate(float(rise["rise_kpa_per_h"]))
        look.figure("Rise of the last run", None, None, "observed", text=text, at=float(rise["at"]))


def _turn(
    look: Look, key: str, name: str, turn: Mapping[str, Any], kpa: float, wanted: float
) -> None:
    w, tolerance = look.words, look.settings.supply.tolerance_kpa
    look.figure(f"{name} observed", kpa, "pressure", "observed", sd=0.5, at=float(turn["at"]))
    if abs(kpa - wanted) > tolerance:
        look.find(key, f"observed at {w.pressure(kpa)}, set to {w.pressure(wanted)}.")
    else:
        look.says.append(f"{name} observed at {w.pressure(kpa)}: as set.")
        look.clears.append(key)


def _delay(look: Look, start: Mapping[str, Any], cut_in_kpa: float, set_s: float) -> None:
    known = delay(start, cut_in_kpa)
    taken = look.number("stopwatch_s")
    if known is None and taken is None:
        look.figure(
            "Start delay observed",
            None,
            None,
            "observed",
            text="cannot tell",
            note="the pressure passed cut-in too slowly",
        )
        look.says.append("The start delay cannot be told: the pressure passed cut-in too slowly.")
        return
    if known is not None:
        note = f"between {known.low:.0f} and {known.high:.0f} s with 95 % confidence"
        look.figure(
            "Start delay observed", known.seconds, "time", "observed", sd=known.sd, note=note
        )
    if taken is not None:
        seconds, low, high = taken, taken - 2.0, taken + 2.0  # of a hand on a stopwatch
        look.says.append(f"The start was delayed by {seconds:.0f} s by the stopwatch.")
    elif known is not None:
        seconds, _, low, high = known
        look.says.append(
            f"The start was delayed by {seconds:.0f} s ({low:.0f} to {high:.0f} s with 95 %"
            " confidence)."
        )
    if not low - DELAY_BAND_S <= set_s <= high + DELAY_BAND_S:
        look.find("start_delay", f"{seconds:.0f} s observed, {set_s:.0f} s set.")


def warm_up(look: Look) -> None:
    flowing, need_s = look.watch.flowing, look.settings.supply.warm_up_s
    if flowing is None:
        look.not_done("the generator is at rest, nothing is warm")
        return
    run_s = look.t - flowing
    look.figure("Run under way for", run_s, "time", "observed")
    purity = look.supply.purity
    if purity.valid and purity.now_pct is not None:
        look.figure("Oxygen at the end of warm-up", 100.0 - purity.now_pct, None, "observed")
        look.says.append(f"Warm, with {100.0 - purity.now_pct:.2f} % oxygen.")
    else:
        short = look.words.duration(max(need_s - run_s, 0.0))
        look.not_done(f"not warm yet, {short} are missing")


def beside(look: Look) -> None:
    hand = look.number("oxygen_pct")
    still = look.watch.still()
    if hand is None:
        look.not_done("no reading of the hand-held analyzer was entered")
        return
    if still is None:
        look.not_done("the sensor did not stand still, so the two were not compared")
        return
    shown, sd = still
    apart = shown - hand
    look.figure("The sensor's own reading", shown, None, "observed", sd=hypot(sd, 0.05))
    look.figure("Difference, sensor less hand-held", apart, None, "worked out", sd=hypot(sd, 0.1))
    # Both have a scale error as well, which counts far from nitrogen.
    if abs(apart) > AGREE_PCT + 0.03 * hand:
        look.find("disagrees", f"the sensor shows {shown:.2f} % oxygen, the analyzer {hand:.2f} %.")
    else:
        look.says.append(f"They agree within {abs(apart):.2f} %.")


def production(look: Look) -> float | None:
    """The flow in standard litres a minute, for the step after; None when none was measured."""
    w = look.words
    shown, report = look.number("flow_l_min"), look.number("report_l_min")
    if shown is None:
        look.not_done("no flow was measured")
        return None
    flow = shown
    if look.values.get("meter") == steps.AREA_METER:
        kpa, celsius = look.number("meter_kpa"), look.number("meter_c")
        if kpa is None or celsius is None:
            look.says.append("The meter's pressure or temperature is missing: not corrected.")
        else:
            # A variable-area meter scaled for standard gas, read at another density: the flow
            # goes with the root of density (common to every rotameter's handbook).
            dense = (kpa + look.settings.site.atmosphere_kpa) / STANDARD_KPA
            flow = shown * sqrt(dense * STANDARD_K / (celsius + ZERO_C_K))
    look.figure("Flow, corrected", flow, "flow", "worked out", sd=0.5 * METER_REL * flow)
    if report is None:
        look.says.append(f"{w.flow(flow)}; no test report to compare with.")
        return flow
    due = report * _conditions(look)
    look.figure(
        "Test report, brought to these conditions",
        due,
        "flow",
        "worked out",
        sd=0.05 * abs(due - report) + 0.01 * due,
        note="flow taken as proportional to absolute feed pressure; common practice, no source",
    )
    share = flow / due
    look.figure("Production, share of the test report", 100.0 * share, None, "worked out")
    if share < PRODUCTION_REL - METER_REL:
        look.find("production", f"{w.flow(flow)}, where the test report promises {w.flow(due)}.")
    else:
        look.says.append(f"{w.flow(flow)}, {100.0 * share:.0f} % of the test report.")
    return flow


def _conditions(look: Look) -> float:
    """What today's feed pressure and temperature make of the report's flow; 1 where not told."""
    factor, atmosphere = 1.0, look.settings.site.atmosphere_kpa
    was, now = look.number("report_feed_kpa"), look.number("feed_kpa")
    if was is not None and now is not None:
        factor *= (now + atmosphere) / (was + atmosphere)
    was, now = look.number("report_c"), look.number("feed_c")
    if was is not None and now is not None:
        # A compressor takes in a volume: warmer air is less gas.
        factor *= (was + ZERO_C_K) / (now + ZERO_C_K)
    return factor


def purity(look: Look, flow_l_min_now: float | None) -> None:
    """Which way to turn the needle valve, from a warm run."""
    now, w = look.supply.purity, look.words
    if not now.valid or now.now_pct is None:
        look.not_done("the generator is not running warm, so its purity is not judged")
        return
    oxygen = 100.0 - now.now_pct
    wanted = 100.0 - look.settings.supply.purity_pct
    air = look.cells.air(look.settings.supply.oxygen or "")
    sd = 0.05 if air is not None else 0.15
    look.figure("Oxygen of the warm run", oxygen, None, "observed", sd=sd)
    if oxygen >= NEAR_AIR_OXYGEN_PCT:
        look.find("bypass", f"running warm, the gas has {oxygen:.1f} % oxygen: that is nearly air.")
        return
    look.nitrogen(0.0, look.at)
    needed = look.settings.supply.production_l_min
    try:
        advice = membrane.advise(oxygen, wanted, flow_l_min_now, needed)
    except ValueError:
        look.says.append(f"{oxygen:.2f} % oxygen lies outside what a membrane's curve can say.")
        if oxygen > wanted:
            look.find("needle_open", f"{oxygen:.1f} % oxygen, {wanted:g} % is wanted.")
        return
    if advice.turn == "leave":
        look.says.append(f"{oxygen:.2f} % oxygen: leave the needle valve as it is.")
        look.clears.append("needle_open")
        return
    rel, flow = advice.flow_rel, advice.flow_l_min
    moves = f"the flow goes to {100 * rel.likely:.0f} % of what it is"
    moves += f" ({100 * min(rel.low, rel.high):.0f} to {100 * max(rel.low, rel.high):.0f} %)"
    if flow is not None:
        moves += f", some {w.flow(flow.likely)}"
    way = f"{advice.turn} the needle valve until {wanted:g} % oxygen: likely {moves}."
    look.figure("Needle valve", None, None, "worked out", text=way)
    if advice.turn == "close":
        look.find("needle_open", f"{oxygen:.2f} % oxygen, {wanted:g} % is wanted; {way}")
        if advice.enough is False:
            look.says.append("Then the flow is likely short of what the test report promises.")
    else:
        look.says.append(f"Purer than needed: you may {way}")
        look.clears.append("needle_open")


def line_hold(look: Look) -> None:
    held = look.watch.holds.get(SUPPLY)
    if held is None:
        look.not_done("no hold test of the supply line has ended during this visit")
        return
    w, loss = look.words, held.get("loss_kpa_per_h")
    if loss is not None:
        spread = float(held["loss_high_kpa_per_h"]) - float(held["loss_low_kpa_per_h"])
        look.figure(
            "Loss of the closed line",
            float(loss),
            "pressure rate",
            "hold test",
            sd=spread / 4.0,
            note=str(held["method"]),
        )
    look.figure("Verdict", None, None, "hold test", text=str(held["verdict"]))
    if held["verdict"] == "leaks":
        rate = w.rate(float(loss)) if loss is not None else "too much"
        look.find("leak", f"the closed supply line loses {rate}.")
    elif held["verdict"] == "holds":
        look.says.append("The closed supply line holds.")
        look.clears.append("leak")
    else:
        look.says.append(f"Whether the closed supply line holds is not known. {held['why']}")
    back = held.get("put_back")
    look.figure("Valves back after the test", None, None, "hold test", text=str(back or "not told"))


def fill(look: Look, name: str) -> None:
    done = look.watch.fills.get(name)
    if done is None:
        look.not_done("the fill was never begun here")
        return
    done["over"] = True
    w, began = look.words, float(done["began_at"])
    pressure = [("Pressure at the beginning", "began_kpa"), ("Pressure at the end", "kpa")]
    for what, key in pressure:
        look.figure(what, done[key], "pressure", "observed", at=began)
    for what, key in (
        ("Last 4 psi reached after", "turn_s"),
        ("Normal pressure after", "normal_s"),
        ("Nitrogen proved after", "proved_s"),
    ):
        value = done[key]
        look.figure(what, value, "time", "observed", text="" if value is not None else "not seen")
    most = done["most_oxygen_pct"]
    if most is not None:
        look.figure("Highest oxygen during the fill", most, None, "observed", at=began)
    alone_s = done["alone_s"]
    if alone_s is not None:
        # The last psi come slowly on purpose, so the air supply is judged by what came before.
        note = "as far as it was filled with air, carried on to normal pressure"
        look.figure(
            "Fill on air alone", alone_s, "time", "worked out", sd=0.02 * alone_s, note=note
        )
        if alone_s > steps.FILL_LIMIT_S:
            look.find("air_slow", f"on air alone a fill takes {w.duration(alone_s)}.")
        else:
            look.says.append(f"On air alone a fill takes {w.duration(alone_s)}.")
            look.clears.append("air_slow")
    elif done.get("since_s", 0.0) > steps.FILL_LIMIT_S:
        look.find("air_slow", f"not filled with air after {w.duration(done['since_s'])}.")
    if done["proved_s"] is not None:
        look.says.append(
            f"The oxygen fell to {done['proved_pct']:.1f} % with the last of the fill: the"
            " three-way valve is in nitrogen."
        )
        # The stage turns only after a run has shown its gas.
        look.nitrogen(0.0, began + float(done["proved_s"]))
    elif done["stage"] == "turn" and _air_now(look) is not None:
        look.find(
            "bypass",
            f"the fill ended and the gas of the running generator still has"
            f" {_air_now(look):.1f} % oxygen.",
        )
    else:
        look.says.append("That the valve was turned back to nitrogen is not proved by this fill.")


def _air_now(look: Look) -> float | None:
    """The oxygen last seen in a run, when it is that of air; None otherwise or never."""
    last = look.watch.last_run
    if last is None or last["at"] < look.since_at or last["oxygen_pct"] < NEAR_AIR_OXYGEN_PCT:
        return None
    return float(last["oxygen_pct"])


def devices(look: Look) -> None:
    valves(look)
    if not look.values.get("told"):
        look.not_done("nobody has confirmed that monitoring station and owner are told")
    last = look.watch.last_run
    air = _air_now(look)
    if air is not None:
        look.find("bypass", f"the last run's gas has {air:.1f} % oxygen: that is air.")
    elif last is not None:
        look.figure(
            "Oxygen of the last run", last["oxygen_pct"], None, "observed", at=float(last["at"])
        )
        look.says.append(f"The last run's gas has {last['oxygen_pct']:.1f} % oxygen.")
        look.nitrogen(float(last.get("began_at", 0.0)), float(last["at"]))
    for system in look.settings.system:
        kpa = look.systems.get(system.name)
        if kpa is None:
            continue
        look.figure(f"{system.name}", kpa, "pressure", "observed")
        if system.regulated_kpa is not None and abs(kpa - system.regulated_kpa) > DEVICE_KPA:
            w = look.words
            look.find(
                "device",
                f"{system.name} stands at {w.pressure(kpa)}, its device is set to"
                f" {w.pressure(system.regulated_kpa)}.",
            )


def cell(look: Look, output_rel: float) -> None:
    """A cell's health from its output in air, as a share of what it gave when new."""
    past = look.cells.outputs(look.settings.supply.oxygen or "")
    fresh = bool(look.values.get("new_cell"))
    new = max(1.0, past[0][1]) if past and not fresh else max(1.0, output_rel if fresh else 1.0)
    share = output_rel / new
    look.figure("Output in air, share of new", 100.0 * share, None, "worked out", sd=1.0)
    for at, value in past[-4:]:
        look.figure("Output in air before", 100.0 * value, None, f"calibration of {at[:10]}")
    if share < WORN_REL:
        look.find(
            "cell_worn",
            f"in air it gives {100 * share:.0f} % of a new one's output; {100 * WORN_REL:.0f} % is"
            " the least.",
        )
    else:
        if share < AGEING_REL:
            look.says.append(f"The cell gives {100 * share:.0f} % of a new one: order the next.")
        look.clears.append("cell_worn")


Plain = Callable[[Look], None]
PLAIN: Mapping[str, Plain] = {
    "valves": valves,
    "setpoints": setpoints,
    "warm_up": warm_up,
    "beside": beside,
    "line_hold": line_hold,
    "devices": devices,
}
"""Steps that need nothing from one another."""
