"""A site as the daemon would leave it: a sawtooth of cycles kept through the real writer, and the
newest picture. Only the picture is written by hand, in the shape that the daemon gives it."""

import json
import os
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from edge.core.units import PSI
from edge.model import QUANTITIES, Event, Tick, iso, on_grid
from edge.settings import Settings
from edge.store.write import Writer

NOW = 1_772_830_800.0  # 2026-03-06T21:00:00Z, 15:00 in Chicago, two days before summer time
CUT_IN, CUT_OUT = 38.0 * PSI, 52.0 * PSI
IDLE_S, RUN_S = 4.2 * 3600.0, 24 * 60.0
FALL = (CUT_OUT - CUT_IN) / IDLE_S * 3600.0  # kPa/h
STILL = {
    "room_temperature": 18.0,
    "aisle_pressure": 30.2 * PSI,
    "aisle_temperature": -21.0,
    "dock_pressure": 30.1 * PSI,
    "dock_temperature": 4.0,
    "barometer": 99.1,
    "sensor_supply": 5.0,
}
"""What the channels show that the line's cycles do not move, those of larger sites included."""


def turn(t: float) -> tuple[float, bool]:
    """Pressure in kPa and whether the generator runs, at any time; cut-out at whole cycles."""
    at = t % (IDLE_S + RUN_S)
    if at < IDLE_S:
        return CUT_OUT - FALL * at / 3600.0, False
    return CUT_IN + (CUT_OUT - CUT_IN) * (at - IDLE_S) / RUN_S, True


def ticks(
    settings: Settings, since: float, until: float, step_s: float, hole: tuple[float, float]
) -> Iterator[Tick]:
    """Every channel at an even pace; nothing at all within the hole."""
    t = since
    while t <= until:
        if not hole[0] < t < hole[1]:
            pressure, running = turn(t)
            values = {
                "line_pressure": pressure,
                "oxygen": 1.4 if running else 2.6,
                "running": float(running),
                **STILL,
            }
            yield Tick(t, 0.0, tuple(on_grid(values[c.name]) for c in settings.channel))
        t += step_s


