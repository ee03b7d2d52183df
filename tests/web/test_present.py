"""The picture in words."""

from typing import Any

import depot
import pytest

from edge import advice
from edge.core.units import PSI
from edge.settings import Settings, check
from web import health, present, sentence, workings
from web.figures import Figure
from web.shown import NBSP


def view(settings: Settings, said: dict[str, Any] | None, age_s: float = 2.0) -> present.FirstView:
    return present.first_view(
        said, None if said is None else depot.NOW, settings, depot.NOW + age_s
    )


def figure(seen: present.FirstView, key: str) -> Figure:
    return next(f for f in seen.figures if f.key == key)


def text(one: Figure) -> str:
    told = " | ".join(f"{n.text}{n.moment.text if n.moment else ''}{n.tail}" for n in one.lines)
    return f"{one.number}: {told}".replace(NBSP, " ")


@pytest.mark.parametrize(("age_s", "state"), [(14.9, "watch"), (15.1, "blind"), (-15.1, "blind")])
def test_old_data_claims_nothing(settings: Settings, age_s: float, state: str) -> None:
    """Past three periods of five seconds, on either side of the clock, only blind is said."""
    seen = view(settings, depot.newest(settings, "watch"), age_s)
    assert seen.state.key == state
    assert (seen.reserve is not None) == (state == "watch")


def test_a_slow_daemons_own_pace_counts(settings: Settings) -> None:
    """With a reading a minute, data is old after three minutes and not before."""
    slow = settings.model_copy(
        update={"keeping": settings.keeping.model_copy(update={"every_s": 60.0})}
    )
    said = depot.newest(slow)
    assert view(slow, said, 179.0).state.key == "holding"
    assert view(slow, said, 181.0).state.key == "blind"


def test_an_untouched_stamp_in_a_touched_file_is_old(settings: Settings) -> None:
    """A copy of an old file is as old as what it says of itself."""
    said = depot.newest(settings, at=depot.NOW - 3600.0)
    assert view(settings, said).state.key == "blind"


def test_no_data_at_all_says_so_and_whom_to_call(settings: Settings) -> None:
    """Before the daemon's first word the page is blind, with a thing to do."""
    seen = view(settings, None)
    assert seen.state.key == "blind"
    assert "no data" in seen.state.reason
    assert "Fenwick Fire Protection" in seen.state.todo
    assert [f.now for f in seen.figures] == [False] * 4
    assert seen.age == "no data"


def test_the_demos_time_runs_on_from_its_last_word(settings: Settings) -> None:
    """At 60 times life, two seconds after the last word two minutes have passed at the site."""
    said = depot.newest(settings, "watch", at=depot.NOW + 5e6)
    said["monitor"]["demo"] = {"speed": 60}
    seen = view(settings, said)
    assert seen.state.key == "watch"
    assert seen.seen.site_now == depot.NOW + 5e6 + 120.0
    assert seen.demo
    assert "60 times" in seen.band


def test_a_purity_that_is_not_valid_now_says_when_it_was(settings: Settings) -> None:
    """The resting generator's nitrogen is marked as past, with its time and age."""
    said = depot.newest(settings)
    purity = said["picture"]["sections"]["supply"]["purity"]
    purity["at"] = "2026-03-06T18:36:00.000Z"
    nitrogen = figure(view(settings, said), "nitrogen")
    assert not nitrogen.now
    assert "Measured 12:36, 2 h 24 min ago" in text(nitrogen)
    purity["valid_now"] = True
    assert figure(view(settings, said), "nitrogen").now


def test_figures_say_what_is_missing_instead_of_a_number(settings: Settings) -> None:
    """A dead sensor, an unknown run and an unmeasured loss are a dash with a reason, never a zero."""
    said = depot.newest(settings, "blind")
    section = said["picture"]["sections"]["supply"]
    section.update(running=None, since=None, loss=None, baseline=None, purity=None, duty_pct=None)
    seen = view(settings, said)
    assert text(figure(seen, "pressure")).startswith("– psi: No reading: 0.02 V is under 0.25 V")
    assert "last good reading 9 min ago" in text(figure(seen, "pressure"))
    assert text(figure(seen, "generator")).startswith("Unknown")
    assert text(figure(seen, "loss")).startswith("– psi/h: Not measured yet")
    assert text(figure(seen, "nitrogen")).startswith("– %: Not measured yet")


