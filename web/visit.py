"""The commissioning visit as the technician reads it, and what a form says. Pure."""

from collections.abc import Mapping, Sequence
from math import isfinite
from typing import Any, NamedTuple

from edge.core import units
from edge.settings import Settings
from edge.visit.steps import FILL_LIMIT_S, Field, Step, steps
from web.shown import Local, SiteUnits, lasting, parse_time

CALIBRATIONS = ("oxygen_air", "oxygen_second")
LONGEST = 400


class Entry(NamedTuple):
    """One field of a form: its label with the unit, and what stands in it."""

    field: Field
    label: str
    value: str


class Part(NamedTuple):
    """One step as it stands."""

    number: int
    step: Step
    state: str  # "to do", "done", "not done", "skipped", "wrong", "under way"
    answer: Mapping[str, Any] | None
    when: str  # when it was answered, and by whom


def unit_of(field: Field, settings: Settings) -> str:
    """The unit in which the field is entered; "" for a field whose label says it."""
    u = settings.site.units
    if field.key == "barometer_kpa":
        return "hPa"
    return {"pressure": u.pressure, "temperature": u.temperature, "flow": u.flow}.get(
        field.quantity, ""
    )


def entries(step: Step, settings: Settings, form: Mapping[str, Any] | None) -> list[Entry]:
    """The fields of a step: as typed in `form`, else as answered (inside units), else the default.

    `form` holds what was typed under "typed", or values under "values".
    """
    typed = (form or {}).get("typed")
    values = (form or {}).get("values") or {}
    out = []
    for field in step.fields:
        unit = unit_of(field, settings)
        if typed is not None:
            value = str(typed.get(field.key, ""))
        else:
            kept = values.get(field.key, field.default if not values else None)
            value = _written(field, kept, unit)
        out.append(Entry(field, f"{field.label}, {unit}" if unit else field.label, value))
    return out


def _written(field: Field, value: Any, unit: str) -> str:
    if value in (None, "", False):
        return ""
    if field.kind == "tick":
        return "yes"
    if field.kind == "number":
        number = units.outside(field.quantity, float(value), unit) if unit else float(value)
        return f"{number:.2f}".rstrip("0").rstrip(".")
    return str(value)


def parse(
    step: Step, form: Mapping[str, str], settings: Settings
) -> tuple[dict[str, Any], list[str]]:
    """What a form says, in inside units, and what is wrong with it in words."""
    values: dict[str, Any] = {}
    wrong = []
    for field in step.fields:
        text = " ".join(form.get(field.key, "").split())[:LONGEST]
        if field.kind == "tick":
            values[field.key] = text == "yes"
        elif field.kind == "choice":
            values[field.key] = text if text in field.choices else None
        elif field.kind != "number" or not text:
            values[field.key] = text or None
        else:
            try:
                number = float(text.replace(",", ".").replace("\N{MINUS SIGN}", "-"))
            except ValueError:
                number = float("nan")
            if not isfinite(number) or abs(number) > 1e6:
                wrong.append(f"{field.label}: expected a number, found {text!r}.")
                continue
            unit = unit_of(field, settings)
            values[field.key] = units.inside(field.quantity, number, unit) if unit else number
    return values, wrong


def parts(settings: Settings, visit: Mapping[str, Any] | None, local: Local) -> list[Part]:
    """Every step of this site's visit, in order."""
    answers = (visit or {}).get("answers") or {}
    fills = ((visit or {}).get("watch") or {}).get("fills") or {}
    out = []
    for n, step in enumerate(steps(settings), 1):
        answer = answers.get(step.key)
        state, when = "to do", ""
        if answer is not None:
            state = "not done" if answer.get("undone") else "done"
            state = "skipped" if answer["skipped"] else "wrong" if answer["findings"] else state
            when = f"{local.moment(parse_time(answer['at'])).text}, {answer['by']}"
        elif fills.get(step.section) and not fills[step.section]["over"]:
            state = "under way"
        out.append(Part(n, step, state, answer, when))
    return out


def find(settings: Settings, key: str) -> Step | None:
    return next((step for step in steps(settings) if step.key == key), None)


def live(
    picture: Mapping[str, Any], readings: Mapping[str, Any], settings: Settings, step: Step | None
) -> list[tuple[str, str]]:
    """What the monitor sees now, as rows: of the whole, or of what one step watches."""
    u = SiteUnits.of(settings)
    sections = picture.get("sections") or {}
    supply = sections.get("supply") or {}
    watch = (picture.get("visit") or {}).get("watch") or {}
    rows: list[tuple[str, str]] = []

    def kpa(value: float | None) -> str:
        return "–" if value is None else str(u.pressure(value))

    rows.append(("Supply line", kpa(supply.get("pressure_kpa"))))
    running = supply.get("running")
    word = "not known" if running is None else "running" if running else "at rest"
    if watch.get("running_s") is not None:
        word += f" for {lasting(watch['running_s'])}"
    rows.append(("Generator", word))
    if settings.supply.oxygen is not None:
        oxygen = readings.get(settings.supply.oxygen)
        still = (picture.get("oxygen_sensor") or {}).get("still_pct")
        text = "–" if oxygen is None else f"{oxygen:.2f} %"
        if step is not None:
            text += ", stands still" if still is not None else ", not still yet"
        rows.append(("Oxygen at the sensor", text))
    for system in settings.system:
        value = (sections.get(system.name) or {}).get("pressure_kpa")
        rows.append((system.name, kpa(value)))
    if step is None or step.key == "cycle":
        rows.append(("Last cut-in of this visit", kpa(watch.get("cut_in_kpa"))))
        rows.append(("Last cut-out of this visit", kpa(watch.get("cut_out_kpa"))))
    if step is not None and step.key == "purity":
        purity = supply.get("purity") or {}
        warm = purity.get("valid_now")
        text = f"{100.0 - purity['nitrogen_pct']:.2f} % oxygen" if warm else "not warm"
        rows.append(("Running warm", text))
    if step is not None and step.key == "line_hold":
        rows.append(("Hold test of this visit", str(watch.get("hold") or "none ended yet")))
    fill = (watch.get("fills") or {}).get(step.section) if step is not None else None
    if fill is not None:
        rows += _fill(fill, u)
    return rows


def _fill(fill: Mapping[str, Any], u: SiteUnits) -> list[tuple[str, str]]:
    since = float(fill.get("since_s") or 0.0)
    left = FILL_LIMIT_S - since
    clock = f"{lasting(since)} of 30 min"
    if fill["normal_s"] is None and left < 0.0:
        clock += ", over"
    missing = None if fill["kpa"] is None else max(fill["normal_kpa"] - fill["kpa"], 0.0)
    said = str(fill["says"])
    return [
        ("The fill", said[0].upper() + said[1:]),
        ("Clock", clock),
        ("To normal pressure", "–" if missing is None else str(u.pressure(missing))),
    ]


def wrong(visit: Mapping[str, Any] | None) -> Sequence[Mapping[str, str]]:
    """What is wrong as it stands."""
    return (visit or {}).get("findings") or []
