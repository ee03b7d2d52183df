"""The only file that knows concrete classes: a site's settings into a daemon ready to run."""

import importlib
import logging
from collections.abc import Callable, Iterator, Mapping
from contextlib import ExitStack, contextmanager
from functools import partial
from pathlib import Path
from time import monotonic
from typing import Any

from edge import latest
from edge.attendance import PageThere
from edge.daemon import Daemon
from edge.errors import StoreError
from edge.health import WITHIN_S, Restarts, WallClock
from edge.heartbeat import Heartbeat
from edge.judge import Judge
from edge.model import Event, Tick
from edge.ports import Clock, Messenger
from edge.sensors.bench import Bench, look, open_sensors
from edge.settings import Settings
from edge.store.read import LATEST, Reader
from edge.store.requests import Inbox
from edge.store.write import Writer
from edge.tell import KINDS
from edge.worked import deeds

log = logging.getLogger(__name__)


@contextmanager
def daemon(
    settings: Settings,
    state: Path,
    runtime: Path,
    clock: Callable[[float | None], Clock],
    bench: Callable[[Clock], Bench] = lambda clock: Bench(steady=clock.steady, utc=clock.utc),
    show: Callable[[Path, Mapping[str, Any]], None] = latest.write,
    troubles: Mapping[str, str] = {},
    elapsed: Callable[[], float] = monotonic,
) -> Iterator[Daemon]:
    """A daemon that has caught up, with everything it stands on; closed at the end.

    `clock` makes the clock, given the newest steady second kept; `bench` what the sensors stand
    on; `show` puts the newest in place for the page; `troubles` are what was found wrong before;
    `elapsed` gives the seconds that the page lives in. SensorError as it comes.
    """
    with ExitStack() as opened:
        tellers = [
            importlib.import_module(KINDS[kind]) for kind in KINDS if getattr(settings, kind)
        ]
        names = {name: teller.TOLD for teller in tellers for name in teller.names(settings)}
        only = {name: told for name, told in names.items() if told is not None}
        writer = Writer(state, settings, list(names), only=only)
        opened.callback(writer.close)
        try:
            runtime.mkdir(parents=True, exist_ok=True)
        except OSError as error:
            log.error("the page will be shown nothing: %s", error)
        time = clock(writer.readings.steady())
        box = Inbox(state, writer.last_request(), steady=time.steady)
        opened.callback(box.close)
        stand = opened.enter_context(bench(time))
        sensors = open_sensors(settings, stand)
        for sensor in sensors:
            opened.callback(sensor.close)
        page = PageThere(state, time.steady, elapsed)
        opened.callback(page.close)
        unasked, now = writer.past.ended_unasked(), time.utc()
        restarts = [*writer.past.unasked_since(now - WITHIN_S), *([now] if unasked else ())]
        judge, caught = judge_as_kept(settings, writer)
        made = Daemon(
            settings,
            time,
            partial(look, sensors),
            judge,
            writer,
            box,
            [
                *(
                    messenger
                    for teller in tellers
                    for messenger in teller.open_messengers(
                        settings, writer.outbox, partial(Reader, state)
                    )
                ),
                *_panel(settings, box, stand),
            ],
            partial(show, runtime / LATEST),
            Heartbeat(),
            writer.past.calibrations(),
            [
                box.troubles,
                WallClock(time, writer.readings.newest_utc()).troubles,
                page.troubles,
                Restarts(time, restarts).troubles,
                lambda: troubles,
            ],
        )
        made.start(caught, unasked)
        yield made


def _panel(settings: Settings, box: Inbox, stand: Bench) -> Iterator[Messenger]:
    """Button, beacon and buzzer, where the box has them."""
    if not any((settings.box.button, settings.box.beacon, settings.box.buzzer)):
        return
    module = importlib.import_module("edge.box")
    gpio = importlib.import_module("edge.sensors.gpio")
    pins = partial(stand.shared, "pins", stand.open_pins or gpio.open_pi_pins)
    yield module.Panel(settings.box, box.post, pins)


def judge_as_kept(settings: Settings, writer: Writer) -> tuple[Judge, list[Event]]:
    """The judges as they were, with the facts of what was kept after their state was; afresh, and
    said so, where their state cannot be used or they fail at what came after it: what ended the
    daemon once must not end it at every start."""
    try:
        saved = writer.saved()
        if saved is not None:
            judge = _heard(Judge(settings, dict(saved.state), simulated=settings.simulated), writer)
            kept = writer.readings.since(saved.steady)
            events = [event for tick in kept for event in judge.look(tick)]
            _try(Judge(settings, judge.state()), settings, saved.steady)
            return judge, events
    except MemoryError:
        raise
    except Exception as error:
        log.exception("the judges' state is set aside and everything is judged afresh: %s", error)
    return _heard(Judge(settings, simulated=settings.simulated), writer), []


def _try(judge: Judge, settings: Settings, t: float) -> None:
    """Have a copy go on for a few ticks: a state that another version kept may be taken up and yet
    end the next look. Whatever the judges raise then."""
    channels = len(settings.channel)
    t = max(t, judge.supply.t or t)
    for later_s, value in ((1.0, None), (60.0, 1.0), (120.0, 1.0), (86_400.0, 0.0)):
        judge.look(Tick(t + later_s, judge.supply.offset_s, (value,) * channels))
        judge.picture()


def _heard(judge: Judge, writer: Writer) -> Judge:
    for calibrated in writer.past.calibrations():
        judge.cells.hear(calibrated)
    if judge.work.first_t is None:
        _remind(judge, writer)
    return judge


def _remind(judge: Judge, writer: Writer) -> None:
    """Judges that begin anew still know what work was done when: it is in the records."""
    items = list(judge.work.items.values())
    try:
        done = deeds(items, writer.past.records(), writer.past.calibrations())
        judge.work.remember(done, writer.past.runs(), writer.past.first_steady())
    except (StoreError, TypeError, ValueError) as error:
        log.error("cannot tell from the records what work was done: %s", error)
