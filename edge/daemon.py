"""The always-on loop: sense, judge, keep, tell. Knows only ports."""

import logging
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import replace
from functools import partial
from typing import Any

from edge.clock import Offset
from edge.core.calibration import Correction
from edge.errors import StoreError
from edge.heartbeat import Heartbeat
from edge.keeper import Keeper
from edge.latest import Latest
from edge.model import Event, Reading, Request, Tick, on_grid
from edge.ports import Clock, Judge, Letterbox, Messenger, Store
from edge.settings import Settings

SHOW_EVERY_S = 2.0
"""How often the newest is put together for page and receivers while nothing happens: nobody reads
faster, and it is a third of a tick's work."""

STORAGE_EVERY_S = 60.0
"""How often the disk is asked how much of it is free."""

log = logging.getLogger(__name__)


class Daemon:
    """Everything is given; `run` goes on until the clock says to stop."""

    def __init__(
        self,
        settings: Settings,
        clock: Clock,
        look: Callable[[], Sequence[Reading]],
        judge: Judge,
        store: Store,
        letterbox: Letterbox,
        messengers: Sequence[Messenger],
        show: Callable[[Mapping[str, Any]], None],
        heartbeat: Heartbeat,
        calibrations: Iterable[Mapping[str, Any]] = (),
        troubles: Sequence[Callable[[], Mapping[str, str]]] = (),
    ) -> None:
        """`look` gives a reading for each channel of the settings, in order; `show` puts the
        newest where the page finds it; `calibrations` are the `calibrated` events kept before; each
        of `troubles` says by kind what else is wrong with the monitor (edge.detect.monitor_fault).
        """
        self._every_s = settings.keeping.every_s
        self._clock, self._look, self._judge = clock, look, judge
        self._letterbox, self._messengers = letterbox, messengers
        self._show, self._heartbeat = show, heartbeat
        self._corrections = {str(c["channel"]): _correction(c) for c in calibrations}
        self._free_pct, self._asked = store.free_pct, float("-inf")
        self._troubles: Sequence[Callable[[], Mapping[str, str]]] = (store.troubles, *troubles)
        self._keeper = Keeper(store, settings.keeping.write_every_s, judge.state)
        self._latest = Latest()
        self._newest: dict[str, Any] = {}
        self._shown = float("-inf")
        self._offset = Offset(clock.steady(), clock.utc())
        self._said: list[Event] = []  # the monitor's own facts, for the next keeping
        self._posted: list[Request] = []
        self._seen = store.last_request()
        self._blind: str | None = None
        self._mute: dict[str, str] = {}  # messengers whose outbox cannot be read
        self._states: dict[str, Mapping[str, Any]] = {}  # what each said of itself last

    def start(self, caught: Iterable[Event] = (), unasked: bool = False) -> None:
        """Say so; `caught` are the facts of what was kept after the judges' state was; `unasked`
        whether what was kept before ends without its having been asked to stop."""
        self._said += caught
        now = self._clock.steady() + self._offset.seconds
        text = "The monitor started."
        if unasked:
            text = "The monitor started; nothing says that it had been asked to stop before."
        numbers = {"unasked": True} if unasked else {}
        self._said.append(Event(now, "monitor_started", text, numbers=numbers))

    def run(self) -> None:
        """Tick at the settings' pace; a tick that comes too late is left out, never bunched."""
        due = self._clock.steady()
        stop = False
        while not stop:
            self.tick()
            missed = max(0, int((self._clock.steady() - due) // self._every_s))
            due += (missed + 1) * self._every_s
            stop = self._clock.wait_until(due)
        self.stop()

    def tick(self) -> None:
        """Sense, judge, keep, tell."""
        tick, readings = self._sense()
        events = self._judge.look(tick)
        for event in events:
            if event.kind == "calibrated":
                self._corrections[event.numbers["channel"]] = _correction(event.numbers)
        self._keep(tick, events)
        self._tell(tick, readings, events)
        self._heartbeat.beat()

    def stop(self) -> None:
        """The end, when asked for: everything held is kept and every messenger says goodbye."""
        self._heartbeat.stopping()
        t = self._clock.steady()
        event = Event(t + self._offset.seconds, "monitor_stopped", "The monitor was stopped.")
        self._keeper.flush(t, [*self._said, event])
        for messenger in self._messengers:
            self._guarded(messenger, messenger.stop)

    def _sense(self) -> tuple[Tick, Sequence[Reading]]:
        # Whole milliseconds, as they are kept: what is judged now can be judged again.
        t = round(self._clock.steady(), 3)
        step = self._offset.look(t, self._clock.utc())
        if step is not None:
            self._said.append(_clock_stepped(t + self._offset.seconds, step))
        readings = [self._corrected(reading) for reading in self._look()]
        self._posted = self._letterbox.waiting()
        seen, self._seen = self._seen, max([self._seen, *(r.id for r in self._posted)])
        tick = Tick(
            t,
            self._offset.seconds,
            tuple(None if r.value is None else on_grid(r.value) for r in readings),
            {r.channel: r.why or "no reason given" for r in readings if r.value is None},
            tuple(request for request in self._posted if request.id > seen),
            self._storage(t),
            {kind: text for ask in self._troubles for kind, text in ask().items()},
        )
        return tick, readings

    def _corrected(self, reading: Reading) -> Reading:
        """As calibrated: what is judged, kept and told is the corrected value; volts stay raw."""
        made = self._corrections.get(reading.channel)
        if made is None or reading.value is None:
            return reading
        return replace(reading, value=made.shown(reading.value))

    def _storage(self, t: float) -> float | None:
        if t - self._asked < STORAGE_EVERY_S:
            return None
        self._asked = t
        return self._free_pct()

    def _keep(self, tick: Tick, events: list[Event]) -> None:
        said, self._said = self._said, []
        if self._keeper.keep(tick, [*said, *events]):
            for request in self._posted:
                self._letterbox.done(request.id, "seen")

    def _tell(self, tick: Tick, readings: Sequence[Reading], events: Sequence[Event]) -> None:
        self._latest.see(tick, readings)
        if events or tick.requests or tick.t > self._shown + SHOW_EVERY_S - self._every_s / 2:
            self._compose(tick, readings)
            self._shown = tick.t
            self._show_newest()
        for messenger in self._messengers:
            if self._guarded(messenger, partial(messenger.tell, tick.t, self._newest)) is None:
                self._mute.pop(messenger.name, None)

    def _guarded(self, messenger: Messenger, ask: Callable[[], object]) -> str | None:
        """Why the store failed under a messenger, None where it did not: the others go on, and the
        next keeping mends the store or puts another in its place."""
        try:
            ask()
        except StoreError as error:
            if messenger.name not in self._mute:
                log.error("%s has nothing to tell from: %s", messenger.name, error)
            self._mute[messenger.name] = str(error)
            return str(error)
        return None

    def _state_of(self, messenger: Messenger) -> Mapping[str, Any]:
        """What a messenger says of itself; where its outbox cannot be read, what it said last."""
        said: dict[str, Any] = {}
        why = self._guarded(messenger, lambda: said.update(messenger.state()))
        if why is None:
            self._states[messenger.name] = said
            return said
        last = self._states.get(messenger.name, {"connected": False, "waiting": 0, "dropped": 0})
        return {**last, "why": why}

    def _compose(self, tick: Tick, readings: Sequence[Reading]) -> None:
        troubles = tick.troubles or {}
        monitor = {
            "not_kept": self._keeper.trouble or troubles.get("storage"),
            "readings_lost": self._keeper.lost_ticks,
            "events_lost": self._keeper.lost_events,
            "troubles": troubles,
            "messengers": {m.name: self._state_of(m) for m in self._messengers},
        }
        self._newest = self._latest.compose(
            tick, readings, self._clock.utc(), self._judge.picture(), monitor
        )

    def _show_newest(self) -> None:
        try:
            self._show(self._newest)
        except OSError as error:
            # The page tells its reader that the file is old; keeping and telling go on.
            if self._blind is None:
                log.error("the page cannot be shown anything new: %s", error)
            self._blind = str(error)
        else:
            self._blind = None


def _correction(calibrated: Mapping[str, Any]) -> Correction:
    return Correction(float(calibrated["gain"]), float(calibrated["offset"]))


def _clock_stepped(at: float, step_s: float) -> Event:
    way = "forward" if step_s > 0 else "back"
    text = f"The monitor's clock was set {way} by {abs(step_s):.0f} s."
    return Event(at, "clock_stepped", text, numbers={"step_s": round(step_s, 3)})
