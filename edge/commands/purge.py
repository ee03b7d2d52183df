"""dryhold purge: how nitrogen takes the place of air in a pipe, from settings or arguments alone."""

import argparse
from collections.abc import Iterator
from math import ceil, isfinite
from typing import Any

from edge.commands import piping
from edge.core import units
from edge.core.oxygen_air import standard_atmosphere_kpa
from edge.core.purge import (
    AIR_PCT,
    cycled_pct,
    cycles_to,
    flow_for_l_min,
    held_l,
    minutes_to,
    mixed_pct,
)
from edge.core.units import STANDARD_KPA
from edge.model import SUPPLY
from edge.settings import Units
from edge.words import Words

OPTIONS = {
    "pressure": ("PRESSURE", "what the pipe stands at"),
    "oxygen": ("SHARE", "oxygen in it now (default: 20.95 %%, air)"),
    "nitrogen": ("SHARE", "nitrogen of the supply (default: 98.5 %%, or the settings')"),
    "target": ("SHARE", "nitrogen wanted in the pipe (default: 98 %%, or the settings')"),
    "loss": ("FLOW", "what leaks and is made up"),
    "vent": ("FLOW", "what a vent lets out besides"),
    "within": ("TIME", "asks for the flow that does it in this time"),
    "cycle-from": ("PRESSURE", "of pressure cycles, the low one (default: 0)"),
    "cycle-to": ("PRESSURE", "and the high one (default: PRESSURE)"),
    "bypass-to": ("PRESSURE", "filled with air up to there, with nitrogen from there on"),
}
SUPPLY_PCT, TARGET_PCT = 98.5, 98.0
MOST_CYCLES = 20
CAUTION = (
    "Well mixed; dead-end branches mix slowly, so this is the least time that it can take. Nitrogen"
    " displaces oxygen: ventilate where it vents."
)


def arguments(parser: argparse.ArgumentParser) -> None:
    piping.arguments(parser, OPTIONS)


def run(args: argparse.Namespace) -> int:
    asked = piping.Given(args, Units(flow="scfh"))
    found = list(_sections(asked))
    asked.settle()
    piping.tell(found, args.json, lambda section: _account(section, asked.units), CAUTION)
    return int(any(section["never"] for section in found))


def _sections(asked: piping.Given) -> Iterator[dict[str, Any]]:
    q, site = asked.quantity, asked.settings
    inerting = None if site is None else site.inerting
    known = None if inerting is None else inerting.nitrogen_pct
    supply = 100.0 - asked.share("nitrogen", known or SUPPLY_PCT)
    assumed = known is None and not asked.given("nitrogen")
    considered = not asked.given("vent") and inerting is not None
    target = 100.0 - asked.share("target", TARGET_PCT if inerting is None else inerting.target_pct)
    oxygen = asked.share("oxygen", AIR_PCT)
    pressure, loss = q("pressure", "pressure", some=True), q("loss", "flow", 0.0) or 0.0
    vent = q("vent", "flow", None if inerting is None else inerting.vent_l_min) or 0.0
    within = q("within", "time", least=1.0)
    low, high = q("cycle-from", "pressure", 0.0) or 0.0, q("cycle-to", "pressure", some=True)
    bypass = q("bypass-to", "pressure")
    atmosphere = STANDARD_KPA if site is None else standard_atmosphere_kpa(site.site.elevation_m)
    places: list[tuple[str | None, float | None, float | None]] = []
    if site is None:
        _, volume = asked.piping()
        places = [(None, None if volume is None else volume.litres, pressure)]
        if pressure is None and not asked.faults:
            asked.faults.append("--pressure: expected what the pipe stands at, found nothing")
    else:
        normal = {SUPPLY: (site.supply.volume_l, site.supply.cut_out_kpa)} | {
            s.name: (s.volume_l, s.regulated_kpa) for s in site.system
        }
        places = [
            (n, normal[n][0], normal[n][1] if pressure is None else pressure)
            for n in asked.sections(normal)
        ]
    for name, litres, kpa in places:
        if kpa is not None and bypass is not None and bypass > kpa:
            asked.faults.append(
                "--bypass-to: expected no more than the pipe's pressure, found more"
            )
        elif kpa is not None and low >= (high or kpa):
            asked.faults.append(
                "--cycle-from: expected below the cycles' high pressure, found more"
            )
        elif litres is not None and kpa is not None:
            yield _section(
                name,
                litres,
                kpa,
                atmosphere,
                (oxygen, supply, target),
                loss + vent,
                within,
                (low, high or kpa),
                bypass,
            ) | {"supply_assumed": assumed, "vent_considered_l_min": vent if considered else 0.0}
        elif not asked.faults and site is not None:
            asked.faults.append(
                f"{name}: expected a volume and a pressure in the settings or as arguments, found none"
            )


