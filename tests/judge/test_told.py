"""What is said of alerts: events in the past, open alerts in the present, causes that one moment
tells, and that figures come from no sensor."""

from pathlib import Path

from edge.core.units import PSI
from edge.judge import Judge
from edge.model import Event, Tick
from edge.settings import Settings, load
from edge.words import Words

EPOCH = 1_770_000_000.0


def falling(judge: Judge, first_psi: float, last_psi: float, run: float) -> list[Event]:
    """Twenty minutes from one pressure to another, the generator running or not all the while."""
    events = []
    for s in range(0, 1201, 5):
        psi = first_psi + (last_psi - first_psi) * s / 1200.0
        values = (psi * PSI, 2.0, run if s else 0.0, 20.0, 30.0 * PSI, -20.0)
        events += judge.look(Tick(float(s), EPOCH, values))
    return events


def site(saltmarsh: Path) -> Settings:
    return load(saltmarsh)


def test_an_event_stays_true_and_an_open_alert_shows_this_moment(saltmarsh: Path) -> None:
    """The event names limit and pressure as they were and as different numbers; the open alert and
    the site's sentence have the pressure of now; the owner is told to call, not what to bring."""
    judge = Judge(site(saltmarsh))
    events = falling(judge, 38.0, 30.3, 1.0)
    (raised,) = [e for e in events if e.kind == "alert_raised"]
    assert raised.text == ("The supply was at 33.96 psi, under its low limit of 34.0 psi.")
    picture = judge.picture()
    (alert,) = picture["alerts"]
    assert alert["text"] == "The supply is at 30.3 psi, under its low limit of 34.0 psi."
    assert alert["raised"] == raised.text
    assert picture["reason"] == alert["text"]
    assert picture["todo"].endswith("Call Fenwick Fire Protection, 555-0142 now.")
    assert alert["check"]
    assert alert["bring"]


def test_a_fall_while_running_tells_its_cause_and_a_fall_at_rest_does_not(saltmarsh: Path) -> None:
    """Falling with the contact closed, more is lost than made, and the alert says so when raised;
    with the contact open that cause is never told."""
    running = falling(Judge(site(saltmarsh)), 38.0, 30.3, 1.0)
    (raised,) = [e for e in running if e.kind == "alert_raised"]
    assert raised.numbers["cause"] == "loss_over_production"
    assert raised.numbers["cause_text"] == "more is lost than the generator makes"
    resting = falling(Judge(site(saltmarsh)), 38.0, 30.3, 0.0)
    causes = {e.numbers.get("cause") for e in resting if e.kind.startswith("alert_")}
    assert causes
    assert "loss_over_production" not in causes


def test_what_reads_no_sensor_says_so(saltmarsh: Path) -> None:
    """A judge of simulated channels marks sentence, picture and alerts; one of a recording does not."""
    settings = site(saltmarsh)
    for simulated in ((), settings.simulated, ("oxygen",)):
        judge = Judge(settings, simulated=simulated)
        events = falling(judge, 38.0, 30.3, 1.0)
        (raised,) = [e for e in events if e.kind == "alert_raised"]
        assert raised.numbers.get("simulated", []) == list(simulated)
        picture = judge.picture()
        assert picture["simulated"] == list(simulated)
        assert picture["reason"].startswith("Simulated") == bool(simulated)
    assert len(settings.simulated) == len(settings.channel)


def test_two_different_numbers_never_look_the_same(saltmarsh: Path) -> None:
    """A pressure, a share and a time beside the limit they are past."""
    words = Words(site(saltmarsh))
    assert words.pressure_beside(33.98 * PSI, 34.0 * PSI) == "33.98 psi"
    assert words.pressure_beside(30.3 * PSI, 34.0 * PSI) == "30.3 psi"
    assert words.percent_beside(97.97, 98.0) == "97.97 %"
    assert words.duration_beside(6 * 3600 + 5.0, 6 * 3600.0) == "just over 6 h"
    assert words.duration(3 * 365.25 * 86400.0) == "3 years"
