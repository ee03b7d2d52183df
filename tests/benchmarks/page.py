"""The page as processes, of the depot with everything on (everything.py): latency of the first view
with five years behind it against a day and against a bare page, resident memory, and whether fifty
readers slow the daemon's tick."""

import http.client
import json
import subprocess
import sys
import threading
import time
from collections.abc import Callable
from itertools import pairwise
from pathlib import Path
from statistics import median, quantiles
from typing import Any

from tests.benchmarks import everything, page_process
from tests.benchmarks.readers import Page, ask, page, server
from tests.benchmarks.result import Result
from tests.benchmarks.servers import CODE, FIVE_YEARS, Depot, depot, of_tests

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
    with depot("page", Path("/dev/shm")) as site:
        day, long = _pasts(site)
        return [
            *_latency(site, day, long),
            *page_process.measure(site.site, long),
            *_cold(site, day, long),
            *_crowd(site, long),
        ]


def latency() -> list[Result]:
    """The first view alone."""
    with depot("page", Path("/dev/shm")) as site:
        return _latency(site, *_pasts(site))


def _pasts(site: Depot) -> tuple[Path, Path]:
    """State folders with a day and with five years behind them, up to now."""
    until = time.time() - 50.0
    return site.live(1.0, "day", until), site.live(FIVE_YEARS, "years", until)


def _latency(site: Depot, day: Path, long: Path) -> list[Result]:
    (shown,) = of_tests("web", "depot")
    with (
        server("-c", BARE) as bare,
        page(site.site, day) as short,
        page(site.site, long) as old,
    ):
        took: dict[str, list[float]] = {"bare": [], "day": [], "years": []}
        for round_ in range(ROUNDS + WARM):
            now = time.time()
            for folder in (day, long):
                shown.show(folder, shown.newest(site.settings, "watch", at=now), saved_at=now)
            for name, served in zip(took, (Page(*bare), short, old), strict=True):
                seconds = served.ask().seconds
                if round_ >= WARM:
                    took[name].append(seconds)
        seconds = {path: old.ask(path).seconds for path in BEHIND}
        peak_mb = old.megabytes("VmHWM")
    ms = {name: 1000.0 * median(all_) for name, all_ in took.items()}
    return [
        Result("bare page", ms["bare"], "ms"),
        Result("first view with a day behind it", ms["day"], "ms"),
        Result("first view with five years behind it", ms["years"], "ms"),
        Result("five years over a day", ms["years"] / ms["day"], "times", 1.5),
        Result("five years over a bare page", ms["years"] / ms["bare"], "times", 5.0),
        Result("a year's charts out of five", 1000.0 * seconds["/history?span=year"], "ms", 1000.0),
        Result("most memory of the page after every room", peak_mb, "MB", 64.0),
    ]


def _cold(site: Depot, day: Path, long: Path) -> list[Result]:
    """The first view of a minute, whose chart is drawn anew: without a wire, time run on."""
    from web import create_app

    (shown,), settings = of_tests("web", "depot"), site.settings
    read = {"Authorization": f"Bearer {CODE}"}
    now = [time.time()]
    clock: Callable[[], float] = lambda: now[0]  # noqa: E731
    took: dict[Path, list[float]] = {day: [], long: []}
    clients = {folder: create_app(settings, folder, folder, clock).test_client() for folder in took}
    for round_ in range(30):
        now[0] += 61.0
        for folder, client in clients.items():
            shown.show(folder, shown.newest(settings, "watch", at=now[0]), saved_at=now[0])
            began = time.perf_counter()
            if client.get("/", headers=read).status_code != 200:
                raise RuntimeError("expected the page")
            if round_ >= WARM:
                took[folder].append(time.perf_counter() - began)
    ratio = median(took[long]) / median(took[day])
    return [
        Result("first view of a minute, five years", 1000 * median(took[long]), "ms"),
        Result("first view of a minute, five years over a day", ratio, "times", 1.5),
    ]


def _crowd(site: Depot, state: Path) -> list[Result]:
    """The tick of a real daemon on the five years, alone and with fifty readers at the page."""
    runtime = state / "run"
    runtime.mkdir()
    words = ["tests.benchmarks.page", "daemon", str(site.site), str(state), str(runtime)]
    with (
        subprocess.Popen(
            [sys.executable, "-m", *words], stdout=subprocess.PIPE, text=True, env=site.environment
        ) as daemon,
        page(site.site, state, runtime) as served,
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
                [sys.executable, "-m", "tests.benchmarks.page", "readers", str(served.port)],
                stdout=subprocess.PIPE,
                text=True,
                check=True,
            )
            times.append(time.monotonic())
            peak_mb = served.megabytes("VmHWM")
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
        Result("a reader's median wait among fifty", seen["median_ms"], "ms"),
        Result("most memory of the page with fifty readers", peak_mb, "MB", 64.0),
        Result("tick over after its second, nobody reading, 95 of 100", late["a"], "ms"),
        Result("tick over after its second, fifty reading, 95 of 100", late["b"], "ms", late["a"] + 100.0),
        Result("ticks missed with fifty reading", max(0, int(times[2] - times[1]) - 1 - len(among)), "", 0.0),
    ]  # fmt: skip


def _daemon(site: Path, state: Path, runtime: Path) -> None:
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

    settings = everything.load(site, simulated=True)
    clock: Callable[[Any], Any] = lambda last: Timed(last, stop)  # noqa: E731
    with daemon(settings, state, runtime, clock, lambda at: everything.desk(at)[0]) as made:
        made.run()


def _readers(port: int) -> None:
    """Fifty at once: some follow the stream, the rest ask for the first view once a second."""
    until = time.monotonic() + WATCHED_S
    waits: list[float] = []
    failed: list[int] = []

    def follow() -> None:
        wire = http.client.HTTPConnection("127.0.0.1", port, timeout=10.0)
        wire.request("GET", "/stream", headers={"Authorization": f"Bearer {CODE}"})
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
        _daemon(*map(Path, sys.argv[2:]))
    else:
        _readers(int(sys.argv[2]))
