"""dryhold size: gas volume, air supply, runs and cost, from settings or from arguments alone."""

import argparse
from collections.abc import Iterator
from math import isfinite
from typing import Any

from edge.commands import piping
from edge.core import cost, units
from edge.core.air_supply import RESTORE_S, cycling, fill
from edge.core.volume import Volume, by_fill, compared
from edge.model import SUPPLY
from edge.settings import Cost, Pipe, Units
from edge.words import Words

OPTIONS = {
    "pressure": ("PRESSURE", "normal pressure, to be restored"),
    "gas": ("TEMPERATURE", "of the gas in the pipe, as the coldest it gets (default: 60 °F)"),
    "within": ("TIME", "in which time (default: 30 min, NFPA 13)"),
    "compressor": ("FLOW", "what the compressor delivers in bypass"),
    "production": ("FLOW", "what the generator makes"),
    "loss": ("FLOW", "what is lost"),
    "cut-in": ("PRESSURE", "where the generator starts"),
    "cut-out": ("PRESSURE", "where it stops"),
    "fill-flow": ("FLOW", "of a timed fill, what came in"),
    "fill-loss": ("FLOW", "what went out meanwhile (default: none)"),
    "fill-time": ("TIME", "how long it took"),
    "fill-from": ("PRESSURE", "where it began"),
    "fill-to": ("PRESSURE", "where it ended"),
}
CAUTION = (
    "± is two standard uncertainties: nineteen times in twenty the truth is within.\n"
    "Fittings, drops and what lies above a ceiling are easily forgotten: a timed fill beats a"
    " take-off. Local codes and the compressor's listing decide."
)


def arguments(parser: argparse.ArgumentParser) -> None:
    piping.arguments(parser, OPTIONS)


def run(args: argparse.Namespace) -> int:
    asked = piping.Given(args)
    found = list(_sections(asked))
    asked.settle()
    piping.tell(found, args.json, lambda section: _account(section, asked.units), CAUTION)
    short = any(s["air_supply"] is not None and s["air_supply"]["enough"] is False for s in found)
    return int(short)


def _sections(asked: piping.Given) -> Iterator[dict[str, Any]]:
    q = asked.quantity
    within = q("within", "time", RESTORE_S, least=1.0) or RESTORE_S
    pressure, loss = q("pressure", "pressure", some=True), q("loss", "flow")
    gas_c = q("gas", "temperature", least=-100.0)
    low, high = q("cut-in", "pressure"), q("cut-out", "pressure")
    compressor, production = q("compressor", "flow"), q("production", "flow")
    measured = _measured(asked)
    site = asked.settings
    if site is None:
        pipes, take_off = asked.piping()
        if take_off is not None or measured is not None:
            flows = (compressor, production, loss)
            yield from _section(
                asked,
                None,
                pipes,
                0.0,
                take_off,
                measured,
                pressure,
                within,
                flows,
                (low, high),
                gas_c,
            )
        return
    supply = site.supply
    flows = (
        supply.compressor_l_min if compressor is None else compressor,
        supply.production_l_min if production is None else production,
        loss,
    )
    places = {SUPPLY: supply, **{s.name: s for s in site.system}}
    for name in asked.sections(places):
        place = places[name]
        # The half hour is the systems': the line counts only where no system is told of.
        normal = (
            (None if site.system else supply.cut_out_kpa)
            if name == SUPPLY
            else next(s.regulated_kpa for s in site.system if s.name == name)
        )
        band = (
            supply.cut_in_kpa if low is None else low,
            supply.cut_out_kpa if high is None else high,
        )
        filled = place.fill.volume if measured is None and place.fill is not None else measured
        yield from _section(
            asked,
            name,
            place.pipe,
            place.fittings_pct,
            place.take_off,
            filled,
            None if normal is None else normal if pressure is None else pressure,
            within,
            flows if name == SUPPLY else (*flows[:2], None),
            band,
            gas_c,
        )


def _measured(asked: piping.Given) -> Volume | None:
    q = asked.quantity
    flow, out = q("fill-flow", "flow"), q("fill-loss", "flow", 0.0)
    time, start = q("fill-time", "time"), q("fill-from", "pressure")
    end = q("fill-to", "pressure")
    parts = {"fill-flow": flow, "fill-time": time, "fill-from": start, "fill-to": end}
    if all(value is None for value in parts.values()):
        return None
    missing = [f"--{name}" for name, value in parts.items() if value is None]
    if flow is None or time is None or start is None or end is None or out is None:
        if not asked.faults:
            asked.faults.append(
                f"a timed fill: expected {', '.join(missing)} too, found only the others"
            )
        return None
    try:
        return by_fill(flow, out, time, start, end)
    except ValueError as error:
        asked.faults.append(f"a timed fill: expected {error}, found otherwise")
        return None


