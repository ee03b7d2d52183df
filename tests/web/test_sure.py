"""How each number was made: within one tap, and whole."""

import re
from datetime import date
from typing import Any

import depot
import pytest

from edge.settings import Settings
from web import figures, sure
from web.shown import Local

KEYS = ("pressure", "nitrogen", "generator", "loss", "hours_above_low", "gas", "cost")


@pytest.mark.parametrize("key", KEYS)
def test_every_figure_says_its_result_its_age_and_how_sure(settings: Settings, key: str) -> None:
    """Whatever the first view and the gas room show closes with these three, of what is shown."""
    said = depot.newest(settings)
    section = said["picture"]["sections"]["supply"]
    if key == "gas":
        section = {"gas": depot.GAS}
    local = Local(settings.site.zone, depot.NOW)
    told = dict(sure.rows(key, section, said["channels"], settings, local))
    assert {"Result", "Age", "How sure"} <= set(told)
    assert any(c.isdigit() for c in told["Age"])
    shown = {
        "loss": str(figures.loss_figure(section, settings, local).number),
        "nitrogen": "98.6",
        "cost": "498 USD",
    }
    assert shown.get(key, "") in told["Result"]
    assert sure.rows(key, {}, {}, settings, local) == ()


def test_a_calibration_from_the_page_is_what_the_purity_rests_on(settings: Settings) -> None:
    """A cell calibrated here says when and by whom; a later date in the settings goes before it;
    with neither, none is known."""
    said = depot.newest(settings)
    section = said["picture"]["sections"]["supply"]
    local = Local(settings.site.zone, depot.NOW)
    cell = settings.supply.oxygen
    made = {cell: {"at": "2025-11-20T10:00:00Z", "by": "Ana Ruiz (127.0.0.1)"}}

    def sure_of(date_: str | None, calibrated: Any) -> str:
        channels = tuple(
            c.model_copy(update={"calibrated": date_ and date.fromisoformat(date_)})
            if c.name == cell
            else c
            for c in settings.channel
        )
        site = settings.model_copy(update={"channel": channels})
        told = sure.rows("nitrogen", section, said["channels"], site, local, calibrated)
        return dict(told)["How sure"]

    assert "by Ana Ruiz" in sure_of(None, made)
    assert "by Ana Ruiz" in sure_of("2025-01-01", made)
    assert sure_of("2025-11-24", made).endswith("2025-11-24, by the settings")
    assert sure_of(None, {}).endswith("none is known")


def test_every_figure_leads_to_its_working(site: Any) -> None:
    """Each link from a room to a working finds it there, and there is one from every room with
    figures that are made."""
    client = site.client()
    there = set(re.findall(r' id="([^"]+)"', client.get("/how").get_data(as_text=True)))
    for path, least in (("/", 5), ("/history?span=week", 4), ("/week", 1), ("/gas", 3)):
        html = client.get(path).get_data(as_text=True)
        wanted = re.findall(r'href="/how#([^"]+)"', html)
        assert len(wanted) >= least, path
        assert set(wanted) <= there, path
        assert 'href="/gas"' in html, "the gas room is one tap from every room"
