"""The record of one hold test: what is printed, saved and signed. Pure."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from markupsafe import Markup

from edge.caution import CAUTION
from edge.hold.offered import methods
from edge.methods import void_when
from edge.model import SUPPLY
from edge.settings import Settings, mark
from web import course
from web.course import Rows
from web.shown import DASH, Local, SiteUnits, lasting, parse_time, percent

SIGNATURES: Sequence[str] = ("Tested by", "For the owner", "Witnessed by")


@dataclass(frozen=True, slots=True)
class Part:
    """One table of the record under its heading."""

    title: str
    rows: Rows


@dataclass(frozen=True, slots=True)
class Record:
    """Everything on the sheet, as text."""

    number: int
    name: str  # never repeats
    title: str
    site: str
    verdict: str  # key of the style sheet
    headline: str
    sentence: str
    parts: tuple[Part, ...]
    warnings: tuple[str, ...]
    where: tuple[str, ...]
    drawing: Markup | None
    caption: str
    trace: tuple[tuple[float, float], ...]  # seconds, gauge in `unit`
    fit: tuple[float, ...] | None  # at, value, slope, low, high (per second), from
    unit: str
    raw_counts: str
    caution: str
    made: str
    hash: str
    chain: str
    simulated: str  # what must stand on it, large; "" where every channel read a sensor


@dataclass(frozen=True, slots=True)
class Listed:
    """One line of the list of records."""

    number: int
    when: str
    place: str
    method: str
    headline: str
    verdict: str
    by: str


def units_of(aside: Mapping[str, Any] | None, settings: Settings) -> SiteUnits:
    """The units in which the test's own sentences were written."""
    then = ((aside or {}).get("terms") or {}).get("units")
    if then is None:
        return SiteUnits.of(settings)
    return SiteUnits(then["pressure"], then["temperature"], then["flow"], then["volume"])


def told(test: Mapping[str, Any], answers: Sequence[Mapping[str, Any]]) -> Mapping[str, Any]:
    """A finished test with what was said of its alarm since; `answers` are the events
    hold_test_answered, the newest first."""
    for answer in answers:
        if (answer.get("test_at"), answer["section"]) == (test["at"], test["section"]):
            kept = {key: value for key, value in test.items() if key != "code_why"}
            more = ("alarm_kpa", "alarm_operated", "code_result", "code_why")
            found = {key: answer[key] for key in more if key in answer}
            return {**kept, **found, "alarm_said": answer["text"], "alarm_at": answer["at"]}
    return test


def listed(test: Mapping[str, Any], settings: Settings, local: Local) -> Listed:
    made = course.course(_shown(test, None), settings, local)
    when = local.record(parse_time(test["at"]))
    by = str(test.get("by") or DASH)
    headline = _headline(made.headline, test)
    return Listed(test["n"], when, made.place, made.method, headline, made.verdict, by)


def _headline(said: str, test: Mapping[str, Any]) -> str:
    return f"Simulated: {said}" if test.get("simulated") else said


def not_evidence(about: Mapping[str, Any]) -> str:
    """What must stand on a record of channels that read no sensor; "" where there was none."""
    names = about.get("simulated")
    return f"{mark(names)} It proves nothing of any piping." if names else ""


def _shown(test: Mapping[str, Any], aside: Mapping[str, Any] | None) -> dict[str, Any]:
    """The event as the picture would show it."""
    kept = aside or {}
    return {
        **test,
        "state": "void" if test.get("void") else "verdict",
        "since": test["started"],
        "elapsed_s": test["duration_s"],
        "trace": kept.get("trace", []),
        "fit": kept.get("fit"),
    }


def record(
    test: Mapping[str, Any],
    aside: Mapping[str, Any] | None,
    back: Mapping[str, Any] | None,
    where: Sequence[str],
    settings: Settings,
    now: float,
    linked: str = "",
    chain: str = "",
) -> Record:
    """`test` is the finished event, `aside` what was kept beside it, `back` the event that says
    that every valve is back, `where` the advice on where to look; `now` stamps the sheet; `linked` is its hash
    and `chain` says whether the records are as they were made."""
    local = Local(settings.site.zone, now)
    u = units_of(aside, settings)
    shown = _shown(test, aside)
    made = course.course(shown, settings, local)
    parts = [
        Part("The test", _what(test, aside, settings, local)),
        Part("Result", _result(test, u)),
        Part("Conditions", _conditions(test, aside, u)),
    ]
    doubt = test.get("uncertainty_kpa_per_h")
    if doubt:
        rows = tuple((name.capitalize(), str(u.rate(value))) for name, value in doubt.items())
        parts.append(Part("Where the uncertainty comes from (one standard uncertainty)", rows))
    parts.append(Part("Before and after", _around(test, back, local)))
    picture, caption = course.drawing(shown, u, "record-trace")
    fit = (aside or {}).get("fit")
    return Record(
        number=int(test["n"]),
        name=str(test["id"]),
        title=f"Hold test record: {made.place}",
        site=settings.site.name,
        verdict=made.verdict,
        headline=_headline(made.headline, test),
        sentence=str(test["text"]),
        parts=tuple(part for part in parts if part.rows),
        warnings=made.warnings,
        where=tuple(where),
        drawing=picture,
        caption=caption,
        trace=tuple((float(s), u.pressure_number(float(k))) for s, k in shown["trace"]),
        fit=None if fit is None else tuple(course.slope(fit, u)),
        unit=u.pressure_unit,
        raw_counts=course.RAW,
        caution=CAUTION,
        made=local.record(now),
        hash=linked,
        chain=chain,
        simulated=not_evidence(test),
    )


