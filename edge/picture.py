"""What is known now, as one JSON-ready object for the page and for messages.

`state` is one of holding, watch, act and blind; `reason` and `todo` are plain sentences; then
each section's figures, the alerts that stand, and what is not judged and why. Numbers are in
inside units, named so; times ISO 8601.
"""

from math import hypot, isfinite
from typing import Any

from edge import advice
from edge.alarms import Desk
from edge.core import cost
from edge.core.gas import flow_l_min, hours_to_reach
from edge.core.units import STANDARD_C
from edge.detect.base import URGENT, Now
from edge.detect.leak_growth import Told, smallest_told
from edge.model import SUPPLY, iso

BLIND_S = 60.0
"""Without a pressure reading for longer, nothing is claimed."""


def draw(now: Now, desk: Desk) -> dict[str, Any]:
    """The picture after the last tick that was judged."""
    alerts = desk.pictures(now)
    tests = now.tests.picture(now.t, now.supply.stamp)
    state, reason, todo = _sentence(now, [a for a in alerts if a["state"] != "shelved"])
    return {
        "state": state,
        "reason": _marked(reason, now),
        "todo": todo,
        "simulated": list(now.simulated),
        "not_judged": _not_judged(now, desk),
        "sections": {SUPPLY: _supply(now), **_systems(now)},
        "alerts": alerts,
        "flood": desk.flood(now.t),
        "working": None
        if desk.working_until_t is None
        else {"by": desk.working_by, "until": _at(now, desk.working_until_t)},
        "hold_test": tests[0] if tests else None,
        "hold_tests": tests,
        "hold_refused": now.tests.refused(),
        "visit": now.visit.picture(now.t, now.at),
        "calibrated": _calibrated(now),
        "work": now.work.picture(now.t, now.at),
        "oxygen_sensor": now.visit.oxygen(),
    }


def _calibrated(now: Now) -> dict[str, dict[str, Any]]:
    """The newest calibration of each channel that has one from here."""
    return {
        channel: {key: past[-1].get(key) for key in ("at", "by", "point", "output_rel", "gain")}
        for channel, past in now.cells.history.items()
    }


def _sentence(now: Now, alerts: list[dict[str, Any]]) -> tuple[str, str, str]:
    supply, words = now.supply, now.words
    contact = now.settings.site.contact or "your fire-protection contractor"
    if any(a["priority"] == URGENT for a in alerts):
        return "act", alerts[0]["text"], _owner(alerts[0], contact)
    if supply.kpa is None or supply.t is None or now.t - supply.t > BLIND_S:
        why = next(iter(now.channels.failed.values()), "no pressure has been read yet")
        return (
            "blind",
            f"The pressure cannot be read ({why}), so nothing is claimed about the piping.",
            f"Read the gauge on site and call {contact}.",
        )
    if alerts:
        return "watch", alerts[0]["text"], _owner(alerts[0], contact)
    given = now.settings
    # One reading alone may be the wire: no alert yet, but nothing is well either.
    for beyond, side, limit in (
        (supply.kpa < given.low_pressure_kpa, "under the low", given.low_pressure_kpa),
        (supply.kpa > given.high_pressure_kpa, "over the high", given.high_pressure_kpa),
    ):
        if beyond:
            at = words.pressure_beside(supply.kpa, limit)
            text = f"The newest reading is {at}, {side} limit of {words.pressure(limit)}."
            return "watch", text, "Read the gauge on site; the next readings tell more."
    at = words.pressure(supply.kpa)
    if supply.running:
        return "holding", f"The pressure is {at} and rising; the generator is running.", "Nothing."
    band = (
        f"between {words.pressure(now.settings.supply.cut_in_kpa)} and"
        f" {words.pressure(now.settings.supply.cut_out_kpa)}"
    )
    inside = now.settings.supply.cut_in_kpa <= supply.kpa <= now.settings.supply.cut_out_kpa
    text = f"The pressure is {at}, {band} as it should be." if inside else f"The pressure is {at}."
    return "holding", text, "Nothing."


def _owner(alert: dict[str, Any], contact: str) -> str:
    return advice.owner(alert["alert"], alert["priority"], contact)


def _marked(reason: str, now: Now) -> str:
    """The sentence with the word before it where it comes from no sensor."""
    if not now.simulated:
        return reason
    whole = len(now.simulated) == len(now.settings.channel)
    return f"{'Simulated' if whole else 'Simulated in part'}. {reason}"


