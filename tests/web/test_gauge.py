"""The pressures of the systems in the history: chart, words, table, numbers and export."""

import csv
import re
from html import unescape
from typing import Any

import depot
import pytest

from edge.core.units import PSI
from edge.model import iso
from edge.settings import Settings
from edge.store.read import Reader
from web.chart import frame
from web.gauge import Gauge, Mark, bounds, gauges, levels
from web.looked import look
from web.ribbon import Point
from web.shown import SiteUnits
from web.window import SPANS

AISLES = "Freezer aisles 1-6"
ASKED = "section=Freezer+aisles+1-6"


def test_a_system_has_a_chart_of_its_own(site: Any) -> None:
    """Words, table and ordinates are the system's, in the site's unit: its levels, no band, no word of the generator; every link that stays in the history keeps the system."""
    html = unescape(site.client().get(f"/history?{ASKED}").get_data(as_text=True))
    assert f"{AISLES}: pressure, last 24" in html
    assert re.search(r"Between 30\.2 and 30\.2.psi", html)
    assert re.search(r">regulated to 30\.0.psi<", html)
    assert re.search(r">low limit 26\.0.psi<", html)
    assert "cut-out" not in html.partition("<figure")[2].partition("</figure>")[0]
    assert "generator" not in html.partition("<figure")[2].partition("</figure>")[0].lower()
    table = html.partition('id="pressure-table"')[2].partition("</table>")[0]
    assert len(re.findall("<th scope=.col", table)) == 4
    assert table.count("<td>30.2</td><td>30.2</td><td>30.2</td>") >= 20
    links = re.findall(r'href="(/history[^"]*)"', html.partition("<main")[2])
    other = [to for to in links if "Freezer" not in to]
    assert len(links) > 30
    assert {to.partition("from")[0] for to in other} == {"/history?span=day"}  # the supply line
    assert 'data-closer="/history?section=Freezer+aisles+1-6"' in html


def test_a_systems_numbers_are_its_own(site: Any) -> None:
    """What the script draws from: the system's readings in psi, its levels in the order of their height, no band and no runs."""
    told = site.client().get(f"/api/ribbon?span=week&{ASKED}").json
    known = [value for value in told["mean"] if value is not None]
    assert {round(value, 1) for value in known} == {30.2}
    assert [(value, key) for value, _, key, _ in told["levels"]] == [
        (30.0, "edge"),
        (26.0, "limit"),
    ]
    assert told["scale"][0] < 26.0 < 30.2 < told["scale"][1]
    assert (told["band"], told["runs"], told["unit"]) == (None, [], "psi")


def test_only_its_own_alerts_and_tests_stand_on_a_systems_axis(site: Any) -> None:
    """An alert of the supply stands on the supply's axis alone, one of the system on both."""
    day = SPANS["day"].to(depot.NOW)
    aisle = {**depot.LOW, "section": AISLES, "since": iso(depot.NOW - 900.0)}
    latest = {"picture": {"alerts": [depot.LEAK, aisle]}}
    line, system = (gauges(site.settings)[name] for name in ("supply", AISLES))
    with Reader(site.state) as db:
        assert look(db, latest, day, system).alerts == [(depot.NOW - 900.0, depot.NOW)]
        assert len(look(db, latest, day, line).alerts) == 3  # and one that was raised and cleared
        assert look(db, latest, day, system).runs is None


@pytest.mark.parametrize("which", ["", "&channel=aisle_pressure&channel=running"])
def test_channels_can_be_exported_by_themselves(site: Any, which: str) -> None:
    """An export has every channel, or those that are named in the order of the settings."""
    times = "from=2026-03-06T12:00:00Z&to=2026-03-06T13:00:00Z"
    answer = site.client().get(f"/records/readings.csv?{times}{which}")
    head, *rows = csv.reader(answer.get_data(as_text=True).splitlines())
    names = [channel.name for channel in site.settings.channel]
    wanted = [name for name in names if not which or name in which]
    assert [name.partition(" ")[0] for name in head[1:]] == wanted
    assert len(rows) == 60
    pressures = {row[head.index("aisle_pressure [psi]")] for row in rows}
    assert {round(float(value), 1) for value in pressures} == {30.2}


def test_what_is_not_there_is_refused(site: Any) -> None:
    """A section or a channel that the settings do not have is no history, and an error that says what there is."""
    client = site.client()
    assert client.get("/history?section=Attic").status_code == 404
    refused = client.get("/api/ribbon?section=Attic")
    assert refused.status_code == 400
    assert AISLES in refused.json["error"]
    times = "from=2026-03-06T12:00:00Z&to=2026-03-06T13:00:00Z"
    assert client.get(f"/records/readings.csv?{times}&channel=attic").status_code == 400


def test_a_system_without_levels_keeps_a_height(settings: Settings) -> None:
    """Where neither a regulated pressure nor a limit is set, a still gauge is a line in the middle, not noise from top to bottom."""
    bare = Gauge("Attic", "Attic: pressure", "attic", ())
    dots = [Point(t, 99.9 * PSI, 100.0 * PSI, 100.1 * PSI) for t in (0.0, 60.0)]
    f = bounds(bare, dots, 0.0, 60.0)
    assert 40.0 < f.y(100.0 * PSI) < 60.0
    assert f.top - f.bottom > 7.0
    assert levels(bare, f, SiteUnits.of(settings)) == ()


def test_names_of_levels_do_not_meet(settings: Settings) -> None:
    """The last level's name goes below its line where the one above has no room for both."""
    u = SiteUnits.of(settings)
    f = frame(0.0, 1.0, [20.0, 120.0])
    near = Gauge(
        "A", "A", "a", (Mark(100.0, "regulated to", "edge"), Mark(90.0, "low limit", "limit"))
    )
    far = Gauge(
        "A", "A", "a", (Mark(100.0, "regulated to", "edge"), Mark(30.0, "low limit", "limit"))
    )
    assert [level.above for level in levels(near, f, u)] == [True, False]
    assert [level.above for level in levels(far, f, u)] == [True, True]
