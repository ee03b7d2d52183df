"""A site with years behind it, in seconds: roll-ups, events and hold tests as the daemon would have
left them, after a physical pattern with a seed.

The line saws between cut-out and cut-in. How fast it falls follows the season and a leak that grows
until it is found and mended. There are power cuts, after each of which steady time stands still
while UTC went on; a sensor that dies and is replaced; a channel that was added after the first
year; alerts that were raised, acknowledged and cleared; and hold tests, judged by the real
judgement. The rows of the past are put straight into the real schema, which is what makes it fast;
the last hours go through the real writer. The last three days are those of depot.turn().
"""

import json
import sqlite3
import zlib
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from itertools import islice, pairwise
from pathlib import Path
from typing import Any

import depot
import numpy as np

from edge.judge import Judge
from edge.model import GRID, Event, Request, Tick, iso, on_grid
from edge.settings import Settings
from edge.store import codec
from edge.store.schema import FILE
from edge.store.write import Writer

YEAR_S = 365.25 * 86400.0
FIVE_YEARS = 5 * 365.25
DAY_S = 86400.0
RAW_S = 3 * 3600  # that long before the end every reading is there, a second apart
CHUNK_S = 30 * 86400
BAND = depot.CUT_OUT - depot.CUT_IN
COMMISSIONED = depot.FALL / 1.9  # kPa/h
LEAK_DOUBLES_S = 1.1 * YEAR_S
TEST_S = 3 * 3600.0


@dataclass
class Past:
    """What happened, in UTC: where the pressure turned, which events, when the power was away."""

    turns: list[tuple[float, float]] = field(default_factory=list)  # UTC, kPa
    runs: list[tuple[float, float]] = field(default_factory=list)
    events: list[Event] = field(default_factory=list)
    tests: list[float] = field(default_factory=list)  # the cut-outs after which one was held
    outages: list[tuple[float, float]] = field(default_factory=list)
    blind: tuple[float, float] = (0.0, 0.0)  # the oxygen cell was dead

    def offsets(self, since: float) -> tuple[np.ndarray, np.ndarray]:
        """Steady seconds from which on an offset holds, and the offsets, both whole seconds."""
        firsts, offsets = [since], [0.0]
        for a, b in self.outages:
            firsts.append(a - offsets[-1])
            offsets.append(offsets[-1] + b - a)
        return np.array(firsts), np.array(offsets)


def _season(t: float) -> float:
    """-1 in the depth of winter to 1 in summer."""
    return float(-np.cos(2.0 * np.pi * (t / YEAR_S - 0.05)))


def _alert(
    past: Past, name: str, priority: str, at: float, days: float, text: str, cause: str | None
) -> None:
    told = {"alert": name, "priority": priority, "cause": cause, "evidence": {"stood_s": 60.0}}
    section = None if name == "channel_fault" else "supply"
    past.events += [
        Event(at, "alert_raised", text, section, told),
        Event(
            at + days * DAY_S * 0.2,
            "alert_acknowledged",
            "Ana Ruiz has seen it.",
            section,
            {**told, "by": "Ana Ruiz (192.168.7.20)"},
        ),
        Event(at + days * DAY_S, "alert_cleared", f"The alert {name} ended.", section, told),
    ]