def _not_judged(now: Now, desk: Desk) -> list[str]:
    supply = now.settings.supply
    missing = []
    if supply.oxygen is None:
        missing.append("Purity: no oxygen channel is fitted.")
    if supply.running is None:
        missing.append("Runs are inferred from the pressure: no run contact is fitted.")
    if supply.temperature is None:
        missing.append(
            "Weather's part in the loss is only allowed for: no temperature is measured."
        )
    if supply.volume_l is None:
        missing.append("Loss as a flow: the volume is not told in the settings.")
    for system in now.settings.system:
        if system.low_pressure_kpa is None:
            missing.append(f"Low pressure of {system.name}: its limit is not in the settings.")
        if system.regulated_kpa is None:
            missing.append(
                f"The air maintenance device of {system.name}: what it is set to is not in the"
                " settings."
            )
    missing += [
        f"{advice.name_of(name)}: switched off ({why})." for name, why in desk.broken.items()
    ]
    return missing


def _at(now: Now, t: float | None) -> str | None:
    return None if t is None else iso(now.supply.stamp(t))


def _supply(now: Now) -> dict[str, Any]:
    supply, t = now.supply, now.t
    exposure = supply.weather.exposure()
    baseline, told = now.baseline.picture(), smallest_told(now)
    return {
        "pressure_kpa": supply.kpa,
        "running": supply.running,
        "inferred": not supply.by_contact,
        "since": _at(now, supply.since_t),
        "cut_in_kpa": supply.cut_in_kpa,
        "cut_out_kpa": supply.cut_out_kpa,
        "loss": supply.loss,
        "baseline": None
        if baseline is None
        else {
            **baseline,
            "at": iso(baseline["at"]) if baseline["at"] else None,
            "compared_kpa_per_h": now.baseline.least_loss,
            "told_from_kpa_per_h": None if told is None else told.soon,
            "told_in_days_from_kpa_per_h": None if told is None else told.slowly,
        },
        "rise_kpa_per_h": supply.rise_kpa_per_h,
        "purity": None
        if supply.purity.now_pct is None
        else {
            "nitrogen_pct": round(supply.purity.now_pct, 3),
            "at": _at(now, supply.purity.at_t),
            "valid_now": supply.purity.valid,
        },
        "duty_pct": supply.runs.duty_pct(t),
        "runtime_day_s": supply.runs.runtime_s(t),
        "starts_day": supply.runs.starts(t, 86400.0),
        "hours_above_low": _hours_above_low(now),
        "exposure": None
        if exposure is None
        else {
            "share": round(exposure[0], 3),
            "sd": round(exposure[1], 3),
            "lag_h": round(exposure[2], 2),
        },
        "gas": now.gas.picture(SUPPLY, now.at),
        "cost": _cost(now),
        "explain": {**_explain(now, told), **_explain_gas(now, SUPPLY)},
    }


def _hours_above_low(now: Now) -> dict[str, Any] | None:
    """Until the low limit if the supply stopped now: the loss falls as the pressure does."""
    supply, atmosphere = now.supply, now.settings.site.atmosphere_kpa
    if supply.kpa is None or supply.loss is None:
        return None
    at_reference = float(supply.loss["loss_at_reference_kpa_per_h"])
    measured = float(supply.loss["loss_kpa_per_h"])
    scale = at_reference / measured if measured else 1.0
    losses = {
        "hours": at_reference,
        "low": float(supply.loss["loss_high_kpa_per_h"]) * scale,
        "high": float(supply.loss["loss_low_kpa_per_h"]) * scale,
    }
    least = now.settings.low_pressure_kpa + atmosphere
    hours = {
        name: hours_to_reach(supply.kpa + atmosphere, least, loss / supply.reference_absolute_kpa)
        for name, loss in losses.items()
    }
    return {name: round(h, 2) if isfinite(h) else None for name, h in hours.items()}


def _explain(now: Now, told: Told | None) -> dict[str, list[list[str]]]:
    """Inputs, formula and result of each figure, as rows of text."""
    words, supply, settings = now.words, now.supply, now.settings
    rows: dict[str, list[list[str]]] = {}
    if supply.kpa is not None:
        rows["pressure"] = [
            ["read from", settings.supply.pressure],
            ["now", words.pressure(supply.kpa)],
            ["low limit", words.pressure(settings.low_pressure_kpa)],
            ["high limit", words.pressure(settings.high_pressure_kpa)],
        ]
    rows["generator"] = [
        ["turns from", "run contact" if supply.by_contact else "the pressure alone"],
        ["ran in 24 h", words.duration(supply.runs.runtime_s(now.t))],
        ["watched in 24 h", words.duration(supply.runs.watched_s(now.t))],
        ["duty", "ran / watched, as a percentage"],
    ]
    if supply.loss is not None:
        loss = supply.loss
        rows["loss"] = [
            ["measured over", words.duration(float(loss["idle_s"]))],
            ["method", "slope of the pressure at constant temperature, least squares"],
            [
                "temperature",
                "measured and allowed for" if loss["temperature_used"] else "not measured",
            ],
            ["slope", words.rate(float(loss["loss_kpa_per_h"]))],
            [
                "95 % range",
                words.between(
                    float(loss["loss_low_kpa_per_h"]), float(loss["loss_high_kpa_per_h"])
                ),
            ],
            ["at mid-band", words.rate(float(loss["loss_at_reference_kpa_per_h"]))],
        ]
        if "loss_l_min" in loss:
            rows["loss"].append(
                ["flow = volume × slope / standard pressure", words.flow(float(loss["loss_l_min"]))]
            )
        rows["loss"] += _explain_growth(now, told)
        rows["hours_above_low"] = [
            ["from", words.pressure(supply.kpa or 0.0)],
            ["to the low limit", words.pressure(settings.low_pressure_kpa)],
            ["loss at mid-band", words.rate(float(loss["loss_at_reference_kpa_per_h"]))],
            ["method", "the loss falls with the absolute pressure: hours = ln(P1/P2) × P / loss"],
        ]
    if supply.purity.now_pct is not None:
        rows["nitrogen"] = [
            ["oxygen", words.percent(100.0 - supply.purity.now_pct)],
            ["nitrogen", "100 % − oxygen"],
            ["judged", f"after {words.duration(settings.supply.warm_up_s)} of running"],
        ]
    return rows


