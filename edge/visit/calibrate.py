"""Calibrating the oxygen cell, in air or with a known gas, in a visit or on its own. Pure.

Nothing is set on the sensor: the correction is kept as a `calibrated` event, and sensing applies it
from the next tick on.
"""

from math import hypot
from typing import Any

from edge.core.calibration import AGEING_REL, WORN_REL, Correction, one_point, two_points
from edge.core.oxygen_air import in_air
from edge.model import SUPPLY, Event
from edge.visit.look import Look

AIR, GAS = "oxygen_air", "oxygen_second"
"""The steps that calibrate."""

GAS_SD_PCT = 0.03
"""Doubt of a certified gas near 2 % (common practice, no source)."""


def calibrate(look: Look, step: str, by: str) -> list[Event]:
    """The `calibrated` event, or none where the reading does not allow it; said in `look`."""
    channel = look.settings.supply.oxygen
    if channel is None:
        raise ValueError("no oxygen channel")
    before = look.cells.correction(channel)
    still = look.watch.still()
    if still is None:
        look.find(
            "not_calibrated",
            "the reading did not stand still for two minutes; nothing was changed.",
        )
        return []
    shown, sd = still
    raw = before.raw(shown)
    look.figure("Reading before", shown, None, "observed", sd=sd)
    try:
        if step == AIR:
            made, numbers = _air(look, raw, before)
        else:
            made, numbers = _gas(look, raw, channel)
    except ValueError as error:
        look.find("not_calibrated", f"{error} is expected; nothing was changed.")
        return []
    look.clears.append("not_calibrated")
    off = made.shown(raw) - shown
    look.says.append(f"Calibrated: the reading moves by {off:+.2f} % oxygen.")
    look.figure("Reading after", made.shown(raw), None, "worked out", sd=numbers["sd_pct"])
    words = f"{by} calibrated {channel} in {'air' if step == AIR else 'a known gas'}"
    numbers |= {
        "channel": channel,
        "gain": round(made.gain, 6),
        "offset": round(made.offset, 6),
        "raw": round(raw, 4),
        "by": by,
    }
    return [Event(look.at, "calibrated", f"{words}: moved by {off:+.2f} %.", SUPPLY, numbers)]


def _air(look: Look, raw: float, before: Correction) -> tuple[Correction, dict[str, Any]]:
    site = look.settings.site
    celsius = look.number("air_c")
    if celsius is None:
        raise ValueError("the temperature of the air")
    barometer = look.number("barometer_kpa")
    known = in_air(
        celsius,
        look.number("humidity_pct"),
        barometer_kpa=barometer,
        elevation_m=site.elevation_m,
    )
    look.figure("Oxygen that the air on site has", known.oxygen_pct, None, "worked out",
                sd=known.sd_pct)  # fmt: skip
    output = raw / known.oxygen_pct
    _cell(look, output)
    made = one_point(raw, known.oxygen_pct, before.offset)
    return made, {
        "point": "air",
        "known_pct": round(known.oxygen_pct, 4),
        "sd_pct": round(hypot(known.sd_pct, 0.05), 4),
        "output_rel": round(output, 4),
        "new_cell": bool(look.values.get("new_cell")),
    }


def _gas(look: Look, raw: float, channel: str) -> tuple[Correction, dict[str, Any]]:
    gas = look.number("gas_pct")
    if gas is None or not 0.0 <= gas <= 30.0:
        raise ValueError("the oxygen of the gas, 0 to 30 %")
    air = look.cells.air(channel)
    if air is None:
        raise ValueError("a calibration in air before the second point")
    made = two_points((float(air["raw"]), raw), (float(air["known_pct"]), gas))
    return made, {
        "point": "gas",
        "known_pct": gas,
        "sd_pct": GAS_SD_PCT,
        "output_rel": float(air["output_rel"]),
        "new_cell": False,
    }


def _cell(look: Look, output_rel: float) -> None:
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