def _cycle(past: Past, began: float, loss: float, end: float, run_s: float, n: int) -> None:
    """The facts of one rest, from `began` on, and of the run after it, from `end` on."""
    out = past.events.append
    turned = {"pressure_kpa": round(depot.CUT_IN, 2), "inferred": False}
    out(Event(end, "cut_in", "The generator cut in at 38.0 psi.", "supply", turned))
    rest = {
        "started": iso(began + 600.0),
        "idle_s": end - began - 600.0,
        "loss_kpa_per_h": loss,
        "loss_low_kpa_per_h": loss * 0.97,
        "loss_high_kpa_per_h": loss * 1.03,
        "loss_at_reference_kpa_per_h": loss * (1.0 + 0.02 * (n % 5 - 2)),
        "loss_l_min": 0.19 * loss,
    }
    out(Event(end, "idle_measured", "Resting, it lost pressure.", "supply", rest))
    up = {"started": iso(end), "run_s": run_s, "rise_kpa_per_h": BAND / run_s * 3600.0}
    out(Event(end + run_s, "run_measured", "The generator ran.", "supply", up))
    pure = {"nitrogen_pct": 98.4 + 0.1 * (n % 4)}
    text = f"Nitrogen was {pure['nitrogen_pct']:.1f} % while running warm."
    out(Event(end + run_s - 60.0, "purity_measured", text, "supply", pure))
    turned = {"pressure_kpa": round(depot.CUT_OUT, 2), "inferred": False}
    out(Event(end + run_s, "cut_out", "The generator cut out at 52.0 psi.", "supply", turned))
    past.turns += [(end, depot.CUT_IN), (end + run_s, depot.CUT_OUT)]
    past.runs.append((end, end + run_s))


def lived(since: float, until: float, seed: int) -> Past:
    """The site's past from `since` to `until`, UTC; the last three days as depot.turn() has them."""
    rng = np.random.default_rng(seed)
    past = Past(turns=[(since, depot.CUT_OUT)])
    t, n, mended, raised = since, 0, since, False
    cycle_s = depot.IDLE_S + depot.RUN_S
    handover = float(np.ceil(max(until - 3 * DAY_S, since) / cycle_s) * cycle_s)
    if handover - cycle_s <= since:
        past.turns = [(handover - cycle_s, depot.CUT_OUT)]
    next_test = since + 0.4 * YEAR_S
    while True:
        loss = COMMISSIONED * 2.0 ** ((t - mended) / LEAK_DOUBLES_S)
        loss *= (1.0 - 0.08 * _season(t)) * float(rng.normal(1.0, 0.01))
        if not raised and loss > 2.0 * COMMISSIONED and t < handover - 20 * DAY_S:
            raised, mended_at = True, t + 12 * DAY_S
            text = "The line loses twice what it lost at hand-over."
            _alert(past, "leak_growth", "soon", t, 12.0, text, "leak")
        if raised and t > mended_at:
            raised, mended, next_test = False, t, min(next_test, t)
        began = t
        if t >= next_test and t < handover - 2 * DAY_S:
            next_test = t + YEAR_S
            past.tests.append(t)
            t += TEST_S  # the devices are shut: the line alone loses a third
            began, kpa = t, depot.CUT_OUT - loss / 3.0 * TEST_S / 3600.0
            past.turns.append((t, kpa))
        else:
            kpa = depot.CUT_OUT
        end = t + (kpa - depot.CUT_IN) / loss * 3600.0
        run_s = depot.RUN_S * float(rng.normal(1.0, 0.02)) * (1.0 + 0.05 * _season(t))
        if end + run_s >= handover - depot.RUN_S:
            break
        _cycle(past, began, loss, end, run_s, n)
        t, n = end + run_s, n + 1
    # What is left until the pattern of the last days begins is one slow rest.
    past.turns += [(handover - depot.RUN_S, depot.CUT_IN), (handover, depot.CUT_OUT)]
    past.runs.append((handover - depot.RUN_S, handover))
    while handover + cycle_s <= until:
        end = handover + depot.IDLE_S
        _cycle(past, handover, depot.FALL, end, depot.RUN_S, n)
        handover, n = handover + cycle_s, n + 1
    rest_kpa, _ = depot.turn(until)
    if until > handover + depot.IDLE_S:
        past.turns.append((handover + depot.IDLE_S, depot.CUT_IN))
    past.turns.append((until, rest_kpa))

    years = (until - since) / YEAR_S
    for year in range(int(years)):
        at = since + year * YEAR_S
        text = "Nitrogen was 96.9 %, under 98 %."
        _alert(past, "low_purity", "soon", at + 100 * DAY_S, 2.0, text, "production_weak")
        text = "Pressure is 33.1 psi, under the low limit of 34 psi."
        _alert(past, "low_pressure", "urgent", at + 200 * DAY_S, 0.1, text, "no_power")
        text = "The oxygen cell was last calibrated over half a year ago."
        _alert(past, "calibration_due", "planned", at + 300 * DAY_S, 5.0, text, None)
        for _ in range(8):
            a = round(at + float(rng.uniform(10.0, 350.0)) * DAY_S)
            away = int(rng.choice([600, 3600, 9000, 40 * 3600]))
            if all(abs(a - test) > DAY_S for test in past.tests):
                past.outages.append((a, a + away))
    past.outages = [
        (a, b) for (a, b), (c, _) in pairwise([*sorted(past.outages), (until, until)]) if b < c
    ]
    if years >= 2.0:
        past.blind = (since + 1.5 * YEAR_S, since + 1.5 * YEAR_S + 9 * DAY_S)
        _alert(past, "channel_fault", "soon", past.blind[0], 9.0, "The oxygen cell is dead.", None)
    for a, b in past.outages:
        past.events += [
            Event(a, "monitor_stopped", "The monitor was stopped."),
            Event(b + 1.0, "monitor_started", "The monitor was started."),
        ]
    past.events = [
        e for e in past.events if not any(a < e.at <= b for a, b in past.outages) and e.at <= until
    ]
    return past


