"""The room of gas in the pipe, cost of the loss and sizing: what the judge found, in plain words."""

from collections.abc import Iterator, Mapping
from typing import Any, NamedTuple

from flask import Blueprint, render_template

from edge.core import units
from edge.core.air_supply import RESTORE_S, Fill, cycling, fill
from edge.core.volume import compared
from edge.model import SUPPLY
from edge.settings import Settings, Supply, System
from web.named import section_name
from web.shown import Local, SiteUnits, lasting, parse_time, percent
from web.site import Site

NAME = "gas"
WHY: Mapping[str, str] = {
    "not known before": "what was in it before is not known, so it is taken as air",
    "drained": "it was without pressure, so it is full of air again",
    "bypass fill": "it was filled in bypass, with air",
    "measured": "it was measured with an analyzer",
    "flow denied": "a hold test found less flow than had been taken for granted, so only fills count",
}
Rows = tuple[tuple[str, str], ...]


class Part(NamedTuple):
    """One section: a sentence that answers, then its figures."""

    name: str
    answer: str
    rows: Rows


def blueprint(site: Site) -> Blueprint:
    """/gas"""
    pages = Blueprint(NAME, __name__)
    settings = site.settings

    @pages.get("/gas")
    def room() -> str:
        latest, view, local = site.view()
        sections = {} if latest is None else latest["picture"].get("sections") or {}
        return render_template(
            "gas.html",
            room="gas",
            view=view,
            parts=parts(sections, settings, local),
            cost=cost_rows(sections.get(SUPPLY, {}).get("cost"), settings),
            sizes=sizes(sections.get(SUPPLY, {}).get("cost"), settings, _temperatures(latest)),
        )

    return pages


def parts(sections: Mapping[str, Any], settings: Settings, local: Local) -> tuple[Part, ...]:
    """What the gas of each section is becoming."""
    out = []
    for name in (SUPPLY, *(s.name for s in settings.system)):
        gas = sections.get(name, {}).get("gas")
        if gas is None or "not_known" in gas:
            why = "the monitor has not told it yet" if gas is None else gas["not_known"]
            out.append(Part(section_name(name), f"Not known: {why}.", ()))
        else:
            out.append(
                Part(section_name(name), _answer(gas, local), tuple(_rows(gas, settings, local)))
            )
    return tuple(out)


def _answer(gas: Mapping[str, Any], local: Local) -> str:
    target = f"{percent(gas['target_oxygen_pct'], 1)} of oxygen"
    if gas["reached"]:
        sure = gas["oxygen_high_pct"] <= gas["target_oxygen_pct"]
        return (
            f"There: no more than the {target} that is wanted."
            if sure
            else f"Likely there, under {target}, but not for sure: have it measured."
        )
    if gas["never"]:
        return (
            f"Never with this supply: it gives gas with"
            f" {percent(gas['supply_oxygen_pct'], 1)} of oxygen, and {target} is wanted."
        )
    if gas["earliest"] is None:
        return (
            "Not by itself: as far as is known nothing flows through it, so its gas is not"
            " exchanged."
        )
    return f"On the way to {target}: {_day(gas['earliest'], local)} at the earliest."


def _day(text: str, local: Local) -> str:
    then = local.at(parse_time(text))
    return f"{then.day} {then:%b %Y}"


def _rows(gas: Mapping[str, Any], settings: Settings, local: Local) -> Iterator[tuple[str, str]]:
    u = SiteUnits.of(settings)
    yield "Oxygen now, estimate", str(percent(gas["oxygen_pct"], 1))
    most = str(percent(gas["oxygen_high_pct"], 1))
    unsure = gas["makeup_from"].startswith("its share")
    yield (
        "At most",
        f"{most}: a hold test of this system would tell how much it exchanges" if unsure else most,
    )
    yield "Counted since", f"{local.moment(parse_time(gas['since'])).text}: {WHY[gas['why']]}"
    source = {
        "bypass": "the valve seems to be in bypass",
        "measured": "as measured while running warm",
        "settings": "as told in the settings",
    }[gas["supply_from"]]
    yield "Oxygen of what comes in", f"{percent(gas['supply_oxygen_pct'], 1)}, {source}"
    yield "Exchanged by", f"{u.flow(gas['makeup_l_min'])}: {gas['makeup_from']}"
    if gas["reached"] or gas["never"]:
        return
    if gas["vent_l_min"] is not None and gas["earliest_with_vent"] is not None:
        yield (
            f"With a vent of {u.flow(gas['vent_l_min'])}",
            f"{_day(gas['earliest_with_vent'], local)} at the earliest",
        )
    if gas["vent_for_two_weeks_l_min"]:
        yield "A vent to be there in two weeks", str(u.flow(gas["vent_for_two_weeks_l_min"]))


def cost_rows(cost: Mapping[str, Any] | None, settings: Settings) -> Rows:
    """What a year of the present loss takes; nothing where no loss is known as a flow."""
    return () if cost is None else tuple(_cost(cost, SiteUnits.of(settings)))


