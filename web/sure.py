"""What came out for each figure, how old it is and how sure: the rows that close its working. Pure."""

from collections.abc import Callable, Iterator, Mapping
from datetime import datetime
from types import MappingProxyType
from typing import Any, NamedTuple

from edge.settings import Channel, Settings
from web.figures import tells_a_least
from web.shown import NBSP, Local, SiteUnits, hours, lasting, parse_time, percent

Picture = Mapping[str, Any]
Row = tuple[str, str]


class _Known(NamedTuple):
    section: Picture
    channels: Picture
    settings: Settings
    local: Local
    calibrated: Picture


def rows(
    key: str,
    section: Picture,
    channels: Picture,
    settings: Settings,
    local: Local,
    calibrated: Picture = MappingProxyType({}),
) -> tuple[Row, ...]:
    """Of one figure of a section by its key in `explain`; none for a figure that is not known.
    `calibrated` has the newest calibration of each channel that was set right from here."""
    closing = _CLOSINGS.get(key)
    known = _Known(section, channels, settings, local, calibrated)
    return () if closing is None else tuple(closing(known))


def _age(text: str, local: Local) -> str:
    at = parse_time(text)
    return f"{local.moment(at).text}, {local.ago(at)}"


def _pressure(k: _Known) -> Iterator[Row]:
    value = k.section.get("pressure_kpa")
    if value is None:
        return
    yield "Result", str(SiteUnits.of(k.settings).pressure(value))
    age = (k.channels.get(k.settings.supply.pressure) or {}).get("age_s")
    yield "Age", "not known" if age is None else f"{lasting(age)}"
    yield (
        "How sure",
        "as sure as the sensor and its two points; nothing here can check it: compare it with the"
        " gauge",
    )


def _nitrogen(k: _Known) -> Iterator[Row]:
    purity = k.section.get("purity")
    if purity is None:
        return
    yield "Result", str(percent(purity["nitrogen_pct"], 2))
    yield "Age", f"measured {_age(purity['at'], k.local)}"
    cell = next((c for c in k.settings.channel if c.name == k.settings.supply.oxygen), None)
    yield "How sure", f"as sure as the cell's last calibration: {_calibrated(cell, k)}"


def _calibrated(cell: Channel | None, k: _Known) -> str:
    """When last, by what was done from here or by the settings, whichever is later."""
    written = None if cell is None else cell.calibrated
    made = None if cell is None else k.calibrated.get(cell.name)
    if made is not None:
        day = datetime.fromtimestamp(parse_time(made["at"]), k.settings.site.zone).date()
        if written is None or day >= written:
            return f"{_age(made['at'], k.local)}, by {made['by']}"
    return "none is known" if written is None else f"{written}, by the settings"


def _generator(k: _Known) -> Iterator[Row]:
    running = k.section.get("running")
    if running is None:
        return
    yield "Result", "running" if running else "resting"
    if k.section.get("duty_pct") is not None:
        yield "Result, duty", str(percent(k.section["duty_pct"]))
    if k.section.get("since") is not None:
        yield "Age", f"since {_age(k.section['since'], k.local)}"
    inferred = k.section.get("inferred")
    yield (
        "How sure",
        "told from the pressure alone: a turn is known some time after it"
        if inferred
        else "as sure as the run contact; hours that nobody watched count neither way",
    )


def _loss(k: _Known) -> Iterator[Row]:
    loss = k.section.get("loss")
    if loss is None:
        return
    u = SiteUnits.of(k.settings)
    yield "Result", str(u.rate(loss["loss_kpa_per_h"]))
    yield "Age", f"measured to {_age(loss['at'], k.local)}"
    low, high = u.rate(loss["loss_low_kpa_per_h"]), u.rate(loss["loss_high_kpa_per_h"])
    between = f"between {low.figure} and {high}" if tells_a_least(loss) else f"under {high}"
    yield "How sure", f"95{NBSP}% {between}"


def _hours(k: _Known) -> Iterator[Row]:
    left, loss = k.section.get("hours_above_low"), k.section.get("loss")
    if left is None or loss is None:
        return
    told = left["hours"]
    yield "Result", "longer than can be told" if told is None else hours(max(told, 0.0))
    yield "Age", f"the pressure of now; the loss measured to {_age(loss['at'], k.local)}"
    least, most = left["low"], left["high"]
    if least is None:
        yield "How sure", "the loss is too small to tell it from none"
    else:
        end = "longer than can be told" if most is None else hours(max(most, 0.0))
        yield "How sure", f"{hours(max(least, 0.0))} to {end}, from the loss's 95{NBSP}% range"


def _gas(k: _Known) -> Iterator[Row]:
    gas = k.section.get("gas")
    if gas is None or "not_known" in gas:
        return
    yield "Result", f"{percent(gas['oxygen_pct'], 1)} of oxygen"
    yield "Age", f"worked out now, counted since {_age(gas['since'], k.local)}"
    most = percent(gas["oxygen_high_pct"], 1)
    yield "How sure", f"at most {most} where all of it mixes; dead ends may hold more"


def _cost(k: _Known) -> Iterator[Row]:
    cost = k.section.get("cost")
    if cost is None:
        return
    u, prices = SiteUnits.of(k.settings), k.settings.cost
    yield "Loss as a flow", str(u.flow(cost["loss_l_min"]))
    yield "Nitrogen = flow × a year", u.gas(cost["nitrogen_l"])
    if cost["hours"] is not None:
        yield "Compressor = a year × share of running", f"{cost['hours']:.0f} h"
        yield "Share of running from", cost["duty_from"]
    if cost["energy_kwh"] is not None and prices.power_kw is not None:
        power = f"{prices.power_kw:g} kW"
        yield f"Energy = compressor × {power}", f"{cost['energy_kwh']:.0f} kWh"
    for key, label, price, per in (
        ("energy_money", "Energy paid", prices.energy, "kWh"),
        ("service_money", "Service", prices.service_per_hour, "h"),
    ):
        if cost[key] is not None and price is not None:
            unit = f"{price:g} {cost['currency']} a {per}"
            yield f"{label}, at {unit}", f"{cost[key]:.0f} {cost['currency']}"
    total = cost["money"]
    yield (
        "Result",
        "no prices are in the settings" if total is None else f"{total:.0f} {cost['currency']}",
    )
    yield "Age", "the loss of the last 7 days, worked out now"
    low, high = u.gas(cost["nitrogen_low_l"]), u.gas(cost["nitrogen_high_l"])
    yield "How sure", f"between {low} and {high}: the loss and the volume; the prices are as told"


_CLOSINGS: Mapping[str, Callable[[_Known], Iterator[Row]]] = {
    "pressure": _pressure,
    "nitrogen": _nitrogen,
    "generator": _generator,
    "loss": _loss,
    "hours_above_low": _hours,
    "gas": _gas,
    "cost": _cost,
}