def events(since: float, until: float) -> list[Event]:
    """The facts of every cycle, and one alert that was raised and cleared."""
    out = []
    cycle = IDLE_S + RUN_S
    n = int(since // cycle) + 1
    while n * cycle <= until:
        end = n * cycle
        start = end - RUN_S
        if start > since:
            turned = {"pressure_kpa": round(CUT_IN, 2), "inferred": False}
            out.append(
                Event(start, "cut_in", "The generator cut in at 38.0 psi.", "supply", turned)
            )
            rest = {
                "started": iso(start - IDLE_S + 600.0),
                "idle_s": IDLE_S - 600.0,
                "loss_kpa_per_h": FALL,
                "loss_low_kpa_per_h": FALL * 0.97,
                "loss_high_kpa_per_h": FALL * 1.03,
                "loss_at_reference_kpa_per_h": FALL * (1.0 + 0.02 * (n % 5 - 2)),
                "loss_l_min": 4.4,
            }
            out.append(Event(start, "idle_measured", "Resting, it lost 3.3 psi/h.", "supply", rest))
            pure = {"nitrogen_pct": 98.4 + 0.1 * (n % 4)}
            text = f"Nitrogen was {pure['nitrogen_pct']:.1f} % while running warm."
            out.append(Event(end - 60.0, "purity_measured", text, "supply", pure))
        turned = {"pressure_kpa": round(CUT_OUT, 2), "inferred": False}
        out.append(Event(end, "cut_out", "The generator cut out at 52.0 psi.", "supply", turned))
        n += 1
    alert = {"alert": "low_purity", "priority": "soon", "cause": "bypass_open", "evidence": {}}
    raised = Event(
        until - 9 * 3600, "alert_raised", "Nitrogen was 79.2 %, under 98 %.", "supply", alert
    )
    cleared = Event(until - 7 * 3600, "alert_cleared", "Nitrogen is 98.5 % again.", "supply", alert)
    return sorted([*out, raised, cleared], key=lambda e: e.at)


def keep(
    folder: Path,
    settings: Settings,
    days: float,
    step_s: float = 60.0,
    until: float = NOW - 50.0,
    hole: tuple[float, float] = (NOW - 15 * 3600.0, NOW - 13 * 3600.0),
) -> None:
    """A state folder with that many days of history, written by the real writer."""
    writer = Writer(folder, settings, [])
    since = until - days * 86400.0
    batch: list[Tick] = []
    for tick in ticks(settings, since, until, step_s, hole):
        batch.append(tick)
        if len(batch) == 600:
            writer.keep(batch, [], None)
            batch = []
    writer.keep(batch, events(since, until), {"version": 1})
    writer.close()


LEAK = {
    "alert": "leak_growth",
    "section": "supply",
    "priority": "soon",
    "state": "active",
    "since": iso(NOW - 26 * 3600),
    "text": "The line loses 3.3 psi/h at rest, 2.2 times the 1.5 psi/h it lost at hand-over.",
    "cause": "leak",
    "todo": "Have the leak found within days; the generator runs twice as long as it should.",
    "evidence": {"loss_kpa_per_h": FALL, "rise_kpa_per_h": 241.0, "duty_pct": 8.7},
    "followers": ["excess_runtime"],
}
LOW = {
    "alert": "low_pressure",
    "section": "supply",
    "priority": "urgent",
    "state": "active",
    "since": iso(NOW - 1300),
    "text": "Pressure is 31.2 psi, under the low limit of 34 psi, and the generator does not run.",
    "cause": "no_power",
    "todo": "Send someone now: look at the compressor's breaker and overload.",
    "evidence": {"pressure_kpa": 215.1, "without_a_run_s": 4100.0},
    "followers": ["no_cut_in"],
}

GAS = {
    "oxygen_pct": 9.4,
    "oxygen_high_pct": 13.1,
    "target_oxygen_pct": 2.0,
    "since": iso(NOW - 6 * 86400),
    "why": "drained",
    "supply_oxygen_pct": 1.4,
    "supply_from": "measured",
    "held_l": 7368.2,
    "makeup_l_min": 1.2,
    "makeup_from": "its own hold test",
    "reached": False,
    "never": False,
    "earliest": iso(NOW + 11 * 86400),
    "vent_l_min": 1.42,
    "earliest_with_vent": iso(NOW + 5 * 86400),
    "vent_for_two_weeks_l_min": 0.0,
}

SAID: dict[str, tuple[str, str, str]] = {
    "holding": (
        "holding",
        "The line holds: 45.1 psi, between cut-in and cut-out, and the gas is nitrogen.",
        "Nothing. The next reading comes by itself.",
    ),
    "watch": ("watch", str(LEAK["text"]), "Call Fenwick Fire Protection this week."),
    "act": ("act", str(LOW["text"]), "Call Fenwick Fire Protection now, 555-0142."),
    "blind": (
        "blind",
        "The pressure sensor gives no value: 0.02 V, under 0.25 V is a wiring fault.",
        "Read the gauge on the line and have the sensor's cable looked at.",
    ),
}


def newest(settings: Settings, state: str = "holding", at: float = NOW) -> dict[str, Any]:
    """latest.json as the daemon writes it."""
    pressure, running = turn(at)
    word, reason, todo = SAID[state]
    if state == "act":
        pressure, running = 215.1, False
    value: float | None = None if state == "blind" else pressure
    values = {
        "line_pressure": value,
        "oxygen": 2.6,
        "running": float(running),
        **STILL,
        "room_temperature": 18.2,
    }
    since = at - at % (IDLE_S + RUN_S)
    alerts = {"holding": [], "watch": [LEAK], "act": [LOW, LEAK], "blind": []}[state]
    return {
        "at": iso(at),
        "written_at": iso(at),
        "tick": 48211,
        "channels": {
            c.name: {
                "quantity": c.quantity,
                "value": values.get(c.name, pressure),
                "unit": QUANTITIES[c.quantity].unit,
                "status": "good" if values.get(c.name, pressure) is not None else "failure",
                "why": None
                if values.get(c.name, pressure) is not None
                else "0.02 V is under 0.25 V",
                "age_s": 0.0 if values.get(c.name, pressure) is not None else 512.0,
                "volts": 2.304 if c.quantity == "pressure" else None,
            }
            for c in settings.channel
        },
        "picture": {
            "state": word,
            "reason": reason,
            "todo": todo,
            "not_judged": ["Freezer aisles 1-6: no commissioned loss to compare with"],
            "sections": {
                "supply": {
                    "pressure_kpa": value,
                    "running": running,
                    "inferred": False,
                    "since": iso(since),
                    "cut_in_kpa": 38.1 * PSI,
                    "cut_out_kpa": 52.0 * PSI,
                    "loss": {
                        "at": iso(since - RUN_S),
                        "started": iso(since - RUN_S - IDLE_S),
                        "loss_kpa_per_h": FALL,
                        "loss_low_kpa_per_h": FALL * 0.97,
                        "loss_high_kpa_per_h": FALL * 1.03,
                        "loss_at_reference_kpa_per_h": FALL,
                        "loss_l_min": 4.4,
                    },
                    "baseline": {
                        "loss_kpa_per_h": FALL / 1.1,
                        "low": FALL / 1.14,
                        "high": FALL / 1.06,
                        "made": "learned from the first 12 rests after hand-over",
                        "at": iso(at - 40 * 86400),
                    },
                    "rise_kpa_per_h": 241.0,
                    "purity": {
                        "nitrogen_pct": 98.6,
                        "at": iso(since - 60),
                        "valid_now": False,
                    },
                    "duty_pct": 8.7,
                    "runtime_day_s": 7490.0,
                    "starts_day": 5,
                    "hours_above_low": {"hours": 4.9, "low": 4.6, "high": 5.3},
                    "exposure": None,
                    "gas": {**GAS, "oxygen_pct": 1.9, "oxygen_high_pct": 2.4, "reached": True},
                    "cost": {
                        "nitrogen_l": 2.3e6,
                        "nitrogen_low_l": 1.9e6,
                        "nitrogen_high_l": 2.7e6,
                        "money_low": 411.0,
                        "money_high": 584.0,
                        "hours": 760.0,
                        "energy_kwh": 1140.0,
                        "energy_money": 193.8,
                        "service_money": 304.0,
                        "money": 497.8,
                        "currency": "USD",
                        "loss_l_min": 4.4,
                        "duty_from": "loss over production",
                        "since_commissioning": 0.09,
                    },
                    "explain": {
                        "loss": [
                            ["rest", "09:12 to 13:24, first 10 min left out"],
                            ["readings used", "13 920"],
                            ["slope of pressure", "−3.31 psi/h"],
                            ["brought to constant temperature", "−3.33 psi/h"],
                        ],
                        "nitrogen": [
                            ["oxygen", "1.40 %"],
                            ["nitrogen", "100 % − 1.40 % = 98.60 %"],
                        ],
                    },
                },
                "Freezer aisles 1-6": {
                    "pressure_kpa": 30.2 * PSI,
                    "low_pressure_kpa": 26.0 * PSI,
                    "regulated_kpa": 30.0 * PSI,
                    "gas": GAS,
                },
            },
            "alerts": alerts,
            "hold_test": None,
        },
        "monitor": {
            "not_kept": None,
            "readings_lost": 0,
            "events_lost": 0,
            "messengers": {
                "mqtt 10.0.0.5:1883": {
                    "connected": False,
                    "why": "no answer",
                    "waiting": 3,
                    "dropped": 0,
                }
            },
        },
    }


def show(folder: Path, said: dict[str, Any], saved_at: float = NOW) -> None:
    """Put latest.json in place, with the file's own time as asked."""
    folder.mkdir(parents=True, exist_ok=True)
    path = folder / "latest.json"
    path.write_text(json.dumps(said), encoding="utf-8")
    os.utime(path, (saved_at, saved_at))