Columns = dict[str, tuple[np.ndarray, np.ndarray, np.ndarray]]


def _minutes(past: Past, utc: np.ndarray, rng: np.random.Generator) -> Columns:
    """Least, mean and most of each channel over the minutes that begin at these seconds of UTC."""
    xs, ys = map(np.array, zip(*past.turns, strict=True))
    first, last = np.interp(utc, xs, ys), np.interp(utc + 60.0, xs, ys)
    ons, offs = map(np.array, zip(*past.runs, strict=True))
    run = np.searchsorted(ons, utc, "right") - 1
    share = np.where((run >= 0) & (utc < offs[run]), 1.0, 0.0)
    season = -np.cos(2.0 * np.pi * (utc / YEAR_S - 0.05))
    room = 16.0 + 6.0 * season + 3.0 * np.sin(2.0 * np.pi * utc / DAY_S)
    oxygen = np.where(share > 0.0, 1.4, 2.6) + 0.1 * season
    aisle = 30.2 * depot.PSI + rng.normal(0.0, 0.2, utc.size)
    front = np.sin(2.0 * np.pi * utc / (5.0 * DAY_S))  # of the weather

    def about(mean: np.ndarray, spread: float) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        return mean - spread, mean, mean + spread

    return {
        "line_pressure": (
            np.minimum(first, last) - 0.2,
            (first + last) / 2.0,
            np.maximum(first, last) + 0.2,
        ),
        "oxygen": about(oxygen, 0.05),
        "running": about(share, 0.0),
        "room_temperature": about(room, 0.1),
        "aisle_pressure": about(aisle, 0.2),
        "aisle_temperature": about(-21.0 + 0.5 * season, 0.3),
        "dock_pressure": about(aisle - 0.1 * depot.PSI, 0.2),
        "dock_temperature": about(room - 12.0, 0.1),
        "barometer": about(depot.STILL["barometer"] + front, 0.02),
        "sensor_supply": about(np.full(utc.size, depot.STILL["sensor_supply"]), 0.01),
    }


def _texts(found: Columns, names: Sequence[str], n: int, blind: np.ndarray) -> list[str]:
    """The roll-ups' data, a text for each stretch; `blind` says where oxygen was not read."""
    parts = []
    for name in names:
        low, mean, high = (np.rint(a * GRID).astype(int).tolist() for a in found[name])
        cells = [f"[{n},{a},{b},{c}]" for a, b, c in zip(low, mean, high, strict=True)]
        if name == "oxygen":
            cells = ["null" if dark else c for c, dark in zip(cells, blind.tolist(), strict=True)]
        parts.append(cells)
    return [f"[{','.join(row)}]" for row in zip(*parts, strict=True)]