def test_the_loss_stands_beside_the_commissioned_one(settings: Settings) -> None:
    """The loss shows its 95 % range, its flow, and how many times the commissioned loss it is."""
    said = text(figure(view(settings, depot.newest(settings)), "loss"))
    assert "95 % sure of 3.23 to 3.43" in said
    assert "As a flow 9.32 scfh" in said
    assert "Commissioned 3.03 psi/h (2.92 to 3.14); now 1.1 times" in said


def test_a_range_that_begins_under_nothing_has_one_end(settings: Settings) -> None:
    """A pipe cannot gain: of a first short rest that may be no loss at all only the most is told."""
    newest = depot.newest(settings)
    newest["picture"]["sections"]["supply"]["loss"]["loss_low_kpa_per_h"] = -12.4
    said = text(figure(view(settings, newest), "loss"))
    assert "95 % sure that it is under 3.43" in said
    assert "-1.8" not in said


@pytest.mark.parametrize(("loss", "times"), [(0.08, ""), (0.4, "; now at least 4.0 times")])
def test_a_loss_is_no_multiple_of_next_to_nothing(
    settings: Settings, loss: float, times: str
) -> None:
    """Of a pipe commissioned tight only growth past the most it may have lost is told."""
    newest = depot.newest(settings)
    section = newest["picture"]["sections"]["supply"]
    section["baseline"].update(loss_kpa_per_h=0.01, compared_kpa_per_h=0.1)
    section["loss"]["loss_at_reference_kpa_per_h"] = loss
    said = text(figure(view(settings, newest), "loss"))
    assert said.partition("Commissioned")[2].partition(")")[2] == times


def test_hours_above_the_low_limit_give_their_range(settings: Settings) -> None:
    """The reserve names the limit, the estimate and its range; below the limit it says that."""
    said = depot.newest(settings)
    told = (view(settings, said).reserve or "").replace(NBSP, " ")
    assert told.endswith("stay above 34.0 psi for about 4.9 h (4.6 h to 5.3 h).")
    said["picture"]["sections"]["supply"]["hours_above_low"] = {
        "hours": 0.0,
        "low": 0.0,
        "high": 0.0,
    }
    assert "already below" in (view(settings, said).reserve or "")


@pytest.mark.parametrize(
    ("left", "told"),
    [
        ((4.9, 4.6, None), "for about 4.9 h (at least 4.6 h)."),
        ((None, 80.0, None), "for at least 3 d."),
        ((None, None, None), "longer than can be told: the line loses next to nothing."),
    ],
)
def test_a_reserve_without_an_end_claims_none(
    settings: Settings, left: tuple[float | None, ...], told: str
) -> None:
    """Where the loss may be nothing at all, only what is sure is said."""
    said = depot.newest(settings)
    three = dict(zip(("hours", "low", "high"), left, strict=True))
    said["picture"]["sections"]["supply"]["hours_above_low"] = three
    assert (view(settings, said).reserve or "").replace(NBSP, " ").endswith(told)


def test_an_alert_reads_like_a_colleagues_note(settings: Settings) -> None:
    """What, since when, likely cause, what to do, check and bring, and the numbers behind it."""
    note = view(settings, depot.newest(settings, "watch")).notes[0]
    assert note.title == "Leak growth"
    assert note.cause == "a leak that has grown"
    assert note.lasted == f"26{NBSP}h"
    assert "Leak-detection fluid" in note.bring
    assert note.evidence[0] == ("Loss", f"3.33{NBSP}psi/h")
    assert note.followers == ("Excess runtime",)


def test_the_numbers_behind_an_alert_are_named_in_words(settings: Settings) -> None:
    """No code of the contract is left: ratios say of what, and the time stands in the site's zone."""
    said = depot.newest(settings, "watch")
    numbers = {"loss_ratio": 2.213, "sure_pct": 97, "since": "2026-03-06T18:00:00Z", "why": None}
    said["picture"]["alerts"][0] = {**depot.LEAK, "evidence": numbers}
    assert view(settings, said).notes[0].evidence == (
        ("Loss, times that at hand-over", "2.21"),
        ("Sure of the cause", f"97{NBSP}%"),
        ("Since", "2026-03-06 12:00:00 UTC−06:00"),
        ("Why", "–"),
    )