def _what(
    test: Mapping[str, Any],
    aside: Mapping[str, Any] | None,
    settings: Settings,
    local: Local,
) -> Rows:
    method = ((aside or {}).get("terms") or {}).get("method")
    if method is None:
        known = methods(settings).get(test["method"])
        method = None if known is None else known.plain()
    rows = [("Section", course.place(test["section"])), ("Method", str(test["method"]))]
    if method is not None:
        rows += [("It counts", method["counts"]), ("Source", method["source"])]
    rows += [
        ("It is void when", void_when(_void_on_run(test, aside))),
        ("Started", local.record(parse_time(test["started"]))),
        ("Ended", local.record(parse_time(test["at"]))),
        ("Lasted", lasting(test["duration_s"])),
        ("By", str(test.get("by") or DASH)),
        ("Note", str(test.get("note") or DASH)),
    ]
    return tuple(rows)


def _void_on_run(test: Mapping[str, Any], aside: Mapping[str, Any] | None) -> bool:
    """Whether a start of the generator would have made it void."""
    terms = (aside or {}).get("terms") or {}
    # Tests from before the terms said so looked at the contact in a test of the supply alone.
    return bool(terms.get("void_on_run", test["section"] == SUPPLY))


def _result(test: Mapping[str, Any], u: SiteUnits) -> Rows:
    rows = list[tuple[str, str]]()
    rows += course.clause_rows(test)
    if test.get("raw_drop_kpa") is not None:
        rows.append(course.moved("The raw gauge", test["raw_drop_kpa"], u))
    if test.get("corrected_drop_kpa") is not None:
        rows.append(course.moved("Corrected, it", test["corrected_drop_kpa"], u))
    rows.append(("By the corrected loss", course.VERDICTS[test["verdict"]].lower()))
    rows += course.loss_rows(test, u)
    if test.get("confidence") is not None:
        rows.append(("Sure of the word", str(percent(100.0 * test["confidence"], 2))))
    if test.get("decided_after_s") is not None:
        rows.append(("The evidence sufficed after", lasting(test["decided_after_s"])))
    rows.append(("Why", str(test["why"])))
    return tuple(rows)


def _conditions(test: Mapping[str, Any], aside: Mapping[str, Any] | None, u: SiteUnits) -> Rows:
    if aside is None:
        return ()
    terms, rows = aside["terms"], list[tuple[str, str]]()
    trace = aside.get("trace") or []
    if test.get("gauge_start_kpa") is not None:
        rows += course.gauge_rows(test, u)
    elif trace:  # as tests were kept before the event had its gauge
        rows.append(("Gauge at the start", str(u.pressure(float(trace[0][1])))))
        rows.append(("Gauge at the end", str(u.pressure(float(trace[-1][1])))))
    used = test.get("temperature_used")
    rows.append(("Temperature", "measured and allowed for" if used else "not measured"))
    if test.get("gas_c") is not None:
        rows.append(("Mean temperature of the gas", str(u.quantity("temperature", test["gas_c"]))))
    if test.get("temperature_drop_kpa") is not None:
        drop = test["temperature_drop_kpa"]
        rows.append(course.moved("By temperature alone, it", drop, u))
    if test.get("settling_left_out_s"):
        rows.append(("Settling left out", lasting(test["settling_left_out_s"])))
    barometer = terms["channels"].get("barometer")
    rows.append(
        ("Barometer", "measured" if barometer else "not fitted: standard for the elevation")
    )
    if terms.get("volume_l") is not None:
        rows.append(("Gas volume", str(u.volume(terms["volume_l"]))))
    if terms["section"] == SUPPLY and terms.get("floor_kpa") is not None:
        rows.append(("Low limit", str(u.pressure(terms["floor_kpa"]))))
    judged = f"dryhold {terms['software']}, judgement {terms['version']}"
    rows.append(("Judged by", judged))
    return tuple(rows)


def _around(test: Mapping[str, Any], back: Mapping[str, Any] | None, local: Local) -> Rows:
    checklist = test.get("checklist")
    rows = []
    if checklist is None:
        rows.append(("Confirmed before the start", "not asked for: it was not started on the page"))
    else:
        rows.append(("Confirmed before the start by", str(checklist.get("confirmed_by") or DASH)))
        rows.append(("Confirmed", " ".join(checklist.get("confirmed") or ()) or DASH))
        rows.append(("Valves", " ".join(checklist.get("valves") or ()) or DASH))
    if test.get("alarm_said"):
        when = local.record(parse_time(test["alarm_at"]))
        rows.append(("Told of the alarm", f"{test['alarm_said']} {when}"))
    if back is None:
        rows.append(("Valves put back", "not recorded yet"))
    else:
        when = local.record(parse_time(back["at"]))
        rows.append(("Valves put back", f"all of them, says {back.get('by')}, {when}"))
    return tuple(rows)
