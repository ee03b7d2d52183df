"""The picture of edge.judge into what the owner's first view says. Pure: no clock, no input.

Everything here is text, numbers in the site's units, or a key that names a shape and a colour in
the style sheet. Nothing is judged here: the one decision is that old data is no data.
"""

import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from edge.model import QUANTITIES, SUPPLY
from edge.settings import Settings
from web import notes
from web.course import owner_rows
from web.shown import (
    DASH,
    NBSP,
    Local,
    Moment,
    Number,
    SiteUnits,
    hours,
    lasting,
    parse_time,
    percent,
)

Picture = Mapping[str, Any]

READ_S = 5.0
"""How often an open page asks for what is new."""

WORDS: Mapping[str, str] = {
    "holding": "Holding",
    "watch": "Watch",
    "act": "Act",
    "blind": "Blind",
}
MEANINGS: Mapping[str, str] = {
    "holding": "all is well",
    "watch": "something to plan for",
    "act": "someone must respond now",
    "blind": "the monitor cannot see, so nothing is claimed",
}

CAUTION = (
    "This monitor supplements the listed supervisory and alarm devices and never replaces them. "
    "It commands no valve, no compressor and no part of the fire-protection system. "
    "Closing valves impairs protection: notify the monitoring station and the owner and follow "
    "the impairment procedure first; put every valve back and prove it. "
    "Compressed gas, rotating machinery and mains voltage injure; nitrogen displaces oxygen: "
    "ventilate where it vents. "
    "Local codes, the authority having jurisdiction and licensed people decide."
)

BRIEF = 200
"""Characters that a screen of 320 by 568 has room for below the longest reason."""

PRIORITIES: Mapping[str, str] = {
    "urgent": "respond now",
    "soon": "within days",
    "planned": "at the next visit",
}


@dataclass(frozen=True, slots=True)
class Freshness:
    """How old the newest data is, and whether it may still be called the present."""

    fresh: bool
    age_s: float | None  # None: there is none
    limit_s: float
    written_at: float | None
    site_now: float  # the time at the site; runs fast in a demo
    speed: float  # site seconds in a second of the clock; 1 but for a demo


def freshness(
    latest: Picture | None, saved_at: float | None, now: float, every_s: float
) -> Freshness:
    """`saved_at` is when the file was last replaced and `now` the time, both by this machine's
    clock, UTC; a stamp ahead of the clock is as bad as an old one.

    Data is old after three periods, of the writer's or of this page's reader, the longer.
    """
    limit = 3.0 * max(every_s, READ_S)
    if latest is None or saved_at is None:
        return Freshness(False, None, limit, None, now, 1.0)
    demo = (latest.get("monitor") or {}).get("demo") or {}
    speed = float(demo.get("speed", 1.0))
    if speed == 1.0:
        # The file may have been copied or touched: its own word counts when it says older.
        written = min(saved_at, parse_time(latest["written_at"]))
        site_now = now
    else:  # a demo's stamps are of its own time, which stands still with its daemon
        written = saved_at
        site_now = parse_time(latest["at"]) + min(max(now - saved_at, 0.0), limit) * speed
    age = now - written
    fresh = -limit <= age <= limit
    return Freshness(fresh, max(age, 0.0), limit, written, site_now, speed)


@dataclass(frozen=True, slots=True)
class State:
    key: str  # holding, watch, act, blind: names the shape and the colour too
    word: str
    meaning: str
    reason: str
    todo: str

    @property
    def brief(self) -> str:
        """What to do, in as many whole sentences as a small phone has room for; the first at
        least. All of it stands with the alert."""
        out, *more = re.split(r"(?<=[.!?]) (?=[A-Z])", self.todo)
        for sentence in more:
            if len(out) + len(sentence) >= BRIEF:
                break
            out = f"{out} {sentence}"
        return out


def _ask(settings: Settings) -> str:
    contact = settings.site.contact
    return f"call {contact}" if contact else "call your fire-protection contractor"


