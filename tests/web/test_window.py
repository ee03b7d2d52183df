"""Looking at any stretch of the past: addresses, neighbours, and what is drawn of it."""

import re
from html import unescape
from pathlib import Path
from typing import Any

import depot
import pytest
import years
from hypothesis import given
from hypothesis import strategies as st

from edge.model import SUPPLY
from edge.store.read import Reader
from web import window
from web.stretches import under_test

NOW = depot.NOW


@given(st.floats(0.0, NOW - 1.0, allow_subnormal=False), st.floats(1.0, 20 * 366 * window.DAY))
def test_every_way_on_leads_to_a_window(since: float, length: float) -> None:
    """From any window, closer, wider, earlier and later are windows too: never past now, never
    shorter or longer than can be looked at, and closer ones lie within."""
    w = window.between(since, min(since + length, NOW), NOW)
    for label, to in window.neighbours(w, NOW):
        there = window.asked(to, NOW)
        assert there.fixed
        assert window.SHORTEST_S - 2.0 <= there.seconds <= window.LONGEST_S + 2.0
        assert there.until <= NOW
        if label.endswith("closer"):
            assert w.since - window.SHORTEST_S <= there.since < there.until <= w.until + 1.0


@pytest.mark.parametrize(
    "asked",
    [
        {"span": "decade"},
        {"from": "yesterday"},
        {"from": "2026-01-01T00:00:00"},
        {"from": "2999-01-01T00:00:00Z"},
        {"from": "0001-01-01T00:00:00Z", "to": "0001-01-02T00:00:00Z"},
        {"from": "2026-01-02T00:00:00Z", "to": "2026-01-01T00:00:00Z"},
    ],
)
def test_what_is_no_stretch_of_the_past_is_refused(asked: dict[str, str], site: Any) -> None:
    """The room is not there, and the API says what was expected."""
    client = site.client()
    assert client.get("/history", query_string=asked).status_code == 404
    answer = client.get("/api/ribbon", query_string=asked)
    assert answer.status_code == 400
    assert "expected" in answer.json["error"]


def test_links_alone_lead_from_the_year_to_ten_minutes(ages: Any) -> None:
    """Without any script, looking closer again and again always finds the data that is there."""
    client = ages.client()
    where, steps = "/history?span=year", 0
    while True:
        html = client.get(where).get_data(as_text=True)
        assert "No pressure was recorded" not in html, where
        assert 'class="line"' in html, where
        found = re.search(r'href="([^"]+)">Second half, closer', html)
        if found is None:
            break
        where, steps = unescape(found[1]), steps + 1
    assert steps > 10


def test_what_is_long_ago_is_drawn_from_what_is_kept_of_it(
    long_ago: tuple[Path, years.Past],
) -> None:
    """An hour of two years ago, whose readings are gone, comes from its quarter-hours; an hour of
    today from its readings."""
    folder, _ = long_ago
    with Reader(folder) as db:
        for back, step in ((0.1, 10.0), (20.0, 60.0), (700.0, 900.0)):
            until = NOW - back * window.DAY
            line = db.ribbon("line_pressure", until - 3600.0, until, 500)
            assert line.step_s <= step, back
            assert len(line.points) >= 3, back


def test_hold_tests_stand_on_the_axis() -> None:
    """A test begun before the window begins at its edge, one under way reaches to its end, and a
    system's does not stand on the supply's axis."""
    told = [
        {"kind": "hold_test_finished", "at": "2026-01-01T01:00:00Z", "duration_s": 7200.0},
        {"kind": "hold_test_started", "at": "2026-01-01T02:00:00Z", "section": "Freezer"},
        {"kind": "hold_test_started", "at": "2026-01-01T03:00:00Z", "section": "supply"},
    ]
    midnight = 1767225600.0
    assert under_test(told, midnight, midnight + 5 * 3600.0, SUPPLY) == [
        (midnight, midnight + 3600.0),
        (midnight + 3 * 3600.0, midnight + 5 * 3600.0),
    ]
    within = (midnight + 3.5 * 3600.0, midnight + 4 * 3600.0)
    assert under_test(told, *within, SUPPLY) == [within]
    over = [*told, {"kind": "hold_test_finished", "at": "2026-01-01T08:00:00Z", "duration_s": 1.0}]
    assert under_test(over, *within, SUPPLY) == [within]
    assert under_test(over, midnight + 9 * 3600.0, midnight + 10 * 3600.0, SUPPLY) == []