def _cost(cost: Mapping[str, Any], u: SiteUnits) -> Iterator[tuple[str, str]]:
    amounts = (cost["nitrogen_l"], cost["nitrogen_low_l"], cost["nitrogen_high_l"])
    made, least, most = map(u.gas, amounts)
    yield "Nitrogen", f"{made} (between {least} and {most})"
    if cost["hours"] is not None:
        yield "Compressor", f"{cost['hours']:.0f} h, from {cost['duty_from']}"
    if cost["energy_kwh"] is not None:
        yield "Energy", f"{cost['energy_kwh']:.0f} kWh"
    for key, label in (("energy_money", "Energy paid"), ("service_money", "Service")):
        if cost[key] is not None:
            yield label, f"{cost[key]:.0f} {cost['currency']}"
    if cost["money"] is not None:
        yield (
            "In all",
            f"{cost['money']:.0f} {cost['currency']} (between {cost['money_low']:.0f} and"
            f" {cost['money_high']:.0f})",
        )
    if cost["since_commissioning"] is not None:
        yield "Of that, since commissioning", f"{100.0 * cost['since_commissioning']:.0f} %"


def _temperatures(latest: Mapping[str, Any] | None) -> Mapping[str, float]:
    """What each temperature channel reads now, °C, by its name."""
    channels = {} if latest is None else latest["channels"]
    return {
        name: float(c["value"])
        for name, c in channels.items()
        if c["quantity"] == "temperature" and c["value"] is not None
    }


def sizes(
    cost: Mapping[str, Any] | None,
    settings: Settings,
    temperatures: Mapping[str, float] = {},
) -> tuple[Part, ...]:
    """Volumes, the half hour and the runs that are to be expected; `temperatures` in °C, by
    channel."""
    loss = None if cost is None else float(cost["loss_l_min"])
    cold = temperatures.get(settings.supply.temperature or "")
    out = [_size(SUPPLY, settings.supply, None, settings, loss, cold)]
    for system in settings.system:
        cold = temperatures.get(system.temperature or "")
        out.append(_size(system.name, system, system.regulated_kpa, settings, None, cold))
    return tuple(out)


def _verdict(needed: Fill) -> str:
    low, most = lasting(needed.takes_low_s or 0.0), lasting(needed.takes_high_s or 0.0)
    word = "does" if needed.enough else "does not"
    if not needed.sure:
        word = "cannot be told before the volume is measured by a timed fill"
    return f"{word}: it takes {lasting(needed.takes_s or 0.0)} ({low} to {most})"


def _size(
    name: str,
    piping: Supply | System,
    normal_kpa: float | None,
    settings: Settings,
    loss: float | None,
    gas_c: float | None,
) -> Part:
    u, take_off, used = SiteUnits.of(settings), piping.take_off, piping.gas_volume
    supply = settings.supply
    if used is None:
        return Part(section_name(name), "Its volume is not told in the settings.", ())
    answer = f"It holds {u.volume(used.litres)}, give or take {u.volume(2.0 * used.sd)}."
    rows = []
    if take_off is not None:
        way = "Taken off its pipes" if piping.pipe else "As told in the settings"
        rows.append((way, f"{u.volume(take_off.litres)} ± {u.volume(2.0 * take_off.sd)}"))
    if piping.fill is not None:
        rows.append(("By timed fill", f"{u.volume(used.litres)} ± {u.volume(2.0 * used.sd)}"))
        if take_off is not None:
            beside = compared(used, take_off)
            word = "they agree" if beside.agree else "they disagree: look for what was left out"
            rows.append(
                (
                    "Beside each other",
                    f"{100.0 * beside.rel:+.1f} %, {beside.sigmas:.1f} standard"
                    f" uncertainties; {word}",
                )
            )
    if name == SUPPLY and settings.system:
        normal_kpa = None  # the half hour is the systems'
    elif name == SUPPLY:
        normal_kpa = supply.cut_out_kpa
    if normal_kpa is not None:
        needed = fill(
            used.litres, normal_kpa, supply.compressor_l_min, supply.production_l_min,
            gas_c=gas_c, sd_l=used.sd,
        )  # fmt: skip
        warmth = u.quantity("temperature", units.STANDARD_C if gas_c is None else gas_c)
        at = str(warmth) if gas_c is None else f"its {warmth} now"
        rows.append(
            (
                f"To restore {u.pressure(normal_kpa)} in {lasting(RESTORE_S)} (NFPA 13), at {at}",
                str(u.flow(needed.needed_l_min)),
            )
        )
        if needed.takes_s is not None:
            rows.append(("This compressor", _verdict(needed)))
        if needed.generator_share is not None and needed.generator_takes_s is not None:
            rows.append(
                (
                    "The generator alone",
                    f"{100.0 * needed.generator_share:.0f} % of that flow, in"
                    f" {lasting(needed.generator_takes_s)}: fill in bypass first",
                )
            )
    if loss is not None and loss > 0.0 and supply.production_l_min is not None:
        works = cycling(
            used.litres, supply.cut_out_kpa - supply.cut_in_kpa, supply.production_l_min, loss
        )
        rows.append(
            (
                "Expected at this loss",
                "the generator never reaches cut-out"
                if works.runs_a_day == 0.0
                else f"{works.runs_a_day:.1f} runs a day of {lasting(works.run_s)},"
                f" {lasting(works.runtime_s_a_day)} in all",
            )
        )
    return Part(section_name(name), answer, tuple(rows))
