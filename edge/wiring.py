"""The only file that knows concrete classes: a site's settings into a daemon ready to run."""

import importlib
import logging
from collections.abc import Callable, Iterator, Mapping
from contextlib import ExitStack, contextmanager
from functools import partial
from pathlib import Path
from typing import Any

from edge import latest
from edge.daemon import Daemon
from edge.errors import StoreError
from edge.heartbeat import Heartbeat
from edge.judge import Judge
from edge.ports import Clock, Messenger
from edge.sensors.bench import Bench, look, open_sensors
from edge.settings import Settings
from edge.store.read import LATEST, Reader
from edge.store.requests import Box
from edge.store.write import Saved, Writer
from edge.tell import KINDS

log = logging.getLogger(__name__)


@contextmanager
def daemon(
    settings: Settings,
    state: Path,
    runtime: Path,
    clock: Callable[[float | None], Clock],
    bench: Callable[[Clock], Bench] = lambda clock: Bench(steady=clock.steady, utc=clock.utc),
    show: Callable[[Path, Mapping[str, Any]], None] = latest.write,
) -> Iterator[Daemon]:
    """A daemon that has caught up, with everything it stands on; closed at the end.

    `clock` makes the clock, given the newest steady second kept; `bench` what the sensors stand
    on; `show` puts the newest in place for the page. SensorError and StoreError as they come.
    """
    with ExitStack() as opened:
        tellers = [
            importlib.import_module(KINDS[kind]) for kind in KINDS if getattr(settings, kind)
        ]
        names = {name: teller.TOLD for teller in tellers for name in teller.names(settings)}
        only = {name: told for name, told in names.items() if told is not None}
        writer = Writer(state, settings, list(names), only=only)
        opened.callback(writer.close)
        box = Box(state)
        opened.callback(box.close)
        runtime.mkdir(parents=True, exist_ok=True)
        time = clock(writer.steady())
        stand = opened.enter_context(bench(time))
        sensors = open_sensors(settings, stand)
        for sensor in sensors:
            opened.callback(sensor.close)
        judge, saved = judge_as_kept(settings, writer)
        calibrations = writer.calibrations()
        for calibrated in calibrations:
            judge.cells.hear(calibrated)
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
                        settings, writer, partial(Reader, state)
                    )
                ),
                *_panel(settings, box, stand),
            ],
            partial(show, runtime / LATEST),
            Heartbeat(),
            calibrations,
        )
        made.start(writer.since(saved.steady) if saved else ())
        yield made


def _panel(settings: Settings, box: Box, stand: Bench) -> Iterator[Messenger]:
    """Button, beacon and buzzer, where the box has them."""
    if not any((settings.box.button, settings.box.beacon, settings.box.buzzer)):
        return
    module = importlib.import_module("edge.box")
    gpio = importlib.import_module("edge.sensors.gpio")
    pins = partial(stand.shared, "pins", stand.open_pins or gpio.open_pi_pins)
    yield module.Panel(settings.box, box.post, pins)


def judge_as_kept(settings: Settings, writer: Writer) -> tuple[Judge, Saved | None]:
    """The judges as they were; afresh, and said so, where their state cannot be used."""
    try:
        saved = writer.saved()
        if saved is not None:
            return Judge(settings, dict(saved.state)), saved
    except (StoreError, ValueError, KeyError, TypeError, AttributeError) as error:
        log.error("the judges' state is set aside and everything is judged afresh: %s", error)
    return Judge(settings), None
