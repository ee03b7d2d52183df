"""The page as processes: latency of the first view with five years behind it against a day and
against a bare page, resident memory, and whether fifty readers slow the daemon's tick."""

import contextlib
import http.client
import importlib
import json
import re
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Callable, Iterator
from itertools import pairwise
from pathlib import Path
from statistics import median, quantiles
from typing import Any

from edge.settings import Settings, load
from tests.benchmarks import page_process
from tests.benchmarks.result import Result

ROOT = Path(__file__).parents[2]
SITE = ROOT / "edge" / "saltmarsh.toml"
ROUNDS = 150
WARM = 5  # the first ones load templates
READERS = 50
STREAMS = 8  # of them follow what is told as it happens; the others ask once a second
WATCHED_S = 25.0
BEHIND = (
    *(f"/history?span={span}" for span in ("day", "week", "month", "year")),
    *(f"/log?show={key}" for key in ("alerts", "tests", "cycles", "monitor", "all")),
    "/how",
    "/monitor",
    "/week",
    "/records",
    "/site/sign-in",
    "/api/ribbon?span=year",
    "/api/events?limit=1000",
    "/api/readings?since=2021-01-01T00:00:00Z&points=5000&channel=line_pressure",
    "/metrics",
)
BARE = """
import flask
from cheroot.wsgi import Server
app = flask.Flask("bare")
app.add_url_rule("/", view_func=lambda: "<!doctype html><title>Bare</title><p>Bare")
server = Server(("127.0.0.1", 0), app, numthreads=4)
server.prepare()
print(f"http://127.0.0.1:{server.bind_addr[1]}/", flush=True)
server.serve()
"""


def measure() -> list[Result]:
    """Everything in one run."""
    sys.path.insert(0, str(ROOT / "tests" / "web"))  # where the tests' own site is
    depot, years = importlib.import_module("depot"), importlib.import_module("years")
    settings = load(SITE)
    with tempfile.TemporaryDirectory(dir="/dev/shm") as name:
        folders = {days: Path(name) / f"{days:g}" for days in (1.0, years.FIVE_YEARS)}
        for days, folder in folders.items():
            folder.mkdir()
            years.keep(folder, settings, days, until=time.time() - 50.0)
        day, long = folders[1.0], folders[years.FIVE_YEARS]
        found = _latency(depot, settings, day, long)
        return [*found, *_cold(depot, settings, day, long), *_crowd(long)]


@contextlib.contextmanager
def _process(*words: str) -> Iterator[tuple[int, int]]:
    """A server's port and process id; its first line tells its address."""
    process = subprocess.Popen([sys.executable, *words], stdout=subprocess.PIPE, text=True)
    try:
        assert process.stdout is not None
        line = process.stdout.readline()
        yield int(line.rstrip("/\n").rpartition(":")[2]), process.pid
    finally:
        process.terminate()
        process.wait(timeout=30.0)


def _page(state: Path) -> Any:
    place = ("--host", "127.0.0.1", "--port", "0", "--state", str(state))
    return _process("-m", "edge", "page", "--settings", str(SITE), *place)


def ask(port: int, path: str = "/") -> tuple[int, bytes, float]:
    """Status, body as it came and seconds, on a connection of its own as a browser's first is."""
    began = time.perf_counter()
    wire = http.client.HTTPConnection("127.0.0.1", port, timeout=60.0)
    wire.request("GET", path, headers={"Accept-Encoding": "gzip"})
    answer = wire.getresponse()
    body = answer.read()
    wire.close()
    return answer.status, body, time.perf_counter() - began


def _latency(depot: Any, settings: Settings, day: Path, long: Path) -> list[Result]:
    with _process("-c", BARE) as bare, _page(day) as short, _page(long) as old:
        took: dict[str, list[float]] = {"bare": [], "day": [], "years": []}
        for round_ in range(ROUNDS + WARM):
            now = time.time()
            for folder in (day, long):
                depot.show(folder, depot.newest(settings, "watch", at=now), saved_at=now)
            for name, (port, _) in zip(took, (bare, short, old), strict=True):
                status, _, seconds = ask(port)
                if status != 200:
                    raise RuntimeError(f"{name}: expected the page, found {status}")
                if round_ >= WARM:
                    took[name].append(seconds)
        for path in BEHIND:
            status, _, seconds = ask(old[0], path)
            if status != 200:
                raise RuntimeError(f"{path}: expected 200, found {status}")
            if path == "/history?span=year":
                year_ms = 1000.0 * seconds
        peak_mb = _peak_mb(old[1])
    ms = {name: 1000.0 * median(all_) for name, all_ in took.items()}
    return [
        Result("bare page", ms["bare"], "ms", float("inf")),
        Result("first view with a day behind it", ms["day"], "ms", float("inf")),
        Result("first view with five years behind it", ms["years"], "ms", float("inf")),
        Result("five years over a day", ms["years"] / ms["day"], "times", 1.5),
        Result("five years over a bare page", ms["years"] / ms["bare"], "times", 5.0),
        Result("a year's charts out of five", year_ms, "ms", 1000.0),
        Result("most memory of the page after every room", peak_mb, "MB", 64.0),
        *page_process.measure(),
    ]


