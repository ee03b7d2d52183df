"""A hold test under way or over, as the picture or the record gives it, in words and numbers of
the site. Pure."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from markupsafe import Markup

from edge.model import SUPPLY
from edge.settings import Settings
from web import chart
from web.shown import DASH, Local, SiteUnits, lasting, parse_time, percent
from web.trace import Slope, trace

Test = Mapping[str, Any]
Rows = tuple[tuple[str, str], ...]

VERDICTS: Mapping[str, str] = {
    "holds": "It holds",
    "leaks": "It leaks",
    "cannot tell": "Cannot tell",
}
STEPS: Sequence[str] = ("requested", "waiting for cut-out", "settling", "holding", "verdict")
RAW = (
    "A code's verdict is by the raw reading of the gauge, as its clauses ask; the loss corrected"
    " for temperature and barometer stands beside it and does not change it."
)


def place(section: str) -> str:
    return "Supply line" if section == SUPPLY else section


@dataclass(frozen=True, slots=True)
class Course:
    """A test as the technician follows it."""

    section: str
    place: str
    method: str
    phase: str  # under way, over
    state: str
    steps: tuple[tuple[str, bool], ...]
    verdict: str  # key of the style sheet: holds, leaks, untold; empty while under way
    headline: str
    sentence: str
    advice: str
    rows: Rows
    warnings: tuple[str, ...]
    where: tuple[str, ...]
    drawing: Markup | None
    caption: str
    valves: tuple[str, ...]
    put_back: str
    number: int | None  # of the record
    asks_alarm: bool = False  # whether a person is to say what the low-pressure alarm did
    alarm_typed: str = ""  # its set pressure as far as it is known, in the site's unit


def moved(what: str, drop_kpa: float, u: SiteUnits) -> tuple[str, str]:
    """A drop in words: a negative one is a rise."""
    way = "fell" if drop_kpa >= 0.0 else "rose"
    return f"{what} {way}", str(u.pressure(abs(drop_kpa)))


def clause_rows(test: Test) -> Rows:
    """What the clause says by the raw gauge, or why it says nothing."""
    said = test.get("code_result") or test.get("code_why")
    return (("By the gauge alone, as the code counts", str(said)),) if said else ()


ALARM: Mapping[bool | None, str] = {
    None: "nobody has said whether it operated",
    True: "it operated",
    False: "it did not operate",
}


def gauge_rows(test: Test, u: SiteUnits) -> Rows:
    """The gauge's readings, and with the source shut off what the alarm is set to and did."""
    rows = [
        (what, str(u.pressure(test[key])))
        for what, key in (
            ("Gauge at the start", "gauge_start_kpa"),
            ("Gauge at the end", "gauge_end_kpa"),
            ("Lowest gauge reading", "gauge_lowest_kpa"),
        )
        if test.get(key) is not None
    ]
    if "alarm_operated" in test:
        at_kpa = test.get("alarm_kpa")
        set_to = "set pressure not told" if at_kpa is None else f"set to {u.pressure(at_kpa)}"
        rows.append(("Low-pressure alarm", f"{set_to}; {ALARM[test['alarm_operated']]}"))
    return tuple(rows)


def loss_rows(test: Test, u: SiteUnits) -> list[tuple[str, str]]:
    """The loss with its bounds, as a rate, a flow and a hole."""
    rows = []
    if test.get("loss_kpa_per_h") is not None:
        low, high = u.rate(test["loss_low_kpa_per_h"]), u.rate(test["loss_high_kpa_per_h"])
        rows.append(("Loss, corrected", str(u.rate(test["loss_kpa_per_h"]))))
        rows.append(("95 % sure between", f"{low.figure} and {high}"))
    if test.get("limit_kpa_per_h") is not None:
        rows.append(("Limit", str(u.rate(test["limit_kpa_per_h"]))))
    if test.get("loss_l_min") is not None:
        flow = str(u.flow(test["loss_l_min"]))
        if test.get("loss_low_l_min") is not None:
            low, high = u.flow(test["loss_low_l_min"]), u.flow(test["loss_high_l_min"])
            flow += f" ({low.figure} to {high.figure})"
        rows.append(("As a flow", flow))
    if test.get("hole_mm"):
        rows.append(("As one round hole", f"{test['hole_mm']:.2g} mm across"))
    return rows


def slope(fit: Mapping[str, float], u: SiteUnits) -> Slope:
    """The fitted line in the site's units, its slopes per second."""
    mean, low, high = (
        u.rate_number(fit[name]) / 3600.0
        for name in ("kpa_per_h", "low_kpa_per_h", "high_kpa_per_h")
    )
    return Slope(fit["at_s"], u.pressure_number(fit["kpa"]), mean, low, high, fit["from_s"])


