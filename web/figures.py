"""The four figures of the first view, the scale and the reserve, in the site's units. Pure: nothing
is judged here."""

from dataclasses import dataclass

from edge.settings import Settings
from web.fresh import Picture
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


def tells_a_least(loss: Picture) -> bool:
    """Whether a range of loss has two ends. A pipe cannot gain: of one that begins under nothing its
    other end is all that is known."""
    return float(loss["loss_low_kpa_per_h"]) > 0.0


def loss_figure(section: Picture, settings: Settings, local: Local) -> Figure:
    u = SiteUnits.of(settings)
    loss, base = section.get("loss"), section.get("baseline")
    if loss is None:
        lines = [Line("Not measured yet: needs one rest of the generator")]
        number = Number(DASH, f"{u.pressure_unit}/h")
    else:
        number = u.rate(loss["loss_kpa_per_h"])
        low, high = u.rate(loss["loss_low_kpa_per_h"]), u.rate(loss["loss_high_kpa_per_h"])
        known = f"of {low.figure} to {high.figure}"
        if not tells_a_least(loss):
            known = f"that it is under {high.figure}"
        lines = [Line(f"95{NBSP}% sure {known}")]
        if loss.get("loss_l_min") is not None:
            lines.append(Line(f"As a flow {u.flow(loss['loss_l_min'])}"))
        lines.append(Line("Measured to ", local.moment(parse_time(loss["at"]))))
    if base is None:
        lines.append(Line("No commissioned loss to compare with"))
    else:
        spread = f"{u.rate(base['low']).figure} to {u.rate(base['high']).figure}"
        text = f"Commissioned {u.rate(base['loss_kpa_per_h'])} ({spread})"
        now = None if loss is None else loss.get("loss_at_reference_kpa_per_h")
        # A pipe found tight has next to no loss of which to be a multiple.
        with_ = base.get("compared_kpa_per_h", base["loss_kpa_per_h"])
        if now is not None and with_ == base["loss_kpa_per_h"] > 0.0:
            text += f"; now {now / with_:.1f} times"
        elif now is not None and now > with_ > 0.0:
            text += f"; now at least {now / with_:.1f} times"
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