def state(
    latest: Picture | None, seen: Freshness, settings: Settings, local: Local, now: float
) -> State:
    """The first sentence. `now` is the clock's, by which the age of the data is told."""
    if latest is not None and seen.fresh:
        picture = latest["picture"]
        key = picture["state"]
        return State(key, WORDS[key], MEANINGS[key], picture["reason"], picture["todo"])
    if seen.written_at is None:
        reason = "There is no data: the monitor is not running, or has not written anything yet."
    elif seen.written_at > now + seen.limit_s:
        reason = (
            "The newest data is stamped later than this clock: the clock has been set back, "
            "so the age of the data is not known."
        )
    else:
        since = Local(local.zone, now).moment(seen.written_at)
        reason = f"No new data for {lasting(now - seen.written_at)}, since {since.text}: the monitor has stopped."
    todo = f"Read the gauge on the supply line; to have the monitor looked at, {_ask(settings)}."
    return State("blind", WORDS["blind"], MEANINGS["blind"], reason, todo)


def lost(settings: Settings) -> State:
    """What an open page says when it gets no more answers."""
    reason = "This page no longer gets new data; what stands below is old."
    todo = (
        "See whether this device still has a connection and load the page again; "
        f"if that does not help, read the gauge on the supply line and {_ask(settings)}."
    )
    return State("blind", WORDS["blind"], MEANINGS["blind"], reason, todo)


@dataclass(frozen=True, slots=True)
class Line:
    """One line under a figure; `moment` is set behind the text."""

    text: str
    moment: Moment | None = None
    tail: str = ""


@dataclass(frozen=True, slots=True)
class Figure:
    """One of the figures: its number large, what belongs to it beneath."""

    key: str
    label: str
    number: Number
    now: bool  # False: not valid at this moment, shown subdued
    lines: tuple[Line, ...]


def pressure_figure(section: Picture, channel: Picture | None, settings: Settings) -> Figure:
    u, supply = SiteUnits.of(settings), settings.supply
    value = section.get("pressure_kpa")
    lines = []
    if value is None:
        why = (channel or {}).get("why") or "the pressure channel gives no value"
        age = (channel or {}).get("age_s")
        last = f"; last good reading {lasting(age)} ago" if age is not None else ""
        lines.append(Line(f"No reading: {why}{last}"))
    lines.append(Line(f"Set to cycle {u.span(supply.cut_in_kpa, supply.cut_out_kpa)}"))
    seen_in, seen_out = section.get("cut_in_kpa"), section.get("cut_out_kpa")
    if seen_in is not None and seen_out is not None:
        lines.append(Line(f"Last seen to cycle {u.span(seen_in, seen_out)}"))
    lines.append(Line(f"Low limit {u.pressure(settings.low_pressure_kpa)}"))
    number = Number(DASH, u.pressure_unit) if value is None else u.pressure(value)
    return Figure("pressure", "Pressure", number, value is not None, tuple(lines))


def nitrogen_figure(section: Picture, settings: Settings, local: Local) -> Figure:
    """A purity is judged only while the generator runs warm; the rest of the time it says when."""
    need = percent(settings.supply.purity_pct, 1 if settings.supply.purity_pct % 1 else 0)
    if settings.supply.oxygen is None:
        return Figure(
            "nitrogen", "Nitrogen", Number(DASH, "%"), False, (Line("No oxygen sensor is fitted"),)
        )
    purity = section.get("purity")
    target = Line(f"At least {need} wanted")
    if purity is None:
        lines = (Line("Not measured yet: only judged once the generator runs warm"), target)
        return Figure("nitrogen", "Nitrogen", Number(DASH, "%"), False, lines)
    at, valid = parse_time(purity["at"]), bool(purity["valid_now"])
    told: tuple[Line, ...]
    if valid:
        told = (Line("Measured now, running warm"), target)
    else:
        when = Line("Measured ", local.moment(at), f", {local.ago(at)}")
        told = (when, Line("Only judged while the generator runs warm"), target)
    number = percent(purity["nitrogen_pct"], 1)
    return Figure("nitrogen", "Nitrogen", number, valid, told)