def _section(
    asked: piping.Given,
    name: str | None,
    pipes: list[Pipe],
    fittings_pct: float,
    take_off: Volume | None,
    measured: Volume | None,
    to_kpa: float | None,
    within_s: float,
    flows: tuple[float | None, float | None, float | None],
    band: tuple[float | None, float | None],
    gas_c: float | None,
) -> Iterator[dict[str, Any]]:
    volume = measured or take_off
    compressor, production, loss = flows
    out: dict[str, Any] = {
        "section": name,
        "take_off": None
        if take_off is None
        else {
            "volume_l": take_off.litres,
            "sd_l": take_off.sd,
            "fittings_pct": fittings_pct,
            "pipes": [
                {
                    "size": p.size,
                    "schedule": p.schedule,
                    "wall_mm": None if p.wall_m is None else p.wall_m * 1000.0,
                    "length_m": p.length_m,
                    "volume_l": p.volume_l,
                }
                for p in pipes
            ],
        },
        "measured": None
        if measured is None
        else {"volume_l": measured.litres, "sd_l": measured.sd},
        "compared": None,
        "air_supply": None,
        "cycling": None,
        "cost": None,
    }
    if take_off is not None and measured is not None:
        out["compared"] = compared(measured, take_off)._asdict()
    if volume is not None and to_kpa is not None:
        needed = fill(volume.litres, to_kpa, compressor, production, within_s, gas_c, volume.sd)
        out["air_supply"] = {
            "to_kpa": to_kpa,
            "within_s": within_s,
            "gas_c": gas_c,
            "compressor_l_min": compressor,
            "production_l_min": production,
            **_finite(needed._asdict()),
        }
    duty = None
    low, high = band
    if (
        volume is not None
        and loss is not None
        and production is not None
        and low is not None
        and high is not None
    ):
        try:
            works = cycling(volume.litres, high - low, production, loss)
        except ValueError as error:
            asked.faults.append(f"--cut-in, --cut-out: expected {error}, found otherwise")
            return
        duty = works.duty
        out["cycling"] = _finite(works._asdict())
    if loss is not None:
        prices = asked.settings.cost if asked.settings is not None else Cost()
        out["cost"] = {
            "currency": prices.currency,
            **cost.of_loss(
                loss, duty, prices.power_kw, prices.energy, prices.service_per_hour
            )._asdict(),
        }
    yield out


def _finite(numbers: dict[str, Any]) -> dict[str, Any]:
    """None for what never happens: JSON has no infinity."""
    return {k: v if v is None or isfinite(v) else None for k, v in numbers.items()}


def _account(section: dict[str, Any], shown: Units) -> Iterator[str]:
    words = Words.of(shown)

    def volume(litres: float) -> str:
        return units.show("volume", litres, shown.volume)

    def length(metres: float) -> str:
        return units.show("length", metres, "ft" if shown.volume in ("gal", "ft³", "ft3") else "m")

    if section["section"] is not None:
        yield (
            section["section"].capitalize() if section["section"] == SUPPLY else section["section"]
        )
    take_off, measured = section["take_off"], section["measured"]
    if take_off is None and measured is None:
        yield "  volume: neither told nor measured, so nothing that needs it is said"
    if take_off is not None:
        for p in take_off["pipes"]:
            wall = (
                f"schedule {p['schedule']}"
                if p["schedule"]
                else f"wall {p['wall_mm'] / 25.4:.3f} in"
                if shown.volume in ("gal", "ft³", "ft3")
                else f"wall {p['wall_mm']:.3g} mm"
            )
            yield f"  {p['size']} in, {wall}, {length(p['length_m'])}: {volume(p['volume_l'])}"
        if take_off["fittings_pct"]:
            yield f"  fittings: {take_off['fittings_pct']:g} % more"
        way = "taken off" if take_off["pipes"] else "as given"
        yield f"  volume {way}: {volume(take_off['volume_l'])} ± {volume(2 * take_off['sd_l'])}"
    if measured is not None:
        yield (
            f"  volume by timed fill: {volume(measured['volume_l'])} ±"
            f" {volume(2 * measured['sd_l'])}"
        )
    if section["compared"] is not None:
        c = section["compared"]
        verdict = "they agree" if c["agree"] else "they DISAGREE: look for what was left out"
        yield (
            f"  beside each other: measured {c['rel'] * 100:+.1f} %"
            f" ({c['sigmas']:.1f} standard uncertainties); {verdict}"
        )
    if section["air_supply"] is not None:
        a = section["air_supply"]
        gas_c = units.STANDARD_C if a["gas_c"] is None else a["gas_c"]
        at = units.show("temperature", gas_c, shown.temperature)
        yield (
            f"  to restore {words.pressure(a['to_kpa'])} in {words.duration(a['within_s'])}, the"
            f" gas at {at}: {words.flow(a['needed_l_min'])}"
        )
        if a["enough"] is not None:
            said = "does" if a["enough"] else "does NOT"
            if not a["sure"]:
                said = "MAY OR MAY NOT, for want of a measured volume"
            yield (
                f"  the compressor with {words.flow(a['compressor_l_min'])} {said}: it takes"
                f" {_lasting(words, a['takes_s'])} ({_lasting(words, a['takes_low_s'])} to"
                f" {_lasting(words, a['takes_high_s'])} within the volume's uncertainty)"
            )
        if a["generator_share"] is not None:
            yield (
                f"  the generator alone gives {a['generator_share'] * 100:.0f} % of that flow and"
                f" takes {_lasting(words, a['generator_takes_s'])}: fill in bypass first"
            )
    if section["cycling"] is not None:
        c = section["cycling"]
        if c["run_s"] is None:
            yield "  the generator never reaches cut-out: the loss is all that it makes"
        elif c["rest_s"] is None:
            yield "  with no loss it never runs"
        else:
            yield (
                f"  expected: {c['runs_a_day']:.1f} runs a day of {words.duration(c['run_s'])},"
                f" {words.duration(c['runtime_s_a_day'])} a day in all"
            )
    if section["cost"] is not None:
        yield from _cost(section["cost"], words)


def _lasting(words: Words, seconds: float | None) -> str:
    return "for ever" if seconds is None else words.duration(seconds)


def _cost(c: dict[str, Any], words: Words) -> Iterator[str]:
    yield f"  the loss in a year: {words.gas(c['nitrogen_l'])} of nitrogen"
    if c["hours"] is not None:
        yield f"    the compressor runs {c['hours']:.0f} h for it"
    if c["energy_kwh"] is not None:
        yield f"    and takes {c['energy_kwh']:.0f} kWh"
    if c["money"] is not None:
        yield f"    which costs {c['money']:.0f} {c['currency']}"
