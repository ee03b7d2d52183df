"""Numbers, times and ages in words."""

from zoneinfo import ZoneInfo

import pytest

from edge.core.units import PSI
from edge.settings import Settings
from web.named import spelled
from web.shown import NBSP, Local, SiteUnits, hours, lasting, parse_time

CHICAGO = ZoneInfo("America/Chicago")


@pytest.mark.parametrize(
    ("seconds", "text"),
    [
        (-3.0, "0 s"),
        (0.4, "0 s"),
        (59.4, "59 s"),
        (59.6, "1 min"),
        (3599.0, "1 h"),
        (4320.0, "1 h 12 min"),
        (26 * 3600.0, "26 h"),
        (76 * 3600.0, "3 d 4 h"),
        (40 * 86400.0, "40 d"),
    ],
)
def test_lengths_of_time_show_their_two_largest_parts(seconds: float, text: str) -> None:
    """A length of time never shows more than two parts, nor sixty of the smaller one."""
    assert lasting(seconds).replace(NBSP, " ") == text


def test_estimates_carry_no_more_figures_than_they_deserve() -> None:
    """Hours of reserve are rounded the more the longer they are."""
    told = [hours(h).replace(NBSP, " ") for h in (0.4, 4.93, 21.3, 100.0)]
    assert told == ["24 min", "4.9 h", "21 h", "4 d"]


def test_times_are_the_sites_across_the_change_to_summer_time() -> None:
    """On 8 March 2026 Chicago's clocks go from 02:00 to 03:00: each time bears its own offset."""
    before, after = parse_time("2026-03-08T07:30:00Z"), parse_time("2026-03-08T08:30:00Z")
    local = Local(CHICAGO, after)
    assert local.moment(before).text == "01:30"
    assert local.moment(before).full == "2026-03-08 01:30:00 UTC−06:00"
    assert local.moment(after).full == "2026-03-08 03:30:00 UTC−05:00"
    assert local.moment(after - 86400.0 * 2).text == f"Fri{NBSP}02:30"
    assert (
        local.moment(parse_time("2025-11-02T12:00:00Z")).text == f"2{NBSP}Nov{NBSP}2025{NBSP}06:00"
    )


def test_a_time_without_an_offset_is_refused() -> None:
    """A time of nowhere is never taken for one of somewhere."""
    with pytest.raises(ValueError, match="offset"):
        parse_time("2026-03-08T07:30:00")


def test_numbers_are_in_the_sites_units(settings: Settings) -> None:
    """NIST SP 811: 1 psi is 6.894757 kPa and 0 °C is 32 °F; 1 scfh is 0.47195 L/min."""
    u = SiteUnits.of(settings)
    assert str(u.pressure(6.894757 * 45.2)) == f"45.2{NBSP}psi"
    assert str(u.rate(6.894757 * -0.5)) == f"−0.50{NBSP}psi/h"
    assert str(u.flow(0.471947 * 9.3)) == f"9.30{NBSP}scfh"
    assert str(u.quantity("temperature", 0.0)) == f"32.0{NBSP}°F"


def test_an_events_numbers_are_spelled_by_the_unit_in_their_name(settings: Settings) -> None:
    """Evidence comes out in the site's units whatever mixture it is."""
    u = SiteUnits.of(settings)
    assert spelled("loss_kpa_per_h", PSI, u) == ("loss", f"1.00{NBSP}psi/h")
    assert spelled("drop_kpa_per_min", PSI, u) == ("drop", f"60.0{NBSP}psi/h")
    assert spelled("run_s", 5400.0, u) == ("run", f"1{NBSP}h 30{NBSP}min")
    assert spelled("inferred", True, u) == ("inferred", "yes")
    assert spelled("why", None, u) == ("why", "–")
    assert spelled("troubles", {}, u) == ("troubles", "none")
    assert spelled("channels", ["a", "b"], u) == ("channels", "a, b")
    assert spelled("mqtt", {"waiting": 3, "up": False}, u) == ("mqtt", "waiting 3; up no")
