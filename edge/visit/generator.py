"""What a visit concludes of the generator: its gas, its analyzer beside another, its flow and needle
valve. Pure."""

from math import hypot, sqrt

from edge.core import membrane
from edge.core.units import STANDARD_K, STANDARD_KPA, ZERO_C_K
from edge.visit import steps
from edge.visit.look import Look
from edge.visit.watch import NEAR_AIR_OXYGEN_PCT

AGREE_PCT = 0.3
"""Two instruments within this agree: what one point in air leaves of doubt at 2 % oxygen."""

METER_REL = 0.03
PRODUCTION_REL = 0.90
"""A flow meter's own doubt, and the share of the test report under which production is short;
common practice, no source."""


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
