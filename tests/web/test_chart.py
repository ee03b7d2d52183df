"""Charts as drawn on the server, and what their words and tables say."""

import re
import xml.etree.ElementTree as ET
from itertools import accumulate
from zoneinfo import ZoneInfo

import depot
import pytest

from edge.core.units import PSI
from edge.model import SUPPLY
from edge.settings import Settings
from edge.store.curves import Point, Ribbon
from edge.store.read import Run
from web import axis, chart, plots, pressure
from web.gauge import gauges
from web.looked import Looked
from web.shown import NBSP, Local, parse_time
from web.stretches import stretches, under_alert
from web.window import SPANS

CHICAGO = ZoneInfo("America/Chicago")
NOW = depot.NOW
DAY = SPANS["day"].to(NOW)
LOCAL = Local(CHICAGO, NOW)


def ribbon(hole: tuple[float, float] | None = None) -> Ribbon:
    """A day of five-minute steps."""
    points = []
    t = NOW - 86400.0
    while t < NOW - 300.0:
        if hole is None or not hole[0] <= t < hole[1]:
            value, _ = depot.turn(t)
            points.append(Point(t, 300, value - 1.0, value, value + 1.0))
        t += 300.0
    return Ribbon(300.0, points)


def drawn(settings: Settings, line: Ribbon, runs: list[Run]) -> pressure.Pressure:
    seen = Looked(line, runs, (), ())
    return pressure.chart(gauges(settings)[SUPPLY], DAY, seen, settings, LOCAL, 300.0)


def test_a_gap_is_a_gap(settings: Settings) -> None:
    """Two hours without data break the curve in two and are hatched and told, nothing else is."""
    hole = (NOW - 7 * 3600.0, NOW - 5 * 3600.0)
    whole, broken = drawn(settings, ribbon(), []), drawn(settings, ribbon(hole), [])

    def pieces(svg: str) -> int:
        line = re.search(r'class="line" d="([^"]*)"', svg)
        assert line is not None
        return line[1].count("M")

    assert (pieces(whole.svg), whole.svg.count('class="gap"')) == (1, 0)
    assert (pieces(broken.svg), broken.svg.count('class="gap"')) == (2, 1)
    assert f"No data for 2{NBSP}h" in broken.summary
    assert "No data" not in whole.summary
    assert sum(row.cells == ("no data", "–", "–", "–", "–") for row in broken.rows) == 2


def test_no_data_at_all_is_one_gap(settings: Settings) -> None:
    """An empty database draws no curve, claims no number and says so."""
    nothing = Looked(Ribbon(300.0, []), [], (), ())
    empty = pressure.chart(gauges(settings)[SUPPLY], DAY, nothing, settings, LOCAL, None)
    assert 'class="line"' not in empty.svg
    assert empty.svg.count('class="gap"') == 1
    assert empty.summary == "No pressure was recorded in this time."
    assert all(row.cells[0] == "no data" for row in empty.rows)


def test_runs_are_told_drawn_and_tabled_alike(settings: Settings) -> None:
    """Text, lane and table give the same runtime and starts; a run at the edge counts in part."""
    runs = [
        Run(NOW - 86400.0 - 600.0, NOW - 86400.0 + 1800.0, False),
        Run(NOW - 20000.0, NOW - 20000.0 + 1500.0, False),
        Run(NOW - 900.0, None, False),
    ]
    told = drawn(settings, ribbon(), runs)
    assert f"ran 1{NBSP}h 10{NBSP}min in 2 starts" in told.summary
    assert told.svg.count('class="run"') == 3
    minutes = 0
    for row in told.rows:
        hours, mins = re.search(r"(\d+)\sh", row.cells[3]), re.search(r"(\d+)\smin", row.cells[3])
        minutes += 60 * int(hours[1]) if hours else 0
        minutes += int(mins[1]) if mins else 0
    assert minutes == 70
    assert sum(int(row.cells[4]) for row in told.rows) == 2


def test_no_runtime_is_claimed_of_what_nobody_saw(settings: Settings) -> None:
    """A run whose end or start fell into an outage counts only while it was seen, never further."""
    hour = 3600.0
    out = (NOW - 15 * hour, NOW - 12 * hour)
    runs = [
        Run(NOW - 16 * hour, None, False, rest_seen_from=NOW - 12 * hour),
        Run(NOW - 8 * hour, NOW - 7 * hour, False),
        Run(None, NOW - 4 * hour, False, seen_from=NOW - 4.5 * hour),
        Run(None, NOW - 2 * hour, False),
    ]
    told = drawn(settings, ribbon(out), runs)
    ran = sum(b - a for a, b in stretches(runs, NOW - 86400.0, NOW, [out]))
    assert ran == 2.5 * hour
    assert f"ran 2{NBSP}h 30{NBSP}min in 2 starts" in told.summary
    over = [Run(NOW - 16 * hour, NOW - 11 * hour, False)]
    assert stretches(over, NOW - 86400.0, NOW, [out]) == [
        (NOW - 16 * hour, out[0]),
        (out[1], NOW - 11 * hour),
    ]