def drawing(test: Test, u: SiteUnits, name: str) -> tuple[Markup | None, str]:
    """The trace with the fit, and what it shows in words."""
    points = test.get("trace") or []
    if len(points) < 2:
        return None, "Nothing to draw yet: the gauge is drawn once the test holds."
    dots = [(float(s), u.pressure_number(float(kpa))) for s, kpa in points]
    until = max(dots[-1][0], 60.0)
    fit, line = test.get("fit"), None
    if fit is not None:
        line = slope(fit, u)
    values = [value for _, value in dots]
    least = u.pressure_number(1.5)  # noise must not fill the whole height
    spread = max(least - (max(values) - min(values)), 0.0) / 2.0
    f = chart.frame(0.0, until, [min(values) - spread, max(values) + spread], room=0.12)
    first = u.pressure_number(test.get("gauge_start_kpa") or points[0][1])
    last = u.pressure_number(test.get("gauge_end_kpa") or points[-1][1])
    levels = [chart.Level(first, f"start {first:.2f} {u.pressure_unit}", "band")]
    said = (
        f"The gauge over {lasting(until)}: {first:.2f} {u.pressure_unit} at the start,"
        f" {last:.2f} at the end."
    )
    if line is not None:
        said += (
            " The straight line is the fitted loss at constant temperature and barometer, the shaded"
            " wedge its 95 % range; where the gauge leaves it, the weather moved the gauge."
        )
        if line.since > 0.0:
            said += f" The first {lasting(line.since)} are settling and left out."
    return trace(f, dots, line, name=name, levels=levels), said


def course(test: Test, settings: Settings, local: Local, number: int | None = None) -> Course:
    """`test` is one of the picture's hold_tests, `number` that of its record, once it has one."""
    u = SiteUnits.of(settings)
    over = "verdict" in test
    rows: list[tuple[str, str]] = []
    since = parse_time(test["started"] if over and test.get("started") else test["since"])
    if over:
        rows.append(("Lasted", lasting(test["duration_s"])))
        rows.append(("Ended", local.moment(parse_time(test["at"])).text))
    else:
        rows.append(("Since", local.moment(since).text))
        whole = test.get("duration_s")
        so_long = lasting(test["elapsed_s"])
        rows.append(("Elapsed", f"{so_long} of {lasting(whole)}" if whole else so_long))
        if test.get("next_look_s") is not None:
            rows.append(("Next look", f"in {lasting(test['next_look_s'])}"))
        if test.get("verdict_so_far"):
            rows.append(("The evidence so far says", VERDICTS[test["verdict_so_far"]].lower()))
    if over:
        rows += clause_rows(test)
    if test.get("raw_drop_kpa") is not None:
        rows.append(moved("The gauge", test["raw_drop_kpa"], u))
    rows += gauge_rows(test, u)
    rows += loss_rows(test, u)
    if test.get("loss_kpa_per_h") is not None:
        known = "measured and allowed for" if test.get("temperature_used") else "not measured"
        rows.append(("Temperature", known))
    if over and test.get("confidence") is not None:
        rows.append(("Sure of the word", str(percent(100.0 * test["confidence"], 2))))
    rows.append(("Asked for by", str(test.get("by") or DASH)))
    if test.get("note"):
        rows.append(("Note", str(test["note"])))
    picture, caption = drawing(test, u, "hold-trace")
    state = str(test.get("state") or "verdict")
    back = test.get("put_back")
    key, headline = _headline(test)
    at = STEPS.index(state) if state in STEPS else len(STEPS) - 1
    return Course(
        section=str(test["section"]),
        place=place(str(test["section"])),
        method=str(test["method"]),
        phase="over" if over else "under way",
        state=state,
        steps=tuple((step, n == at) for n, step in enumerate(STEPS)),
        verdict=key,
        headline=headline,
        sentence=str(test["text"]) if over else f"{state.capitalize()}.",
        advice="" if over else str(test.get("advice") or ""),
        rows=tuple(rows),
        warnings=tuple(test.get("warnings") or ()),
        where=tuple(test.get("where") or ()),
        drawing=picture,
        caption=caption,
        valves=tuple((test.get("checklist") or {}).get("valves") or ()),
        put_back=""
        if not back
        else f"Every valve is back, says {back['by']}, {local.moment(parse_time(back['at'])).text}.",
        number=number,
        asks_alarm=bool(test.get("asks_alarm")) and not test.get("void"),
        alarm_typed=""
        if test.get("alarm_kpa") is None
        else f"{u.pressure_number(float(test['alarm_kpa'])):.4g}",
    )


def _headline(test: Test) -> tuple[str, str]:
    """A key for shape and colour, and the verdict in two or three words."""
    if "verdict" not in test:
        return "", str(test["state"]).capitalize()
    if test.get("void"):
        return "untold", "Void: it does not count"
    said = VERDICTS[test["verdict"]]
    key = {"holds": "holds", "leaks": "leaks"}.get(test["verdict"], "untold")
    if test.get("code_result") == "fail":
        return "leaks", f"Fail by the gauge. {said} by the corrected loss"
    if test.get("code_result") == "pass":
        return key, f"Pass by the gauge. {said} by the corrected loss"
    if test.get("code_why"):
        return ("leaks" if key == "leaks" else "untold"), _unsaid(str(test["code_why"]), said)
    return key, said


def _unsaid(why: str, said: str) -> str:
    """The headline where the clause gives no result."""
    for begins, short in (
        ("not the standard", "Not the standard's test"),
        ("not settled", "Not settled"),
    ):
        if why.startswith(begins):
            return f"{short}. {said} by the corrected loss"
    return f"No result by the gauge. {said} by the corrected loss"


def owner_rows(test: Test | None, settings: Settings, local: Local) -> Rows:
    """The few lines of the owner's first view."""
    if test is None:
        return ()
    made = course(test, settings, local)
    kept = {"Since", "Elapsed", "Lasted", "Ended", "Loss, corrected", "95 % sure between", "Limit"}
    rows = [("What", f"{made.place}, {made.method}"), ("How it stands", made.headline)]
    return (*rows, *(row for row in made.rows if row[0] in kept))