def generator_figure(section: Picture, local: Local) -> Figure:
    running = section.get("running")
    word = {True: "Running", False: "Resting", None: "Unknown"}[running]
    lines = []
    if section.get("since") is not None and running is not None:
        since = parse_time(section["since"])
        lines.append(Line("Since ", local.moment(since), f", {lasting(local.now - since)}"))
    if section.get("inferred"):
        lines.append(Line("Told from the pressure alone"))
    ran, starts = section.get("runtime_day_s"), section.get("starts_day")
    if ran is not None and starts is not None:
        plural = "start" if starts == 1 else "starts"
        lines.append(Line(f"In 24{NBSP}h: {lasting(ran)}, {starts} {plural}"))
    if section.get("duty_pct") is not None:
        lines.append(Line(f"Duty {percent(section['duty_pct'])} of the time"))
    return Figure("generator", "Generator", Number(word, ""), running is not None, tuple(lines))


def loss_figure(section: Picture, settings: Settings, local: Local) -> Figure:
    u = SiteUnits.of(settings)
    loss, base = section.get("loss"), section.get("baseline")
    if loss is None:
        lines = [Line("Not measured yet: needs one rest of the generator")]
        number = Number(DASH, f"{u.pressure_unit}/h")
    else:
        number = u.rate(loss["loss_kpa_per_h"])
        low, high = u.rate(loss["loss_low_kpa_per_h"]), u.rate(loss["loss_high_kpa_per_h"])
        lines = [Line(f"95{NBSP}% sure of {low.figure} to {high.figure}")]
        if loss.get("loss_l_min") is not None:
            lines.append(Line(f"As a flow {u.flow(loss['loss_l_min'])}"))
        lines.append(Line("Measured to ", local.moment(parse_time(loss["at"]))))
    if base is None:
        lines.append(Line("No commissioned loss to compare with"))
    else:
        spread = f"{u.rate(base['low']).figure} to {u.rate(base['high']).figure}"
        text = f"Commissioned {u.rate(base['loss_kpa_per_h'])} ({spread})"
        now = None if loss is None else loss.get("loss_at_reference_kpa_per_h")
        if now is not None and base["loss_kpa_per_h"] > 0.0:
            text += f"; now {now / base['loss_kpa_per_h']:.1f} times"
        lines.append(Line(text))
    return Figure("loss", "Loss at rest", number, loss is not None, tuple(lines))


def reserve(section: Picture, settings: Settings) -> str | None:
    """How long the pressure would stay above the low limit if the supply stopped now."""
    left = section.get("hours_above_low")
    if left is None:
        return None
    low = SiteUnits.of(settings).pressure(settings.low_pressure_kpa)
    if left["hours"] is not None and left["hours"] <= 0.0:
        return f"Pressure is already below the low limit of {low}."
    start = f"If the supply stopped now, pressure would stay above {low} for"
    least, most = left["low"], left["high"]
    if least is None:  # no loss large enough to ever get there
        return f"{start} longer than can be told: the line loses next to nothing."
    if left["hours"] is None:
        return f"{start} at least {hours(least)}."
    spread = f"at least {hours(least)}" if most is None else f"{hours(least)} to {hours(most)}"
    return f"{start} about {hours(left['hours'])} ({spread})."


@dataclass(frozen=True, slots=True)
class Scale:
    """The pressure on a small scale with the band; places in percent of its width."""

    band_from: float
    band_to: float
    low: float
    here: float | None


def scale(section: Picture, settings: Settings) -> Scale:
    low, high = settings.low_pressure_kpa, settings.high_pressure_kpa
    value = section.get("pressure_kpa")
    bottom = low - 0.15 * (high - low)
    top = high + 0.05 * (high - low)

    def place(kpa: float) -> float:
        return round(min(max((kpa - bottom) / (top - bottom), 0.0), 1.0) * 100.0, 1)

    supply = settings.supply
    return Scale(
        place(supply.cut_in_kpa),
        place(supply.cut_out_kpa),
        place(low),
        None if value is None else place(value),
    )


