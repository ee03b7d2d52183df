"""What one recipient is told now, what waits and what passes by: pure, on the site's clock."""

from collections.abc import Mapping, Sequence
from datetime import date, datetime, timedelta
from typing import Any, NamedTuple
from zoneinfo import ZoneInfo

from edge.settings import Mail, Recipient

TOLD = frozenset(
    {
        "alert_raised",
        "alert_explained",
        "alert_cleared",
        "alert_acknowledged",
        "alert_shelved",
        "hold_test_finished",
    }
)
"""The kinds of events that a person may get mail about."""

MOST_SINGLE = 4
"""More than so many at once go together in one letter: nobody reads forty."""

MOST_TOGETHER = 40
LONGEST_REMIND_S = 86400.0
_WEEKDAYS = ("mon", "tue", "wed", "thu", "fri", "sat", "sun")

Numbered = tuple[int, Mapping[str, Any]]


class Choice(NamedTuple):
    """Numbers of events: those of the next letter, and those that this recipient is not told."""

    letter: tuple[int, ...]
    passed: tuple[int, ...]
    digest: bool = False


def key_of(about: Mapping[str, Any]) -> str:
    """What makes an alert one and the same: its name, section and subject."""
    return "/".join(str(about.get(part) or "") for part in ("alert", "section", "subject"))


def quiet(mail: Mail, now: datetime) -> bool:
    """Whether only what is urgent may be sent at that local time."""
    minute = now.hour * 60 + now.minute
    return any(
        first <= minute < last if first < last else minute >= first or minute < last
        for first, last in mail.quiet
    )


def digest_due(mail: Mail, at: float, zone: ZoneInfo) -> float:
    """UTC of the first digest after `at`."""
    local = datetime.fromtimestamp(at, zone)
    due = local.replace(
        hour=mail.digest_at // 60, minute=mail.digest_at % 60, second=0, microsecond=0
    )
    if due <= local:
        due += timedelta(days=1)
    return due.timestamp()


def week_due(mail: Mail, now: float, zone: ZoneInfo) -> str | None:
    """The local date of the newest weekly account that is due at `now`; None where there is none."""
    if mail.weekly == "never":
        return None
    local = datetime.fromtimestamp(now, zone) - timedelta(minutes=mail.digest_at)
    back = (local.weekday() - _WEEKDAYS.index(mail.weekly)) % 7
    return (local - timedelta(days=back)).date().isoformat()


def past(stamp: float, wait_s: float, now: float) -> bool:
    """Whether `wait_s` have gone by since `stamp`, both seconds since 1970 UTC. A stamp further
    ahead than that is of a clock that was ahead and was set right: nobody knows how long ago it
    was, and waiting for that year would be silence."""
    return now >= stamp + wait_s or stamp - now > wait_s


def week_told(told: str, due: str) -> bool:
    """Whether the account due on local date `due` was told, the newest one told being `told`'s. One
    more than a week later than what is due now is of a clock that was ahead."""
    ahead = date.fromisoformat(told) - date.fromisoformat(due)
    return timedelta(0) <= ahead <= timedelta(days=7)


def choose(
    recipient: Recipient,
    mail: Mail,
    zone: ZoneInfo,
    waiting: Sequence[Numbered],
    threads: Mapping[str, Any],
    standing: Mapping[str, str],
    now: float,
) -> Choice:
    """Of the waiting events, in order, the next letter and what passes by.

    `threads` are the alerts, by key, that this recipient was told of; `standing` the state of
    every alert that stands now.
    """
    answered = {  # by a later event: then nobody further needs to be called
        key_of(event): number
        for number, event in waiting
        if event["kind"] not in ("alert_raised", "alert_explained")
    }
    known = set(threads)
    hushed = quiet(mail, datetime.fromtimestamp(now, zone))
    now_due: list[int] = []
    digest: list[int] = []
    passed: list[int] = []
    for number, event in waiting:
        priority = _priority(event)
        if not _wanted(recipient, event, priority):
            passed.append(number)
            continue
        if event["kind"] != "hold_test_finished":
            key = key_of(event)
            if event["kind"] != "alert_raised":
                if key not in known:
                    passed.append(number)
                    continue
            elif recipient.after_s is None:
                known.add(key)
            elif answered.get(key, 0) > number:
                passed.append(number)
                continue
            elif not past(_seconds(event["at"]), recipient.after_s, now):
                continue
            elif standing.get(key) != "active":
                passed.append(number)
                continue
            else:
                known.add(key)
        elif recipient.after_s is not None:
            passed.append(number)
            continue
        if priority == "planned":
            at = _seconds(event["at"])
            if past(at, digest_due(mail, at, zone) - at, now):
                digest.append(number)
        elif priority == "urgent" or not hushed:
            now_due.append(number)
    if now_due:
        most = MOST_TOGETHER if len(now_due) > MOST_SINGLE else 1
        return Choice(tuple(now_due[:most]), tuple(passed))
    return Choice(tuple(digest[:MOST_TOGETHER]), tuple(passed), digest=True)


def reminder(
    mail: Mail,
    zone: ZoneInfo,
    threads: Mapping[str, Mapping[str, Any]],
    alerts: Sequence[Mapping[str, Any]],
    now: float,
) -> Mapping[str, Any] | None:
    """The first standing alert, told before and acknowledged by nobody, that is due again.

    Each time it waits twice as long, up to a day.
    """
    hushed = quiet(mail, datetime.fromtimestamp(now, zone))
    for alert in alerts:
        thread = threads.get(key_of(alert))
        if thread is None or alert["state"] != "active" or alert["priority"] == "planned":
            continue
        if hushed and alert["priority"] != "urgent":
            continue
        wait_s = min(LONGEST_REMIND_S, mail.remind_every_s * 2.0 ** min(thread["reminded"], 16))
        if past(thread["told"], max(wait_s, mail.remind_every_s), now):
            return alert
    return None


def _priority(event: Mapping[str, Any]) -> str:
    if event["kind"] == "hold_test_finished":
        return "soon" if event.get("verdict") == "leaks" else "planned"
    return str(event.get("priority", "soon"))


def _wanted(recipient: Recipient, event: Mapping[str, Any], priority: str) -> bool:
    return (
        not event.get("silenced")
        and not event.get("shelved")
        and priority in recipient.priorities
        and (recipient.sections is None or event.get("section") in (None, *recipient.sections))
    )


def _seconds(iso: str) -> float:
    return datetime.fromisoformat(iso).timestamp()
