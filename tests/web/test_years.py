"""A site with five years behind it: what is shown of them is what happened."""

from pathlib import Path
from typing import Any

import depot
import numpy as np
import pytest
import years
from test_views import API, LOGS, PAGES, SPANS

from edge.settings import Settings
from edge.store.read import Reader


@pytest.mark.parametrize("span_s", [86400.0, 7 * 86400.0, 366 * 86400.0])
def test_the_ribbon_of_any_span_is_what_happened(
    long_ago: tuple[Path, years.Past], span_s: float
) -> None:
    """Each point's lowest, mean and highest are those of the pressure that was, and where the power
    was away there is none."""
    folder, past = long_ago
    with Reader(folder) as db:
        line = db.ribbon("line_pressure", depot.NOW - span_s, depot.NOW, 500)
    xs, ys = map(np.array, zip(*past.turns, strict=True))
    away_s = sum(b - a for a, b in past.outages if b > depot.NOW - span_s)
    assert len(line.points) > (span_s - away_s) / line.step_s - 3
    for point in line.points[1:-1]:
        at = np.arange(point.at, point.at + line.step_s, 60.0)
        seen = ~np.any([(a - 60.0 <= at) & (at <= b + 900.0) for a, b in past.outages], axis=0)
        if not seen.all():
            continue  # a power cut's edges fall within it
        was = np.interp(at + 30.0, xs, ys)
        assert point.mean == pytest.approx(float(was.mean()), abs=1.0)
        assert point.low == pytest.approx(float(was.min()), abs=5.0)
        assert point.high == pytest.approx(float(was.max()), abs=5.0)
    for a, b in past.outages:
        dark = [p for p in line.points if a < p.at and p.at + line.step_s < b]
        assert dark == []


def test_every_room_opens_with_five_years_behind_it(ages: Any) -> None:
    """No route fails on years of history, and every kept hold test has its sheet, CSV and JSON."""
    client = ages.client()
    for path in [*PAGES, *SPANS, *LOGS, *API, "/week", "/records", "/metrics"]:
        assert client.get(path).status_code == 200, path
    tests = client.get("/api/tests").json["tests"]
    assert len(tests) == 6
    for number in (int(t["id"].rpartition("-")[2]) for t in tests):
        for ending in ("", ".csv", ".json"):
            answer = client.get(f"/records/{number}{ending}")
            assert answer.status_code == 200, (number, ending)
            answer.close()


def test_the_first_view_follows_what_is_written(ages: Any, settings: Settings) -> None:
    """The chart that is kept for a minute is drawn anew as soon as there is something new to draw."""
    client = ages.client()
    first = client.get("/").data
    assert client.get("/").data == first
    ages.say("act")
    html = client.get("/").get_data(as_text=True)
    assert html.count('class="alerted"') == 2
    ages.say("holding")
    ages.now += 3600.0
    ages.said = depot.newest(settings, at=depot.NOW + 3600.0)
    depot.show(ages.runtime, ages.said, saved_at=depot.NOW + 3600.0)
    later = client.get("/").get_data(as_text=True)
    assert "No data for 1" in later.replace("\N{NO-BREAK SPACE}", " ")