def _explain_growth(now: Now, told: Told | None) -> list[list[str]]:
    """What the loss is compared with, and from where on growth can be told."""
    words, base = now.words, now.baseline
    least = base.least_loss
    if base.loss is None or least is None:
        return []
    rows = [["commissioned, at mid-band", f"{words.rate(base.loss)}, {base.made}"]]
    if least != base.loss:
        rows.append(["compared with the most it may have been", words.rate(least)])
    if told is not None:
        none = "none: the weather hides it"
        for when, loss in (("two rests", told.soon), ("some days", told.slowly)):
            text = none if loss is None else words.rate(loss)
            rows.append([f"smallest loss told as grown within {when}", text])
    return rows


def _cost(now: Now) -> dict[str, Any] | None:
    """A year at the loss of the last days, with the range that its and the volume's uncertainty
    leave (two standard ones each way), and how much of it has come since commissioning."""
    site, volume, mean = now.settings, now.settings.supply.gas_volume, now.trend.mean()
    if volume is None or mean is None:
        return None
    loss, sd = mean
    production, duty = site.supply.production_l_min, now.supply.runs.duty_pct(now.t)
    flow = flow_l_min(volume.litres, max(loss, 0.0), STANDARD_C)
    spread = flow_l_min(
        volume.litres, 2.0 * hypot(sd, loss * volume.sd / volume.litres), STANDARD_C
    )

    def year(l_min: float) -> cost.Cost:
        share = None if production is None else l_min / production
        if share is None and duty is not None:
            share = duty / 100.0
        prices = site.cost
        return cost.of_loss(l_min, share, prices.power_kw, prices.energy, prices.service_per_hour)

    found, least, most = year(flow), year(max(flow - spread, 0.0)), year(flow + spread)
    grown = None
    if now.baseline.loss is not None and loss > 0.0:
        grown = min(max(1.0 - now.baseline.loss / loss, 0.0), 1.0)
    return {
        **found._asdict(),
        "nitrogen_low_l": least.nitrogen_l,
        "nitrogen_high_l": most.nitrogen_l,
        "money_low": least.money,
        "money_high": most.money,
        "currency": site.cost.currency,
        "loss_l_min": flow,
        "duty_from": None
        if found.hours is None
        else "the last day's runs"
        if production is None
        else "loss over production",
        "since_commissioning": grown,
    }


def _explain_gas(now: Now, name: str) -> dict[str, list[list[str]]]:
    gas, words = now.gas.picture(name, now.at), now.words
    if "not_known" in gas:
        return {}
    return {
        "gas": [
            ["started again", f"{gas['why']}, {gas['since']}"],
            ["gas held", f"{gas['held_l']:.0f} standard litres"],
            ["made up", f"{words.flow(gas['makeup_l_min'])}: {gas['makeup_from']}"],
            [
                "oxygen of the supply",
                f"{words.percent(gas['supply_oxygen_pct'])}, {gas['supply_from']}",
            ],
            ["oxygen now", words.percent(gas["oxygen_pct"])],
            ["at most", words.percent(gas["oxygen_high_pct"])],
            ["while makeup flows", "C = Cs + (C0 − Cs) × exp(−makeup × time / gas held)"],
        ]
    }


def _systems(now: Now) -> dict[str, Any]:
    return {
        name: {
            "pressure_kpa": system.kpa,
            "low_pressure_kpa": system.given.low_pressure_kpa,
            "regulated_kpa": system.given.regulated_kpa,
            "loss": None,
            "gas": now.gas.picture(name, now.at),
            "explain": _explain_gas(now, name),
        }
        for name, system in now.systems.items()
    }
