"""dryhold demo"""

import argparse
import contextlib
import signal
import tempfile
import threading
import time
from collections.abc import Iterator
from itertools import chain
from pathlib import Path

from edge.demo import place
from edge.demo.family import Family
from edge.demo.ticker import Ticker
from edge.errors import DryholdError
from edge.settings import load

READY_S = 60.0


def _speed(text: str) -> float:
    speed = float(text)
    if not 1.0 <= speed <= 3600.0:
        raise argparse.ArgumentTypeError("1 to 3600")
    return speed


def _port(text: str) -> int:
    port = int(text)
    if not 1 <= port <= 65535:
        raise argparse.ArgumentTypeError("1 to 65535")
    return port


def arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "--speed", type=_speed, metavar="N", help="times faster than life (600; for a visit 60)"
    )
    parser.add_argument(
        "--port",
        type=_port,
        default=8080,
        metavar="P",
        help="the page's port (8080, or a free one)",
    )
    parser.add_argument(
        "--mqtt-port",
        type=_port,
        default=1883,
        metavar="P",
        help="the broker's port (1883, or a free one)",
    )
    parser.add_argument(
        "--dir", type=Path, metavar="D", help="keep everything here (else in a folder that goes)"
    )
    parser.add_argument(
        "--story",
        choices=("depot", "visit"),
        default=place.STORY,
        help="what happens: a leak and a valve left in bypass (depot), or a new supply to hand over"
        " with valves that you move (visit, 60 times faster than life)",
    )
    parser.add_argument(
        "--for",
        dest="for_s",
        type=float,
        metavar="SECONDS",
        help="end by itself after so many real seconds",
    )


def run(args: argparse.Namespace) -> int:
    stop = threading.Event()
    for number in (signal.SIGINT, signal.SIGTERM, signal.SIGHUP):
        signal.signal(number, lambda *_: stop.set())
    with _folder(args.dir) as folder:
        family = Family(folder)
        try:
            return _show(args, folder, family, stop)
        except TimeoutError as error:
            family.check()
            raise DryholdError(str(error)) from error
        finally:
            family.end()
            print("The demo has ended; nothing of it is left running.", flush=True)


@contextlib.contextmanager
def _folder(given: Path | None) -> Iterator[Path]:
    if given is not None:
        given.mkdir(parents=True, exist_ok=True)
        yield given.resolve()
    else:
        with tempfile.TemporaryDirectory(prefix="dryhold-demo-") as made:
            yield Path(made)


SPEEDS = {"depot": 600.0, "visit": 60.0}


def _show(args: argparse.Namespace, folder: Path, family: Family, stop: threading.Event) -> int:
    if args.speed is None:
        args.speed = SPEEDS[args.story]
    mqtt_port, page_port = place.free_port(args.mqtt_port), place.free_port(args.port)
    site, state, runtime = folder / "site.toml", folder / "state", folder / "run"
    for made in (state, runtime):
        made.mkdir(exist_ok=True)
    place.write_settings(site, page_port, mqtt_port, args.speed, args.story)
    settings = load(site)
    places = [str(site), str(state), str(runtime)]

    family.start("broker", ["-m", "edge.demo.broker", str(mqtt_port)])
    family.wait_for("the broker", lambda: place.answers(mqtt_port), READY_S)
    ticker = Ticker(settings.site.id, settings.site.zone)
    monitor, hands = ["-m", "edge.demo.monitor", f"{args.speed:g}", *places], None
    if args.story == "visit":
        hands = place.free_port(page_port + 1)
        file = str(folder / "hands.json")
        family.start("hands", ["-m", "edge.demo.hands", str(hands), file])
        monitor.append(file)
    options = zip(("--settings", "--state", "--runtime"), places, strict=True)
    # Ended in reverse: a page that went first would be missed within a blink of fast time.
    family.start("page", ["-m", "edge", "page", *chain.from_iterable(options)])
    family.start("daemon", monitor)
    ticker.start(mqtt_port)
    try:
        family.wait_for("the daemon", (runtime / "latest.json").exists, READY_S)
        family.wait_for("the page", lambda: place.answers(page_port), READY_S)
        _say(args, settings.site.name, settings.site.id, folder, page_port, mqtt_port, hands)
        ticker.speak()
        end = None if args.for_s is None else time.monotonic() + args.for_s
        while not stop.wait(0.2):
            family.check()
            if end is not None and time.monotonic() >= end:
                break
    finally:
        ticker.stop()
    return 0


STORIES = {
    "depot": """What happens: the generator fills the line and rests. In the third hour a leak larger than its
production opens and is mended; later the valve is left in bypass for one run. Then all over again.""",
    "visit": """What happens: a new supply is to be handed over, its systems empty. Set a code for the
technician's side (dryhold access set --state STATE), begin the visit there, and move the valves of
the simulated plant with your own hands on their page.""",
}


def _say(
    args: argparse.Namespace,
    name: str,
    site_id: str,
    folder: Path,
    page_port: int,
    mqtt_port: int,
    hands_port: int | None,
) -> None:
    day_s = 86400.0 / args.speed
    kept = "kept" if args.dir is not None else "deleted at the end"
    moved = [
        f"port {wanted} is taken, so {what} uses {got}"
        for what, wanted, got in (
            ("the page", args.port, page_port),
            ("the broker", args.mqtt_port, mqtt_port),
        )
        if got != wanted
    ]
    note = f"\n  note     {'; '.join(moved)}" if moved else ""
    if hands_port is not None:
        note = f"\n  hands    http://{place.LOOPBACK}:{hands_port}/{note}"
    story = STORIES[args.story].replace("STATE", str(folder / "state"))
    print(
        f"""dryhold demo: {name}, an invented site with a simulated plant. No real piping is watched.
Time runs {args.speed:g} times faster than life: a day passes in {day_s:.0f} s.

  page     http://{place.LOOPBACK}:{page_port}/
  MQTT     {place.LOOPBACK} port {mqtt_port}, topics dryhold/{site_id}/#
  folder   {folder} ({kept}){note}

{story}
Ctrl-C ends it. Events as they are told:
""",
        flush=True,
    )
