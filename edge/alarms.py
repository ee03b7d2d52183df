"""The state of each alert: pure, clockless, after IEC 62682 as OPC UA Part 9 models it.

A condition becomes an alert when it has lasted its on-delay, and clears when it has been gone
for its off-delay. What cannot be judged changes nothing. A person may acknowledge an alert or
shelve it for a limited time; neither changes what is recorded.

A condition that another alert explains is attached to that one, and told once as such: who goes
for one trouble should know at once what else is seen, and not be called for each. It is raised by
itself as soon as the figures say that it has a reason of its own, and where it outlasts the other
alert by more than its own memory, since then it was no mere consequence.
"""

from collections.abc import Callable, Iterator, Mapping
from dataclasses import replace
from typing import Any

from edge import advice
from edge.core.kept import Kept
from edge.detect.base import URGENT, Detector, Now
from edge.detect.monitor_fault import SwitchedOff
from edge.model import Event, Request, iso

LONGEST_SHELVE_S = 7 * 86400.0
LONGEST_WORK_S = 12 * 3600.0
UNSURE_S = 60.0
"""A condition that could not be judged for longer begins its delays anew; for less, a sensor that
misses every other reading must not keep an alert from being raised or cleared."""

OFF = "switched off/"
"""Before the key of a detector: the alarm that it is switched off."""

TELLING = ("run_measured", "idle_measured", "purity_measured")
"""Facts that may tell the cause of what stands."""

FLOOD_ALERTS, FLOOD_S = 10, 600.0
CHATTER_TIMES, CHATTER_S = 3, 900.0
"""An alert raised so often within so many seconds is chattering, and then stands until it has been
quiet for as long. IEC 62682 calls three within a minute chattering, which is for who looks every
second: most here are looked at once a minute, so it is as many within fifteen looks (common
practice, no source)."""


