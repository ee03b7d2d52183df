"""Who is told when: the pure choice, where the clock or the hour is odd."""

from datetime import UTC, datetime
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import pytest

from edge.model import iso
from edge.settings import Mail, Recipient, load
from edge.tell import when
from edge.tell.mail import LONGEST_WAIT_S, MailMessenger

NOW = datetime(2026, 11, 25, 12, 0, tzinfo=UTC).timestamp()
AHEAD = datetime(2033, 5, 18, tzinfo=UTC).timestamp()
ZONE = ZoneInfo("UTC")
DAY_S = 86400.0
ALERT = {"alert": "low_pressure", "section": "supply", "priority": "urgent", "state": "active"}
KEY = when.key_of(ALERT)


def mail(**more: Any) -> Mail:
    given = {"host": "x", "from": "box@depot.example", "to": [{"address": "desk@fenwick.example"}]}
    return Mail.model_validate({**given, **more})


def recipient(**more: Any) -> Recipient:
    return Recipient.model_validate({"address": "desk@fenwick.example", **more})


def raised(at: float, priority: str) -> dict[str, Any]:
    return {**ALERT, "kind": "alert_raised", "at": iso(at), "priority": priority}


def test_a_clock_that_was_ahead_stops_no_letter() -> None:
    """What was told, raised or due by a clock years ahead is told again, on, or in the next digest
    once it is right, and not in that year; a step back of seconds calls nobody early."""
    told = {KEY: {"root": "x", "told": AHEAD, "reminded": 0}}
    assert when.reminder(mail(), ZONE, told, [ALERT], NOW) == ALERT
    second = recipient(after="30 min")
    standing = {KEY: "active"}
    for to, event in ((second, raised(AHEAD, "urgent")), (recipient(), raised(AHEAD, "planned"))):
        assert when.choose(to, mail(), ZONE, [(1, event)], {}, standing, NOW).letter == (1,)
    assert not when.week_told("2033-05-16", "2026-11-23")

    told = {KEY: {"root": "x", "told": NOW + 5.0, "reminded": 0}}
    assert when.reminder(mail(), ZONE, told, [ALERT], NOW) is None
    for to, event in ((second, raised(NOW + 5, "urgent")), (recipient(), raised(NOW, "planned"))):
        assert when.choose(to, mail(), ZONE, [(1, event)], {}, standing, NOW).letter == ()
    assert when.week_told("2026-11-23", "2026-11-16"), "a small step back over the hour it is due"


@pytest.mark.parametrize(
    ("hour", "minute", "quiet"),
    [(21, 59, False), (22, 0, True), (23, 59, True), (0, 0, True), (5, 29, True), (5, 30, False)],
)
def test_quiet_hours_go_on_over_midnight(hour: int, minute: int, quiet: bool) -> None:
    """A span that ends before it begins is the night: both its halves are quiet, its end is not."""
    now = datetime(2026, 11, 25, hour, minute, tzinfo=UTC)
    assert when.quiet(mail(quiet=["22:00-05:30"]), now) == quiet


def test_a_mail_server_that_fails_is_tried_ever_more_seldom(saltmarsh: Path) -> None:
    """The wait doubles from five seconds up to ten minutes, so that one that is down for a day is
    not asked for all of it."""
    nobody: Any = None
    given = mail()
    one = MailMessenger(
        "mail here", given.to[0], given, nobody, load(saltmarsh), nobody, nobody,
        monotonic=lambda: 0.0, utc=lambda: NOW, jitter=lambda: 1.0,
    )  # fmt: skip
    waits = []
    for _ in range(9):
        one._failed("no answer", LONGEST_WAIT_S)
        waits.append(one._next_try)
    assert waits == [5.0, 10.0, 20.0, 40.0, 80.0, 160.0, 320.0, 600.0, 600.0]