def _cold(depot: Any, settings: Settings, day: Path, long: Path) -> list[Result]:
    """The first view of a minute, whose chart is drawn anew: without a wire, time run on."""
    from web import create_app

    now = [time.time()]
    clock: Callable[[], float] = lambda: now[0]  # noqa: E731
    took: dict[Path, list[float]] = {day: [], long: []}
    clients = {folder: create_app(settings, folder, folder, clock).test_client() for folder in took}
    for round_ in range(30):
        now[0] += 61.0
        for folder, client in clients.items():
            depot.show(folder, depot.newest(settings, "watch", at=now[0]), saved_at=now[0])
            began = time.perf_counter()
            client.get("/")
            if round_ >= WARM:
                took[folder].append(time.perf_counter() - began)
    ratio = median(took[long]) / median(took[day])
    return [
        Result("first view of a minute, five years", 1000 * median(took[long]), "ms", float("inf")),
        Result("first view of a minute, five years over a day", ratio, "times", 1.5),
    ]


def _peak_mb(process: int) -> float:
    status = Path(f"/proc/{process}/status").read_text()
    found = re.search(r"VmHWM:\s+(\d+) kB", status)
    assert found is not None
    return int(found[1]) / 1024.0


def _crowd(state: Path) -> list[Result]:
    """The tick of a real daemon on the five years, alone and with fifty readers at the page."""
    runtime = state / "run"
    runtime.mkdir()
    words = [sys.executable, "-m", "tests.benchmarks.page", "daemon", str(state), str(runtime)]
    with (
        subprocess.Popen(words, stdout=subprocess.PIPE, text=True) as daemon,
        _process(
            *("-m", "edge", "page", "--settings", str(SITE), "--host", "127.0.0.1"),
            *("--port", "0", "--state", str(state), "--runtime", str(runtime)),
        ) as (port, process),
    ):
        assert daemon.stdout is not None
        ticks: list[tuple[float, float]] = []

        def listen() -> None:
            ticks.extend((time.monotonic(), float(line)) for line in daemon.stdout or ())

        listener = threading.Thread(target=listen)
        listener.start()
        try:
            time.sleep(WATCHED_S / 5.0)  # it catches up first
            times = [time.monotonic()]
            time.sleep(WATCHED_S)
            times.append(time.monotonic())
            crowd = subprocess.run(
                [sys.executable, "-m", "tests.benchmarks.page", "readers", str(port)],
                stdout=subprocess.PIPE,
                text=True,
                check=True,
            )
            times.append(time.monotonic())
            peak_mb = _peak_mb(process)
        finally:
            daemon.terminate()
            daemon.wait(timeout=30.0)
            listener.join(timeout=30.0)
    seen = json.loads(crowd.stdout)
    alone, among = ([s for at, s in ticks if a < at <= b] for a, b in pairwise(times))
    late = {name: 1000.0 * quantiles(s, n=20)[-1] for name, s in (("a", alone), ("b", among))}
    return [
        Result("views that fifty readers got in a second", seen["views"] / WATCHED_S, "", READERS / 2, least=True),
        Result("of them refused or failed", seen["failed"], "", 0.0),
        Result("a reader's median wait among fifty", seen["median_ms"], "ms", float("inf")),
        Result("most memory of the page with fifty readers", peak_mb, "MB", 64.0),
        Result("tick over after its second, nobody reading, 95 of 100", late["a"], "ms", float("inf")),
        Result("tick over after its second, fifty reading, 95 of 100", late["b"], "ms", late["a"] + 100.0),
        Result("ticks missed with fifty reading", max(0, int(times[2] - times[1]) - 1 - len(among)), "", 0.0),
    ]  # fmt: skip


def _daemon(state: Path, runtime: Path) -> None:
    """The real daemon, which says of each tick how long after its second it was over."""
    import signal

    from edge.clock import SystemClock
    from edge.wiring import daemon

    stop = threading.Event()
    for number in (signal.SIGTERM, signal.SIGINT):
        signal.signal(number, lambda _n, _f: stop.set())

    class Timed(SystemClock):
        due: float | None = None

        def wait_until(self, steady: float) -> bool:
            if self.due is not None:
                print(f"{self.steady() - self.due:.6f}", flush=True)
            self.due = steady
            return super().wait_until(steady)

    with daemon(load(SITE), state, runtime, clock=lambda last: Timed(last, stop)) as made:
        made.run()


def _readers(port: int) -> None:
    """Fifty at once: some follow the stream, the rest ask for the first view once a second."""
    until = time.monotonic() + WATCHED_S
    waits: list[float] = []
    failed: list[int] = []

    def follow() -> None:
        wire = http.client.HTTPConnection("127.0.0.1", port, timeout=10.0)
        wire.request("GET", "/stream")
        answer = wire.getresponse()
        while answer.status == 200 and time.monotonic() < until and answer.read1(4096):
            pass
        wire.close()

    def look(number: int) -> None:
        time.sleep(number / READERS)
        while (began := time.monotonic()) < until:
            status, _, seconds = ask(port)
            (waits if status == 200 else failed).append(seconds if status == 200 else status)
            time.sleep(max(0.0, began + 1.0 - time.monotonic()))

    threads = [
        threading.Thread(target=follow) if n < STREAMS else threading.Thread(target=look, args=(n,))
        for n in range(READERS)
    ]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    print(
        json.dumps({"views": len(waits), "failed": len(failed), "median_ms": 1000 * median(waits)})
    )


if __name__ == "__main__":
    if sys.argv[1] == "daemon":
        _daemon(Path(sys.argv[2]), Path(sys.argv[3]))
    else:
        _readers(int(sys.argv[2]))