class Alarm(Kept):
    """One detector's alert: its delays running, and what stands."""

    KEPT = (
        "detector",
        "on_t",
        "off_t",
        "unsure_t",
        "raised_t",
        "raised_at",
        "acknowledged_by",
        "shelved_until_t",
        "shelved_why",
        "told",
        "raises",
        "hushed",
        "kept_back",
        "hunch",
        "held_by",
        "held_t",
    )

    def __init__(self, detector: Detector) -> None:
        self.detector = detector
        self.on_t: float | None = None  # the condition has been there since
        self.off_t: float | None = None  # gone since, while the alert stands
        self.unsure_t: float | None = None  # not to be judged since
        self.raised_t: float | None = None
        self.raised_at: float | None = None
        self.acknowledged_by: str | None = None
        self.shelved_until_t: float | None = None
        self.shelved_why: str | None = None
        self.told: dict[str, Any] = {}  # text, todo, evidence, cause as raised
        self.raises: list[float] = []
        self.hushed = False  # raised while somebody worked on it, so not told
        self.kept_back = False  # raised while it was shelved, so not told
        self.hunch: str | None = None  # the cause that the last run or rest spoke for
        self.held_by: str | None = None  # the alert that it is attached to, or was last
        self.held_t = 0.0  # when it was so last

    @property
    def active(self) -> bool:
        return self.raised_t is not None

    @property
    def name(self) -> str:
        return f'"{advice.name_of(self.detector.alert)}"'

    def _advice(self) -> dict[str, str]:
        """What goes with the alert wherever it is told."""
        known = advice.of(self.detector.alert, self.told.get("cause"))
        return {"cause_text": known.cause, "check": known.check, "bring": known.bring}

    def look(
        self, now: Now, at: float, leader: Callable[["Alarm"], "Alarm | None"]
    ) -> Event | None:
        """Judge anew at one tick, stamped `at`; the event if the alert was raised or cleared.

        `leader` finds the standing alarm that this one would only be a consequence of.
        """
        there = self.detector.look(now, self.raised_t is not None)
        if there is None:
            if self.unsure_t is None:
                self.unsure_t = now.t
            return self._explain(now, at)
        if self.unsure_t is not None:
            if now.t - self.unsure_t > UNSURE_S:
                self.on_t = self.off_t = None
            self.unsure_t = None
        if self.raised_t is None:
            if not there:
                self.on_t = self.held_by = None
                return None
            if self.on_t is None:
                self.on_t = now.t
            if now.t - self.on_t < self.detector.on_delay_s:
                return None
            return self._lasted(now, at, leader(self))
        if there:
            self.off_t = None
            if self.detector.changes:
                self._say_anew(now)
            return self._explain(now, at)
        if self.off_t is None:
            self.off_t = now.t
        if now.t - self.off_t < self._off_delay_s():
            return None
        return self._clear(now, at)

    def _lasted(self, now: Now, at: float, lead: "Alarm | None") -> Event | None:
        """The condition has lasted: a trouble of its own, or a consequence of what `lead` stands
        for?"""
        detector = self.detector
        if lead is None or detector.apart(now, lead.detector.alert):
            if lead is None and self.held_by and now.t - self.held_t < detector.lingers_s:
                return None  # of what has ended
            return self._raise(now, at, {} if lead is None else {"beside": lead.detector.alert})
        name = lead.detector.alert
        if detector.priority == URGENT:
            lead.attach(detector.alert)
            return self._raise(now, at, {"follows": name})
        self.held_by, self.held_t = name, now.t
        return self._attached(now, at, name) if lead.attach(detector.alert) else None

    def _attached(self, now: Now, at: float, lead: str) -> Event:
        """The follower's own words, told once as a part of the other alert."""
        telling, words = self.detector.tell(now), f'"{advice.name_of(lead)}"'
        since_s = now.t - (self.on_t if self.on_t is not None else now.t)
        self.told = {
            "cause": telling.cause,
            "evidence": {**telling.evidence, "since": iso(at - since_s), "follows": lead},
        }
        text = f"Also seen, as a consequence of the alert {words}: {telling.text}"
        return self.event("alert_attached", at, text, todo=telling.todo)

    def _off_delay_s(self) -> float:
        times = self.raises[-CHATTER_TIMES:]
        chattering = len(times) == CHATTER_TIMES and times[-1] - times[0] <= CHATTER_S
        return max(self.detector.off_delay_s, CHATTER_S if chattering else 0.0)

    def attach(self, follower: str) -> bool:
        """Note a trouble that follows from this one; whether it was not noted yet."""
        followers = self.told.setdefault("followers", [])
        new = follower not in followers
        if new:
            followers.append(follower)
        return new

    def _raise(self, now: Now, at: float, more: Mapping[str, Any]) -> Event:
        telling, held_by, self.held_by = self.detector.tell(now), self.held_by, None
        if held_by is not None:
            more = {**more, "held_by": held_by}
            name = f'"{advice.name_of(held_by)}"'
            ended = f"Still so after the alert {name} ended: {telling.text}"
            beside = f"More than a consequence of the alert {name}: {telling.text}"
            telling = telling._replace(text=beside if "beside" in more else ended)
        since_s = now.t - (self.on_t if self.on_t is not None else now.t)
        self.raised_t, self.raised_at, self.off_t = now.t, at, None
        self.raises = [*self.raises[1 - CHATTER_TIMES :], now.t]
        self.acknowledged_by = None
        self.told = {
            "text": telling.text,
            "todo": telling.todo,
            "cause": telling.cause,
            "evidence": {**telling.evidence, **more, "since": iso(at - since_s)},
            "followers": [],
        }
        self.kept_back = self.shelved(now.t)
        shelved = {"shelved": True} if self.kept_back else {}
        return self.event("alert_raised", at, telling.text, todo=telling.todo, **shelved)

    def _say_anew(self, now: Now) -> None:
        telling = self.detector.tell(now)
        evidence = {**self.told["evidence"], **telling.evidence}
        self.told |= {"text": telling.text, "todo": telling.todo, "evidence": evidence}

    def _explain(self, now: Now, at: float) -> Event | None:
        """The cause, once it is known of an alert that was raised without one: plain at this
        moment, or two runs or rests in a row speak for the same."""
        if self.raised_t is None or self.told.get("cause") is not None:
            return None
        if self.detector.plain_cause(now) is not None:
            telling = self.detector.tell(now)
        elif any(fact.kind in TELLING for fact in now.facts):
            telling = self.detector.tell(now)
            before, self.hunch = self.hunch, telling.cause
            if telling.cause != before:
                return None
        else:
            return None
        if telling.cause is None:
            return None
        evidence = {**self.told["evidence"], **telling.evidence}
        self.told |= {"todo": telling.todo, "cause": telling.cause, "evidence": evidence}
        cause = advice.of(self.detector.alert, telling.cause).cause
        text = f"The likely cause of the alert {self.name} is known now: {cause}."
        return self.event("alert_explained", at, text, todo=telling.todo)

    def _clear(self, now: Now, at: float) -> Event:
        stood_s = now.t - (self.raised_t or now.t)
        text = f"The alert {self.name} ended after {now.words.duration(stood_s)}."
        event = self.event("alert_cleared", at, text)
        self.on_t = self.off_t = self.raised_t = self.raised_at = None
        self.acknowledged_by = self.hunch = None
        self.hushed = self.kept_back = False
        return event

    def event(self, kind: str, at: float, text: str, **more: Any) -> Event:
        detector = self.detector
        numbers: dict[str, Any] = {
            "alert": detector.alert,
            "priority": detector.priority,
            "cause": self.told.get("cause"),
            "evidence": self.told.get("evidence", {}),
        }
        if kind in ("alert_raised", "alert_explained"):
            numbers |= self._advice()
        if detector.subject is not None:
            numbers["subject"] = detector.subject
        return Event(at, kind, text, detector.section, {**numbers, **more})

    def shelved(self, t: float) -> bool:
        return self.shelved_until_t is not None and t < self.shelved_until_t

    def picture(self, now: Now) -> dict[str, Any]:
        """The alert as the page and messages show it, while it stands: `text` in the present, with
        the figures of this moment."""
        plain = self.plain(now.t)
        return {**plain, "text": self.detector.present(now, plain["raised"])}

    def plain(self, t: float) -> dict[str, Any]:
        """The same without the figures of this moment; `raised` is what was said at first."""
        shelved = self.shelved(t)
        return {
            "alert": self.detector.alert,
            "section": self.detector.section,
            "subject": self.detector.subject,
            "priority": self.detector.priority,
            "state": "shelved" if shelved else "acknowledged" if self.acknowledged_by else "active",
            "since": iso(self.raised_at) if self.raised_at is not None else None,
            **self.told,
            "raised": self.told.get("text", ""),
            **self._advice(),
        }


