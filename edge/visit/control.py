"""What a visit concludes of the pressure control: set points, and the cycle as it really runs. Pure."""

from collections.abc import Mapping
from typing import Any

from edge.visit.look import Look
from edge.visit.watch import delay

DELAY_BAND_S = 5.0
"""A start delay this far from its setting, beyond its own doubt, is mis-set (common practice)."""


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