@dataclass(frozen=True, slots=True)
class Note:
    """An open alert as a colleague would write it."""

    key: str
    title: str
    priority: str  # urgent, soon, planned
    priority_words: str
    section: str
    state: str
    since: Moment
    lasted: str
    text: str
    cause: str
    evidence: tuple[tuple[str, str], ...]
    todo: str
    check: str
    bring: str
    followers: tuple[str, ...]


_SUFFIXES = (
    ("_kpa_per_h", "rate"),
    ("_kpa_per_min", "rate per minute"),
    ("_kpa", "pressure"),
    ("_l_min", "flow"),
    ("_pct", "percent"),
    ("_s", "time"),
    ("_c", "temperature"),
    ("_h", "hours"),
)


def spelled(name: str, value: Any, u: SiteUnits) -> tuple[str, str]:
    """A number of an event, whose name carries its unit, as a label and a text in site units."""
    if isinstance(value, bool):
        return name.replace("_", " "), "yes" if value else "no"
    if isinstance(value, int | float):
        for suffix, kind in _SUFFIXES:
            if name.endswith(suffix):
                label = name.removesuffix(suffix).replace("_", " ")
                shown = {
                    "rate": u.rate,
                    "rate per minute": lambda v: u.rate(v * 60.0),
                    "pressure": u.pressure,
                    "flow": u.flow,
                    "percent": percent,
                    "time": lasting,
                    "temperature": lambda v: u.quantity("temperature", v),
                    "hours": hours,
                }[kind](value)
                return label, str(shown)
        return name.replace("_", " "), f"{value:.3g}" if isinstance(value, float) else str(value)
    if value is None:
        return name.replace("_", " "), DASH
    if isinstance(value, list | tuple):
        return name.replace("_", " "), ", ".join(spelled(name, v, u)[1] for v in value) or "none"
    if isinstance(value, Mapping):
        parts = (spelled(k, v, u) for k, v in value.items() if v is not None)
        return name.replace("_", " "), "; ".join(f"{k} {v}" for k, v in parts)
    return name.replace("_", " "), str(value)


def section_name(section: str | None) -> str:
    """A section as people call it; what belongs to no section belongs to the supply."""
    return "Supply" if section in (None, SUPPLY) else str(section)


def note(alert: Picture, settings: Settings, local: Local) -> Note:
    since = parse_time(alert["since"])
    code = alert.get("cause")
    known = notes.CAUSES.get(code) if code else None
    advice = known or notes.ALERTS.get(alert["alert"]) or notes.Advice("", "", "")
    cause = known.cause if known else str(code).replace("_", " ") if code else ""
    u = SiteUnits.of(settings)
    return Note(
        key="-".join(str(alert.get(k) or "") for k in ("section", "alert", "subject")),
        title=": ".join(filter(None, (notes.alert_name(alert["alert"]), alert.get("subject")))),
        priority=alert["priority"],
        priority_words=PRIORITIES[alert["priority"]],
        section=section_name(alert.get("section")),
        state=alert["state"],
        since=local.moment(since),
        lasted=lasting(local.now - since),
        text=alert["text"],
        cause=cause,
        evidence=tuple(spelled(k, v, u) for k, v in (alert.get("evidence") or {}).items()),
        todo=alert.get("todo") or "",
        check=advice.check,
        bring=advice.bring,
        followers=tuple(notes.alert_name(name) for name in alert.get("followers") or ()),
    )


@dataclass(frozen=True, slots=True)
class SystemRow:
    name: str
    pressure: str
    low: str
    regulated: str


def systems(picture: Picture, settings: Settings) -> tuple[SystemRow, ...]:
    u = SiteUnits.of(settings)
    rows = []
    for system in settings.system:
        value = (picture.get("sections") or {}).get(system.name, {}).get("pressure_kpa")
        rows.append(
            SystemRow(
                system.name,
                DASH if value is None else str(u.pressure(value)),
                DASH
                if system.low_pressure_kpa is None
                else str(u.pressure(system.low_pressure_kpa)),
                DASH if system.regulated_kpa is None else str(u.pressure(system.regulated_kpa)),
            )
        )
    return tuple(rows)