def keep(
    folder: Path,
    settings: Settings,
    days: float = FIVE_YEARS,
    minutes_days: float = 400.0,
    seed: int = 5,
    until: float = depot.NOW - 50.0,
) -> Past:
    """A state folder with that many days of history up to `until`, UTC, of the site of
    edge/saltmarsh.toml or a larger one; of `minutes_days` there are minute roll-ups. Returns what happened."""
    since = until - days * DAY_S
    since -= since % 900.0
    past = lived(since, until, seed)
    Writer(folder, settings, []).close()
    db = sqlite3.connect(folder / FILE, isolation_level=None)
    db.execute("PRAGMA synchronous = OFF")
    db.execute("BEGIN")
    firsts, offsets = past.offsets(since)
    db.executemany(
        "INSERT INTO epochs VALUES (?, ?)",
        [(round(1000 * a), round(1000 * b)) for a, b in zip(firsts, offsets, strict=True)],
    )
    # What the writer has not rolled up by itself: up to a whole quarter of an hour.
    end = (until - offsets[-1] - RAW_S) // 900 * 900
    _roll(db, past, settings, (since, end), firsts, offsets, minutes_days, seed)
    told = [(e, b"", ()) for e in past.events]
    tests = [_held(past, settings, at, firsts, offsets) for at in past.tests]
    for event, aside, ticks in sorted([*told, *(t for test in tests for t in test)], key=_when):
        _tell(db, event, aside, ticks, [c.name for c in settings.channel])
    db.execute("COMMIT")
    db.close()
    writer = Writer(folder, settings, [])
    raw = (_tick(past, settings, t, offsets[-1]) for t in _seconds(end + 1, until - offsets[-1]))
    for batch in _batches(raw):
        writer.keep(batch, [], None)
    writer.keep([], [], {"version": 1})
    writer.close()
    return past


def _batches(ticks: Iterable[Tick]) -> Iterator[list[Tick]]:
    left = iter(ticks)
    while batch := list(islice(left, 60)):
        yield batch


def _when(told: tuple[Event, bytes, Sequence[Tick]]) -> float:
    return told[0].at


def _seconds(first: float, last: float) -> Iterator[float]:
    yield from range(int(first), int(last) + 1)


def _roll(
    db: sqlite3.Connection,
    past: Past,
    settings: Settings,
    span: tuple[float, float],
    firsts: np.ndarray,
    offsets: np.ndarray,
    minutes_days: float,
    seed: int,
) -> None:
    """Minute and quarter-hour roll-ups over steady seconds."""
    rng = np.random.default_rng(seed)
    names = [c.name for c in settings.channel]
    layout = db.execute("SELECT max(id) FROM layouts").fetchone()[0]
    young = [[c.name, c.quantity] for c in settings.channel][:-1]
    db.execute("INSERT INTO layouts (channels) VALUES (?)", (json.dumps(young),))
    before = db.execute("SELECT max(id) FROM layouts").fetchone()[0]
    since, end = span
    for start in np.arange(since, end, CHUNK_S):
        steady = np.arange(start, min(start + CHUNK_S, end), 60.0)
        utc = steady + offsets[np.searchsorted(firsts, steady, "right") - 1]
        found = _minutes(past, utc, rng)
        blind = (past.blind[0] <= utc) & (utc < past.blind[1])
        first_year = end - since > 2 * YEAR_S and start < since + YEAR_S
        shown, number = (names[:-1], before) if first_year else (names, layout)
        quarters = {
            name: (
                low.reshape(-1, 15).min(1),
                mean.reshape(-1, 15).mean(1),
                high.reshape(-1, 15).max(1),
            )
            for name, (low, mean, high) in found.items()
        }
        texts = _texts(quarters, shown, 900, blind[::15])
        db.executemany(
            f"INSERT INTO quarter_hours VALUES (?, {number}, ?)",
            zip(steady[::15].astype(int).tolist(), texts, strict=True),
        )
        young_enough = steady >= end - minutes_days * DAY_S
        if young_enough.any():
            cut = {k: tuple(a[young_enough] for a in v) for k, v in found.items()}
            texts = _texts(cut, shown, 60, blind[young_enough])  # type: ignore[arg-type]
            db.executemany(
                f"INSERT INTO minutes VALUES (?, {number}, ?)",
                zip(steady[young_enough].astype(int).tolist(), texts, strict=True),
            )