class Desk(Kept):
    """All alarms of a site, and what people did with them."""

    KEPT = ("alarms", "next_t", "working_until_t", "working_by")

    def __init__(self, detectors: Iterator[Detector]) -> None:
        self.alarms: dict[str, Alarm] = {}
        for detector in detectors:
            key = "/".join(filter(None, (detector.alert, detector.section, detector.subject)))
            self.alarms[key] = Alarm(detector)
        self._prompt = [a for a in self.alarms.values() if a.detector.prompt]
        self._slow = [a for a in self.alarms.values() if not a.detector.prompt]
        self.next_t: float | None = None  # when the unhurried are looked at again
        self.working_until_t: float | None = None  # until then a technician is at work
        self.working_by: str | None = None
        self.broken: dict[str, str] = {}  # detectors that raised, and what

    def restore(self, state: dict[str, Any]) -> None:
        """Settings may have changed since: an alarm that is no more is dropped, a new one begins."""
        for key, kept in state["alarms"].items():
            if key.startswith(OFF) and key.removeprefix(OFF) in self.alarms:
                self._standing_for(key.removeprefix(OFF)).restore(kept)
            elif key in self.alarms:
                self.alarms[key].restore(kept)
        self.next_t = state["next_t"]
        self.working_until_t, self.working_by = state["working_until_t"], state["working_by"]

    def look(self, now: Now, stamp: Callable[[float], float]) -> list[Event]:
        events: list[Event] = []
        self._judge(self._prompt, now, stamp, events)
        if now.facts or self.next_t is None or now.t >= self.next_t:
            self._judge(self._slow, now, stamp, events)
            self.next_t = now.t + 60.0
        events += self._off_the_shelf(now, stamp(now.t))
        return self._hushed(events, now, stamp(now.t))

    def _off_the_shelf(self, now: Now, at: float) -> list[Event]:
        """Tell what was raised on the shelf and still stands once its time there is up."""
        again = []
        for alarm in self.alarms.values():
            if alarm.kept_back and not alarm.shelved(now.t) and self.working_until_t is None:
                alarm.kept_back = False
                if alarm.acknowledged_by is None:
                    still = self._shown(alarm, now)["text"]
                    text = f"Raised while it was shelved, and still so: {still}"
                    again.append(alarm.event("alert_raised", at, text, todo=alarm.told["todo"]))
        return again

    def pictures(self, now: Now) -> list[dict[str, Any]]:
        """The alerts that stand, as they are shown."""
        return [self._shown(alarm, now) for alarm in self.standing()]

    def _shown(self, alarm: Alarm, now: Now) -> dict[str, Any]:
        try:
            return alarm.picture(now)
        except MemoryError:
            raise
        except Exception as error:
            # As when judging: one detector's fault must not end the telling of all the others.
            why = f"{type(error).__name__}: {error}"
            self.broken[alarm.detector.alert] = why
            return {**alarm.plain(now.t), "text": f"{alarm.told.get('text', '')} (As raised.)"}

    def _hushed(self, events: list[Event], now: Now, at: float) -> list[Event]:
        """Mark what is not to be told while somebody works on it; tell what stands when they end."""
        t = now.t
        if self.working_until_t is None:
            return events
        if t < self.working_until_t:
            for alarm in self.alarms.values():
                alarm.hushed = alarm.hushed or alarm.raised_t == t
            return [replace(e, numbers={**e.numbers, "silenced": True}) for e in events]
        self.working_until_t = self.working_by = None
        again = []
        for alarm in self.standing():
            if alarm.hushed:
                still = self._shown(alarm, now)["text"]
                text = f"Raised while work was going on, and still so: {still}"
                again.append(alarm.event("alert_raised", at, text, todo=alarm.told["todo"]))
        for alarm in self.alarms.values():
            alarm.hushed = False
        return events + again

    def _work(self, request: Request, t: float) -> None:
        for_s = float(request.what.get("for_s", 3600.0))
        if not 0.0 <= for_s <= LONGEST_WORK_S:
            raise ValueError(f"for_s: expected up to {LONGEST_WORK_S:g} seconds, found {for_s:g}")
        self.working_until_t, self.working_by = t + for_s, request.by

    def _judge(
        self,
        alarms: list[Alarm],
        now: Now,
        stamp: Callable[[float], float],
        events: list[Event],
    ) -> None:
        at = stamp(now.t)
        for alarm in tuple(alarms):
            try:
                event = alarm.look(now, at, self._leader)
            except MemoryError:
                raise  # of the whole process, which is started again; not this detector's fault
            except Exception as error:
                # One detector's fault must not blind the others: it is switched off and reported.
                alarms.remove(alarm)
                event = self._switched_off(alarm, error, now, at)
            if event is not None:
                events.append(event)

    def _leader(self, alarm: Alarm) -> Alarm | None:
        """The standing alarm that explains this one, if any does."""
        follows = alarm.detector.follows
        if not follows:
            return None
        for other in self.alarms.values():
            detector = other.detector
            if other.active and detector.alert in follows and other is not alarm:
                return other
        return None

    def _switched_off(self, alarm: Alarm, error: Exception, now: Now, at: float) -> Event | None:
        why = f"{type(error).__name__}: {error}"
        self.broken[alarm.detector.alert] = why
        key = next(key for key, one in self.alarms.items() if one is alarm)
        stands = self._standing_for(key)
        assert isinstance(stands.detector, SwitchedOff)
        stands.detector.why = why
        return stands.look(now, at, self._leader)

    def _standing_for(self, key: str) -> Alarm:
        """The alarm of the detector under `key` being switched off, made where there is none: few
        ever are, and each would be kept with the judges' state."""
        mine = f"{OFF}{key}"
        if mine not in self.alarms:
            self.alarms[mine] = Alarm(SwitchedOff(self.alarms[key].detector))
            self._prompt.append(self.alarms[mine])
        return self.alarms[mine]

    def ask(self, request: Request, t: float, at: float) -> list[Event]:
        """Acknowledge or shelve the alerts that a request names (all that stand, if it names none).

        Or begin, prolong or (with no time) end a technician's work, for which alerts are kept but
        not told. ValueError for a time that is none.
        """
        if request.kind == "working":
            self._work(request, t)
            return []
        events = []
        for alarm in self.standing():
            if not _meant(alarm, request.what):
                continue
            if request.kind == "acknowledge" and alarm.acknowledged_by is None:
                alarm.acknowledged_by = request.by
                text = f"{request.by} has seen the alert {alarm.name}."
                events.append(alarm.event("alert_acknowledged", at, text, by=request.by))
            elif request.kind == "shelve":
                for_s = min(float(request.what.get("for_s", 3600.0)), LONGEST_SHELVE_S)
                if not for_s > 0.0:
                    raise ValueError(f"for_s: expected seconds, found {request.what['for_s']}")
                alarm.shelved_until_t = t + for_s
                alarm.shelved_why = str(request.what.get("why", ""))
                until = iso(at + for_s)
                text = f"{request.by} has shelved the alert {alarm.name} until {until}."
                why = alarm.shelved_why
                events.append(
                    alarm.event("alert_shelved", at, text, by=request.by, until=until, why=why)
                )
        return events

    def flood(self, t: float) -> dict[str, Any] | None:
        """More than ten alerts within ten minutes (EEMUA 191's figure, as IEC 62682 has it): the
        first of them is where to look."""
        raised = [a for a in self.alarms.values() if a.raised_t is not None]
        recent = [a for a in raised if (a.raised_t or 0.0) > t - FLOOD_S]
        if len(recent) <= FLOOD_ALERTS:
            return None
        first = min(recent, key=lambda a: a.raised_t or 0.0)
        return {"alerts": len(recent), "first": first.detector.alert}

    def standing(self) -> list[Alarm]:
        """The alerts that stand: the most urgent first, of those the ones whose cause is known,
        of those the oldest."""
        order = {"urgent": 0, "soon": 1, "planned": 2}
        return sorted(
            (a for a in self.alarms.values() if a.active),
            key=lambda a: (
                order[a.detector.priority],
                a.told.get("cause") is None,
                a.raised_t or 0.0,
            ),
        )


def _meant(alarm: Alarm, what: Mapping[str, Any]) -> bool:
    detector = alarm.detector
    return (
        what.get("alert") in (None, detector.alert)
        and what.get("section") in (None, detector.section)
        and what.get("subject") in (None, detector.subject)
    )
