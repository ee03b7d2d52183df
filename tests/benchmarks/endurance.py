"""Thirty days at full rate with everything on: does anything grow, is any tick late?

    python -m tests.benchmarks.endurance [DAYS]

The daemon is the real one on the depot with everything on (everything.py), a reading of nine
channels each second, five years behind it, with real brokers, a real mail server and what a
technician asks for. The page is the real one, read with its code and followed by two browsers all
the while, its figures fetched by a program. The daemon's time is moved by hand as fast as the
machine goes; brokers, mail server, page and each tick's work take the time that they take.
"""

import json
import subprocess
import sys
import threading
from contextlib import ExitStack
from pathlib import Path
from statistics import linear_regression, median
from typing import Any

from tests.benchmarks import everything
from tests.benchmarks.readers import Page, page
from tests.benchmarks.result import Result, tell
from tests.benchmarks.servers import FIVE_YEARS, Depot, depot

DAYS = 30.0
LOOK_EVERY_S = 3 * 3600
LEAST_LOOKS = 12
SETTLED_DAYS = 3.0  # windows of a day or two are full by then
FOLLOWERS = 2
WARM = 300
"""How often the page is asked for all of READ before the first look: by then it holds what it ever
will of templates and caches (it took 4 MB more in the first 300 rounds, and nothing in the next 900),
and a month of the daemon's time would bring it no further than that."""
READ = ("/", "/metrics", "/history?span=year", "/log?show=all", "/api/events?limit=1000", "/work")


def measure(days: float = DAYS) -> list[Result]:
    """Growth of memory, files and threads after the first days, the longest tick, bytes written."""
    every_s = min(LOOK_EVERY_S, int(days * everything.DAY_S / LEAST_LOOKS))
    if every_s < 1:
        raise SystemExit(f"endurance: expected at least {LEAST_LOOKS} seconds, found {days:g} days")
    with depot("endurance") as site, ExitStack() as opened:
        settings = everything.load(site.site, simulated=True)
        state = site.live(FIVE_YEARS, settings=settings)
        before = _size(state)
        words = ["tests.benchmarks.life", str(site.site), str(state), str(days), str(every_s)]
        daemon = subprocess.Popen(
            [sys.executable, "-m", *words],
            stdout=subprocess.PIPE,
            text=True,
            env=site.environment,
        )
        opened.callback(daemon.communicate)
        opened.callback(daemon.kill)
        assert daemon.stdout is not None
        found, served = [], None
        for line in daemon.stdout:
            said = json.loads(line)
            if served is None:
                served = opened.enter_context(_followed(site, state, Path(said["runtime"])))
            for path in READ:
                served.ask(path)
            found.append({**said, "page": served.held()})
        if daemon.wait() != 0:
            raise SystemExit("endurance: the daemon ended by itself")
        grown = _size(state) - before
        letters = [str(got.letter["Subject"]) for got in site.office.got]
    day = found[-1]["day"]
    return [
        Result("simulated days", day, "d", days * 0.99, least=True),
        *_flat("daemon", found),
        *_flat("page", [{"day": f["day"], **f["page"]} for f in found]),
        Result("a tick's work, the mean", 1000.0 * found[-1]["work_s"] / found[-1]["ticks"], "ms"),
        Result("the longest tick", found[-1]["longest_s"], "s", 2.0 * settings.keeping.every_s),
        Result("written by the daemon, as the kernel counts", found[-1]["written"] / day / 1e6, "MB/d"),
        Result("grown on the disk", grown / day / 1e6, "MB/d"),
        Result("notices that still wait at the end", found[-1]["waiting"], "", 10.0),
        Result("letters accepted", len(letters), "", min(1.0, day), least=True),
        Result("of them accounts of a week", sum("week" in one for one in letters), "",
               max(0, int(day / 7.0) - 1), least=True),
    ]  # fmt: skip


class _followed:
    """The page, with browsers that follow it until the end."""

    def __init__(self, site: Depot, state: Path, runtime: Path) -> None:
        self._made = page(site.site, state, runtime)

    def __enter__(self) -> Page:
        served = self._made.__enter__()
        self._lines = [served.follow() for _ in range(FOLLOWERS)]
        for line in self._lines:
            assert line is not None
            threading.Thread(target=_swallow, args=(line,), daemon=True).start()
        for path in READ * WARM:
            served.ask(path)
        return served

    def __exit__(self, *given: Any) -> None:
        self._made.__exit__(*given)


def _swallow(line: Any) -> None:
    while line.recv(65536):
        pass
    line.close()


def _size(state: Path) -> int:
    """Bytes of the database with its log."""
    return sum(file.stat().st_size for file in state.glob("dryhold.db*"))


def _flat(whose: str, found: list[dict[str, Any]]) -> list[Result]:
    """What a process holds in the end, and how much more than once it had settled."""
    last = found[-1]
    settled = [f for f in found if f["day"] > min(SETTLED_DAYS, last["day"] / 2.0)]
    third = len(settled) // 3 or 1
    grown = {
        what: median(f[what] for f in settled[-third:]) - median(f[what] for f in settled[:third])
        for what in ("files", "threads")
    }
    slope = linear_regression([f["day"] for f in settled], [f["rss_mb"] for f in settled]).slope
    # What fills while it settles is no growth: a shorter run says nothing of a leak.
    long = last["day"] > 2.0 * SETTLED_DAYS
    flat, most = ([0.05], [0.0]) if long else ([], [])
    return [
        Result(f"{whose}, resident at the end", last["rss_mb"], "MB", 64.0),
        Result(f"{whose}, resident at its peak", last["peak_mb"], "MB", 64.0),
        Result(f"{whose}, resident grown a day", slope, "MB/d", *flat),
        Result(f"{whose}, open files at the end", last["files"], "", 60.0),
        Result(f"{whose}, open files more than when settled", grown["files"], "", *most),
        Result(f"{whose}, threads at the end", last["threads"], "", 40.0),
        Result(f"{whose}, threads more than when settled", grown["threads"], "", *most),
    ]


if __name__ == "__main__":
    raise SystemExit(tell("endurance", measure(*map(float, sys.argv[1:]))) > 0)
