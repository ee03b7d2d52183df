"""Latency of the owner's page with a year of history against a day of it."""

import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from statistics import median

from edge.settings import load
from tests.benchmarks.result import Result
from web import create_app

ROOT = Path(__file__).parents[2]


def measure() -> list[Result]:
    """The first view, asked in turns of a site with a day and of one with a year."""
    sys.path.insert(0, str(ROOT / "tests" / "web"))  # where the tests' own site is
    import depot

    settings = load(ROOT / "edge" / "saltmarsh.toml")

    def ask(client: object, path: str) -> float:
        began = time.perf_counter()
        answer = client.get(path)  # type: ignore[attr-defined]
        took = time.perf_counter() - began
        if answer.status_code != 200 or b"No pressure was recorded" in answer.data:
            raise RuntimeError(f"{path}: expected the page with a chart, found {answer.status}")
        return took

    with tempfile.TemporaryDirectory() as name:
        clients = {}
        for days in (1.0, 365.0):
            folder = Path(name) / f"{days:g}"
            depot.keep(folder, settings, days)
            depot.show(folder, depot.newest(settings, "watch"))
            clock: Callable[[], float] = lambda: depot.NOW + 2.0  # noqa: E731
            clients[days] = create_app(settings, folder, folder, clock).test_client()
        took: dict[tuple[float, str], list[float]] = {}
        for path, rounds in (("/", 60), ("/history?span=year", 8)):
            for round_ in range(rounds + 3):
                for days, client in clients.items():
                    seconds = ask(client, path)
                    if round_ >= 3:  # the first ones load templates
                        took.setdefault((days, path), []).append(seconds)
    ms = {key: 1000.0 * median(all_) for key, all_ in took.items()}
    year, day = ms[365.0, "/"], ms[1.0, "/"]
    return [
        Result("owner's page, a year of history against a day", year / day, "times", 1.5),
        Result("owner's page with a year of history", year, "ms", float("inf")),
        Result(
            "a year's chart with a year of history", ms[365.0, "/history?span=year"], "ms", 1000.0
        ),
    ]