@dataclass(frozen=True, slots=True)
class FirstView:
    """All that the owner's first view says, the ribbon apart."""

    state: State
    seen: Freshness
    age: str
    written: Moment | None
    figures: tuple[Figure, ...]
    scale: Scale
    reserve: str | None
    notes: tuple[Note, ...]
    systems: tuple[SystemRow, ...]
    not_judged: tuple[str, ...]
    hold_test: tuple[tuple[str, str], ...]
    demo: str | None


def first_view(
    latest: Picture | None, saved_at: float | None, settings: Settings, now: float
) -> FirstView:
    """`latest` as the daemon wrote it at `saved_at`, None where there is none; UTC seconds."""
    seen = freshness(latest, saved_at, now, settings.keeping.every_s)
    local = Local(settings.site.zone, seen.site_now)
    picture: Picture = {} if latest is None else latest["picture"]
    section: Picture = (picture.get("sections") or {}).get(SUPPLY, {})
    channels: Picture = {} if latest is None else latest["channels"]
    figures = (
        pressure_figure(section, channels.get(settings.supply.pressure), settings),
        nitrogen_figure(section, settings, local),
        generator_figure(section, local),
        loss_figure(section, settings, local),
    )
    clock = Local(settings.site.zone, now)
    return FirstView(
        state=state(latest, seen, settings, local, now),
        seen=seen,
        age="no data" if seen.age_s is None else f"{lasting(seen.age_s)} old",
        written=None if seen.written_at is None else clock.moment(seen.written_at, seconds=True),
        figures=figures,
        scale=scale(section, settings),
        reserve=reserve(section, settings) if seen.fresh else None,
        notes=tuple(note(a, settings, local) for a in picture.get("alerts") or ()),
        systems=systems(picture, settings),
        not_judged=tuple(picture.get("not_judged") or ()),
        hold_test=owner_rows(picture.get("hold_test"), settings, local),
        demo=None
        if seen.speed == 1.0
        else f"Demo: a simulated plant, not a real site. Time runs {seen.speed:g} times faster than life.",
    )


def _rows(table: Picture | None, settings: Settings) -> tuple[tuple[str, str], ...]:
    u = SiteUnits.of(settings)
    return tuple(spelled(k, v, u) for k, v in (table or {}).items())


@dataclass(frozen=True, slots=True)
class Working:
    """How one number was made."""

    key: str
    label: str
    rows: tuple[tuple[str, str], ...]
    method: str


METHODS: Mapping[str, tuple[str, str]] = {
    "pressure": (
        "Pressure",
        "The gauge pressure at the supply line's sensor, the newest reading. Volts at the "
        "converter are brought to pressure by the two points of the settings. A reading outside "
        "the sensor's range is a fault of the sensor, never a pressure.",
    ),
    "nitrogen": (
        "Nitrogen",
        "100 % less the oxygen measured, so that argon counts as nitrogen and outside air reads "
        "79.1 %. Judged only after the generator has run warm: before that the sample is not the "
        "generator's.",
    ),
    "generator": (
        "Generator",
        "Running or resting comes from the run contact, or from the pressure where none is "
        "fitted. Duty is the share of time running: over the long run, loss divided by production.",
    ),
    "loss": (
        "Loss at rest",
        "The mean rate at which pressure would have fallen while the generator rested, at constant "
        "temperature and barometer, with the settling after each run left out. The range holds the "
        "truth 95 times in 100. Beside the commissioned loss stands the same, brought to the middle "
        "of the cut-in to cut-out band.",
    ),
    "hours_above_low": (
        "Hours above the low limit",
        "The measured loss followed down to the low limit. Loss falls with pressure, so this is "
        "not a straight line.",
    ),
    "gas": (
        "Gas in the pipe",
        "Well mixed: what comes in takes the place of what is lost, and a fill is what makes the "
        "pressure grow. It starts as air where nobody knows better. Dead ends mix slowly, so every "
        "time is the least that it can take.",
    ),
    "cost": (
        "What the loss takes in a year",
        "A year at the loss of the last rest: what flows out, how long the compressor runs to make "
        "it, and that at the prices of the settings.",
    ),
}
"""By the names in the picture's `explain`, in the order shown."""


