"""What a visit concludes of the piping: valves, the closed line, each system's fill, its device. Pure."""

from edge.core.units import PSI
from edge.model import SUPPLY
from edge.visit import steps
from edge.visit.look import Look
from edge.visit.watch import NEAR_AIR_OXYGEN_PCT

DEVICE_KPA = 2.0 * PSI
"""A system this far from its regulated pressure is not held by its device (common practice)."""


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