def test_the_ribbon_is_whole_xml_and_in_bounds(settings: Settings) -> None:
    """The drawing parses, and no place in it lies outside."""
    told = drawn(settings, ribbon((NOW - 7 * 3600.0, NOW - 5 * 3600.0)), [])
    root = ET.fromstring(str(told.svg))
    for one in root.iter():
        for name in ("x", "y", "x1", "x2", "y1", "y2"):
            place = one.get(name, "")
            if place.endswith("%"):
                assert 0.0 <= float(place[:-1]) <= 100.0
    for path in re.findall(r'class="(?:line|envelope)" d="([^"]+)"', str(told.svg)):
        for piece in path.split("M")[1:]:
            numbers = [int(n) for n in re.findall(r"-?\d+", piece)]
            for steps in (numbers[::2], numbers[1::2]):
                places = list(accumulate(steps))
                assert min(places) >= 0
                assert max(places) <= 1000


def test_texts_in_a_drawing_are_escaped() -> None:
    """A unit or a label with markup in it stays text."""
    f = chart.frame(0.0, 100.0, [0.0, 10.0])
    svg = plots.bars(f, [], name="n", levels=[chart.Level(5.0, "<script>&", "limit")], marks=[])
    assert "<script>" not in svg
    assert "&lt;script&gt;&amp;" in svg


@pytest.mark.parametrize(
    ("end", "hours"),
    [
        ("2026-03-09T05:00:00Z", ["00:00", "06:00", "12:00", "18:00"]),
        ("2026-11-02T06:00:00Z", ["00:00", "06:00", "12:00", "18:00"]),
    ],
)
def test_hours_stay_round_on_the_days_the_clocks_change(end: str, hours: list[str]) -> None:
    """Chicago's days of 23 and 25 hours keep their ticks on round hours of the wall clock."""
    until = parse_time(end)
    since = until - 86400.0
    local = Local(CHICAGO, until)
    marks = [t for t in axis.ticks(local, since - 7200.0, until) if t.label]
    assert [m.label for m in marks if m.label in hours][-4:] == hours
    assert all(f"{local.at(m.at):%H:%M}" == m.label for m in marks)


def test_the_scripts_numbers_are_the_servers(settings: Settings) -> None:
    """What the script draws is the same curve in psi, with a hole where there is a gap."""
    hole = (NOW - 7 * 3600.0, NOW - 5 * 3600.0)
    line = ribbon(hole)
    told = pressure.drawing(
        gauges(settings)[SUPPLY], DAY, Looked(line, [], (), ()), settings, 300.0
    )
    assert told["t"][0] == 0
    assert told["t"][-1] == 86400
    assert told["mean"].count(None) == 1
    assert told["mean"][0] == pytest.approx(line.points[0].mean / PSI, abs=0.01)
    assert told["mean"][-1] == pytest.approx(300.0 / PSI, abs=0.01)
    assert told["gaps"] == [[round(hole[0]), round(hole[1])]]
    assert told["t"] == sorted(told["t"])


def test_an_alert_that_outlasted_a_past_window_fills_it() -> None:
    """Raised before a window and cleared after it, it is open from edge to edge; one that was raised only afterwards, or cleared a second time, is not."""
    since, until = parse_time("2026-03-06T10:00:00Z"), parse_time("2026-03-06T15:00:00Z")

    def event(kind: str, hour: int, alert: str) -> dict[str, str]:
        at = f"2026-03-06T{hour}:00:00.000Z"
        return {"kind": f"alert_{kind}", "at": at, "section": "supply", "alert": alert}

    outlasting = [event("cleared", 18, "a")]
    assert under_alert(outlasting, [], since, until) == [(since, until)]
    assert under_alert([event("raised", 16, "a"), *outlasting], [], since, until) == []
    over = [event("cleared", 12, "a"), event("raised", 16, "a"), *outlasting]
    assert under_alert(over, [], since, until) == [(since, parse_time("2026-03-06T12:00:00Z"))]
    within = [event("raised", 11, "a"), *outlasting]
    assert under_alert(within, [], since, until) == [(parse_time("2026-03-06T11:00:00Z"), until)]


def test_open_alerts_reach_to_the_edges() -> None:
    """An alert raised before the span or not yet cleared is drawn to the span's edge."""
    when = {"raised": "2026-03-06T12:00:00.000Z", "cleared": "2026-03-06T13:00:00.000Z"}
    since, until = parse_time("2026-03-06T10:00:00Z"), parse_time("2026-03-06T15:00:00Z")
    events = [
        {"kind": "alert_cleared", "at": when["raised"], "section": "supply", "alert": "a"},
        {"kind": "alert_raised", "at": when["raised"], "section": "supply", "alert": "b"},
        {"kind": "alert_cleared", "at": when["cleared"], "section": "supply", "alert": "b"},
        {"kind": "alert_raised", "at": when["cleared"], "section": "x", "alert": "b"},
    ]
    standing = [{"since": "2026-03-01T00:00:00.000Z"}]
    raised, cleared = parse_time(when["raised"]), parse_time(when["cleared"])
    assert sorted(under_alert(events, standing, since, until)) == [
        (since, raised),
        (since, until),
        (raised, cleared),
        (cleared, until),
    ]