def test_the_monitors_health_is_told_in_words(settings: Settings) -> None:
    """What is kept, lost, wrong and told stands there in so many words, nothing empty, whether well or not."""
    said = depot.newest(settings)["monitor"]
    well = dict(health.monitor_rows(said))
    assert well["Kept on the disk"] == "everything"
    assert well["Troubles"] == "none"
    mqtt = "Messages by mqtt 10.0.0.5:1883"
    assert well[mqtt] == "not connected: no answer; 3 waiting"
    ill = {**said, "not_kept": "disk full", "troubles": {"clock": "Late."}, "messengers": {}}
    told = dict(health.monitor_rows(ill))
    assert told["Kept on the disk"] == "not now: disk full"
    assert told["Troubles"] == "Late."
    assert "none are in the settings" in told["Messages"]
    assert all(text for text in [*well.values(), *told.values()])
    assert health.monitor_rows({}) == ()


def test_an_alert_without_a_cause_still_says_what_to_check(settings: Settings) -> None:
    """Where no cause could be told, the advice is the alert's own."""
    said = depot.newest(settings, "watch")
    said["picture"]["alerts"][0] = {**depot.LEAK, "cause": None, "evidence": {}, "followers": []}
    note = view(settings, said).notes[0]
    assert note.cause == ""
    assert note.check == advice.ALERTS["leak_growth"].check


def test_every_alert_and_cause_of_the_contract_has_advice() -> None:
    """No alert or cause of the events contract is left without something to check and to bring."""
    alerts = [
        "low_pressure",
        "high_pressure",
        "no_cut_in",
        "no_cut_out",
        "slow_build",
        "long_run",
        "excess_runtime",
        "short_cycling",
        "leak_growth",
        "fast_drop",
        "low_purity",
        "bypass_suspected",
        "setpoint_drift",
        "maintenance_device_fault",
        "channel_fault",
        "stuck_reading",
        "hold_test_failed",
        "calibration_due",
        "work_due",
        "storage_low",
        "monitor_fault",
    ]
    causes = [
        "leak",
        "flow_restricted",
        "production_weak",
        "bypass_open",
        "volume_changed",
        "control_fault",
        "no_power",
        "pipe_open",
        "device_shut",
        "device_open",
        "loss_over_production",
    ]
    assert sorted(advice.ALERTS) == sorted(alerts)
    assert sorted(advice.CAUSES) == sorted(causes)
    assert all(a.check and a.bring for a in [*advice.ALERTS.values(), *advice.CAUSES.values()])
    assert all(c.cause for c in advice.CAUSES.values())


def test_a_bare_site_is_shown_without_what_it_lacks() -> None:
    """One pressure channel, no oxygen, no systems, in bar: every figure says what is not there."""
    bare = check(
        {
            "site": {"name": "Pump house", "id": "pump-house", "units": {"pressure": "bar"}},
            "supply": {"pressure": "line", "cut_in": "8.1 bar", "cut_out": "10.1 bar"},
            "channel": [
                {"name": "line", "quantity": "pressure", "unit": "bar", "input": "simulated"}
            ],
        }
    )
    said = depot.newest(bare)
    section = said["picture"]["sections"]["supply"]
    section.update(pressure_kpa=930.0, inferred=True, purity=None)
    seen = view(bare, said)
    assert "No oxygen sensor is fitted" in text(figure(seen, "nitrogen"))
    assert "Told from the pressure alone" in text(figure(seen, "generator"))
    assert text(figure(seen, "pressure")).startswith("9.30 bar: Set to cycle 8.10 to 10.1 bar")
    assert seen.systems == ()
    assert "call your fire-protection contractor" in sentence.lost(bare).todo


def test_the_pressure_scale_keeps_its_order(settings: Settings) -> None:
    """Low limit, cut-in and cut-out stand in this order, and a pressure off the scale at its end."""
    said = depot.newest(settings)
    said["picture"]["sections"]["supply"]["pressure_kpa"] = 90.0 * PSI
    scale = view(settings, said).scale
    assert 0.0 < scale.low < scale.band_from < scale.band_to < 100.0
    assert scale.here == 100.0


def test_workings_come_from_the_judge(settings: Settings) -> None:
    """Rows of the judge's working stand under the figure's method, and a gap in them is said."""
    works = {w.key: w for w in workings.workings(depot.newest(settings)["picture"], "supply", True)}
    assert ("slope of pressure", "−3.31 psi/h") in works["loss"].rows
    assert works["generator"].rows == ()
    assert all(w.method for w in works.values())