def _tick(past: Past, settings: Settings, steady: float, offset: float) -> Tick:
    """What was read at one steady second, near the past's end or in a hold test."""
    utc = steady + offset
    place = len(past.turns) - 1
    while place > 1 and past.turns[place - 1][0] > utc:
        place -= 1
    (a, p), (b, q) = past.turns[place - 1 : place + 1]
    running = q > p
    values = {
        "line_pressure": p + (q - p) * (utc - a) / (b - a),
        "oxygen": 1.4 if running else 2.6,
        "running": float(running),
        **depot.STILL,
    }
    return Tick(steady, offset, tuple(on_grid(values[c.name]) for c in settings.channel))


def _held(
    past: Past, settings: Settings, at: float, firsts: np.ndarray, offsets: np.ndarray
) -> list[tuple[Event, bytes, Sequence[Tick]]]:
    """A hold test of the supply line, asked for while the generator ran and judged from readings
    every ten seconds: its events with what is kept beside them."""
    place = next(i for i, (t, _) in enumerate(past.turns) if t == at)
    piece = Past(turns=past.turns[place - 1 : place + 2])
    offset = float(offsets[np.searchsorted(firsts + offsets, at, "right") - 1])
    rng = np.random.default_rng(int(at))
    judge, ticks, out = Judge(settings), list[Tick](), list[Event]()
    checked = {
        "confirmed_by": "Ana Ruiz",
        "confirmed": ["The owner is notified."],
        "valves": ["The device of Freezer aisles 1-6: closed."],
    }
    asked = Request(1, "hold_start", "Ana Ruiz (192.168.7.20)", {"checklist": checked})
    over = False
    for n, steady in enumerate(np.arange(at - offset - 600.0, at - offset + TEST_S, 10.0).tolist()):
        tick = _tick(piece, settings, steady, offset)
        noisy = on_grid(tick.values[0] + float(rng.normal(0.0, 0.1)))
        tick = tick._replace(values=(noisy, *tick.values[1:]))
        ticks.append(tick)
        events = judge.look(tick._replace(requests=(asked,)) if n == 5 else tick)
        if over:
            done = Request(2, "hold_put_back", asked.by, {"valves": checked["valves"]})
            events = judge.look(tick._replace(t=tick.t + 1.0, requests=(done,)))
        out += [e for e in events if e.kind.startswith(("hold_test", "valves"))]
        if over:
            break
        over = any(e.kind == "hold_test_finished" for e in out)
    return [
        (e, zlib.compress(json.dumps(e.aside).encode()), ticks) if e.aside else (e, b"", ())
        for e in out
    ]


def _tell(
    db: sqlite3.Connection, event: Event, aside: bytes, ticks: Sequence[Tick], names: Sequence[str]
) -> None:
    """An event, and for a test what was kept beside it with its readings."""
    number = db.execute(
        "INSERT INTO events (at_ms, kind, section, body) VALUES (?, ?, ?, ?)",
        (
            codec.milliseconds(event.at),
            event.kind,
            event.section,
            json.dumps(event.as_json(), separators=(",", ":"), ensure_ascii=False),
        ),
    ).lastrowid
    if not event.aside:
        return
    span: Any = [codec.milliseconds(event.aside[k]) for k in ("start_t", "end_t")]
    db.execute("INSERT INTO tests VALUES (?, ?, ?, ?)", (number, *span, aside))
    layout = db.execute("SELECT min(id) FROM layouts").fetchone()[0]
    for batch in _batches(ticks):
        times = [codec.milliseconds(t.t) for t in batch]
        db.execute(
            "INSERT INTO readings VALUES (?, ?, ?, ?, ?)",
            (times[0], times[-1], len(batch), layout, codec.encode(batch, names)),
        )
