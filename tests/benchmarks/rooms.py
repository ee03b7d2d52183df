"""Every room in every width and scheme, on the demo's data and on five years, with pictures to look
at: in a folder that the environment's DRYHOLD_PICTURES names, else they are thrown away."""

import os
import shutil
import tempfile
from pathlib import Path

from edge.settings import load
from tests.benchmarks.result import Result
from tests.benchmarks.servers import of_tests

ROOT = Path(__file__).parents[2]
SITE = ROOT / "edge" / "saltmarsh.toml"


def measure() -> list[Result]:
    """How many looks were taken, and how many faults they found; each fault is told."""
    chromium = shutil.which("chromium")
    if chromium is None:
        raise SystemExit("rooms: needs chromium")
    from playwright.sync_api import sync_playwright

    from web import create_app

    depot, years, rooms, tests = of_tests("web", "depot", "years", "rooms", "test_rooms")
    looks, faults, most = 0, 0, 0.0
    with tempfile.TemporaryDirectory() as name, sync_playwright() as play:
        folder = Path(name)
        kept = Path(os.environ.get("DRYHOLD_PICTURES", folder / "pictures"))
        browser = play.chromium.launch(executable_path=chromium, args=rooms.FLAGS)
        for what in ("demo", "years"):
            state, pictures = folder / what, kept / what
            state.mkdir()
            pictures.mkdir(parents=True, exist_ok=True)
            if what == "demo":
                settings = rooms.demo(SITE, state, depot.NOW)
            else:
                settings = load(SITE)
                years.keep(state, settings, minutes_days=30.0)
                tests.full(settings, state)
            app = create_app(settings, state, state, lambda: depot.NOW + 2.0)
            with tests.technician(browser, app, state) as watched:
                for path in rooms.rooms(app, rooms.numbers(state)):
                    for wrong in watched.look(path, rooms.EVERY, pictures):
                        print(f"{what}: {wrong}", flush=True)
                        faults += 1
                    for scheme, width in rooms.EVERY:
                        moved = watched.moved(path, scheme, width)
                        if moved >= rooms.MOST_MOVED:
                            print(
                                f"{what}: {path} at {width}, {scheme}, moves by {moved:.3f}",
                                flush=True,
                            )
                        most = max(most, moved)
                    looks += len(rooms.EVERY)
    return [
        Result("looks at rooms, each with axe", looks, "", 200.0, least=True),
        Result("faults found", faults, "", 0.0),
        Result("most that a room moves by itself (CLS)", most, "", rooms.MOST_MOVED),
    ]