def _section(
    name: str | None,
    litres: float,
    kpa: float,
    atmosphere: float,
    shares: tuple[float, float, float],
    flow: float,
    within_s: float | None,
    cycle: tuple[float, float],
    bypass_kpa: float | None,
) -> dict[str, Any]:
    oxygen, supply, target = shares
    held = held_l(litres, kpa + atmosphere)
    after_fill = None
    if bypass_kpa is not None:
        first = held_l(litres, bypass_kpa + atmosphere)
        after_fill = oxygen = mixed_pct(AIR_PCT, supply, first, held - first, 0.0)
    low, high = cycle[0] + atmosphere, cycle[1] + atmosphere
    cycles = cycles_to(oxygen, supply, target, low, high)
    shown = min(MOST_CYCLES, int(cycles) + 1) if isfinite(cycles) else 4
    needed = (
        None if within_s is None else flow_for_l_min(oxygen, supply, target, held, within_s / 60.0)
    )
    return {
        "section": name,
        "volume_l": litres,
        "pressure_kpa": kpa,
        "held_l": held,
        "oxygen_pct": oxygen,
        "supply_oxygen_pct": supply,
        "target_oxygen_pct": target,
        "oxygen_after_bypass_fill_pct": after_fill,
        "never": oxygen > target and supply >= target,
        "flow_l_min": flow,
        "sweep_s": _finite(60.0 * minutes_to(oxygen, supply, target, held, flow)),
        "within_s": within_s,
        "flow_for_that_l_min": None if needed is None else _finite(needed),
        "cycle_kpa": list(cycle),
        "cycles": _finite(cycles),
        "oxygen_by_cycle_pct": [cycled_pct(oxygen, supply, low, high, j) for j in range(shown + 1)],
    }


def _finite(value: float) -> float | None:
    """None for never: JSON has no infinity."""
    return value if isfinite(value) else None


def _account(s: dict[str, Any], shown: Units) -> Iterator[str]:
    words = Words.of(shown)
    if s["section"] is not None:
        yield s["section"].capitalize() if s["section"] == SUPPLY else s["section"]
    if s["oxygen_after_bypass_fill_pct"] is not None:
        yield f"  after the fill: {s['oxygen_pct']:.2f} % oxygen"
    yield (
        f"  {units.show('volume', s['volume_l'], shown.volume)} at"
        f" {words.pressure(s['pressure_kpa'])} from {s['oxygen_pct']:.2f} % oxygen to"
        f" {s['target_oxygen_pct']:.2f} %, with {s['supply_oxygen_pct']:.2f} % in the supply"
        + (" (assumed: neither settings nor --nitrogen tell it)" if s["supply_assumed"] else "")
    )
    if s["never"]:
        yield "  NEVER with this supply: it must be purer than what is wanted in the pipe"
    elif s["sweep_s"] is not None:
        vent = s["vent_considered_l_min"]
        of_it = f", of it {words.flow(vent)} by a vent that is only considered" if vent else ""
        lasting = words.duration(s["sweep_s"])
        yield f"  swept by {words.flow(s['flow_l_min'])}{of_it}: {lasting} at least"
    else:
        yield "  nothing flows through it: without a leak or a vent its gas is not exchanged"
    if s["flow_for_that_l_min"] is not None:
        yield (
            f"  within {words.duration(s['within_s'])}: a flow of"
            f" {words.flow(s['flow_for_that_l_min'])}"
        )
    low, high = (words.pressure(kpa) for kpa in s["cycle_kpa"])
    path = " → ".join(f"{pct:.2f}" for pct in s["oxygen_by_cycle_pct"])
    yield f"  by cycles from {low} to {high}: {path} % oxygen"
    if s["cycles"] is not None:
        yield f"    {ceil(s['cycles'])} cycles to the target ({s['cycles']:.2f} by the formula)"