COLLECTED: Sequence[tuple[str, str, str]] = (
    (
        "curve",
        "Pressure over time",
        "The lowest, the mean and the highest reading of each stretch of the chart: of minutes up "
        "to two days, of quarter-hours beyond. Stretches without a reading stay empty, and nothing "
        "is claimed of them. As old as its right edge; as sure as the pressure.",
    ),
    (
        "runtime",
        "Generator's running time",
        "From each cut-in to its cut-out, summed; an outage, and a run whose beginning or end nobody "
        "saw, count only for what was seen. Starts are the cut-ins. As sure as the run contact.",
    ),
    (
        "losses",
        "Losses over time",
        "One dot for each rest of the generator: its loss brought to mid-band, so that rests can be "
        "compared, with the range that holds the truth 95 times in 100. Where there are very many, "
        "neighbours are drawn as their mean; the table and the API have each.",
    ),
    (
        "purities",
        "Nitrogen over time",
        "One dot for each purity measured while the generator ran warm: 100 % less the oxygen. As "
        "sure as the cell's last calibration.",
    ),
    (
        "week",
        "Account of the week",
        "Watched: the share of the week's quarter-hours with a reading. Generator ran and starts: "
        "runs seen from their beginning. Loss and nitrogen: the middle one (median) of all that "
        "were measured, so that one odd value moves nothing. Beside it the same of the week before. "
        "All of it as of the end of the week shown.",
    ),
    (
        "sizing",
        "Sizing",
        "Volumes taken off the pipes or filled with a known flow, each give or take two standard "
        "uncertainties. Flow to restore = volume × pressure / half an hour, in standard litres. Runs "
        "to be expected = loss / production of the time. As old as the settings, and as sure as they.",
    ),
)
"""Figures that are made of many others: a key, a label, and how they are made."""


def workings(
    picture: Picture,
    section: str,
    whole: bool,
    close: Callable[[str, Picture], tuple[tuple[str, str], ...]] = lambda _key, _section: (),
) -> tuple[Working, ...]:
    """Inputs, formula and result of each figure, as the judge gave them, with the rows that `close`
    adds; `whole` lists the figures of the first view even where the judge has no working yet."""
    found = (picture.get("sections") or {}).get(section, {})
    explain = found.get("explain") or {}
    out = []
    gas = ("gas",) if close("gas", found) else ()
    keys = dict.fromkeys([*(METHODS if whole else ()), *explain, *gas])
    for key in keys:
        label, method = METHODS.get(key, (key.replace("_", " ").capitalize(), ""))
        rows = tuple((str(what), str(value)) for what, value in explain.get(key) or ())
        out.append(Working(key, label, (*rows, *close(key, found)), method))
    return tuple(out)


@dataclass(frozen=True, slots=True)
class ChannelRow:
    name: str
    quantity: str
    value: str
    status: str
    why: str
    age: str
    volts: str


def channel_rows(latest: Picture | None, settings: Settings) -> Sequence[ChannelRow]:
    """Every configured channel, whether or not the daemon has spoken of it."""
    u = SiteUnits.of(settings)
    said: Picture = {} if latest is None else latest["channels"]
    rows = []
    for channel in settings.channel:
        one = said.get(channel.name) or {}
        value, age, volts = one.get("value"), one.get("age_s"), one.get("volts")
        rows.append(
            ChannelRow(
                channel.name,
                QUANTITIES[channel.quantity].label,
                DASH if value is None else str(u.quantity(channel.quantity, value)),
                one.get("status") or "not heard of",
                one.get("why") or "",
                DASH if age is None else lasting(age),
                DASH if volts is None else f"{volts:.4f}{NBSP}V",
            )
        )
    return rows


def monitor_rows(said: Picture, settings: Settings) -> tuple[tuple[str, str], ...]:
    """What the daemon says of itself, as label and text."""
    return _rows(said, settings)
