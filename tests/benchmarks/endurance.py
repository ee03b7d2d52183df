"""Thirty days at full rate with everything on: does anything grow, is any tick late?

    python -m tests.benchmarks.endurance [DAYS]

The daemon is the real one on the simulated depot, a reading of every channel each second, with a
real broker, a real mail server and the page read all the while. Its time is moved by hand as fast
as the machine goes; the broker, the mail server and each tick's work take the time that they take.
"""

import json
import os
import subprocess
import sys
import tempfile
import time
import urllib.request
from pathlib import Path
from statistics import linear_regression, median
from typing import Any

from tests.benchmarks.result import Result

ROOT = Path(__file__).parents[2]
T0 = 1_764_072_000.0
DAYS = 30.0
LOOK_EVERY_S = 3 * 3600
SETTLED_DAYS = 3.0  # windows of a day or two are full by then
EVERY_S = 1.0


def measure(days: float = DAYS) -> list[Result]:
    """Growth of memory and of open files after the first days, and the longest tick."""
    sys.path.insert(0, str(ROOT / "tests" / "tell"))
    from brokers import Broker, free_port
    from postoffice import PASSWORD, SENDER, USER, Authority, Mailbox

    from tests.benchmarks.outage import programs

    mosquitto, _ = programs("endurance")
    with tempfile.TemporaryDirectory(dir=Path.cwd(), prefix=".bench-") as name:
        folder = Path(name)
        authority = Authority(folder)
        broker, office = Broker(mosquitto, folder), Mailbox(authority.server())
        site, state, port = folder / "site.toml", folder / "state", free_port()
        depot = (ROOT / "edge" / "saltmarsh.toml").read_text(encoding="utf-8")
        site.write_text(
            depot.replace('"simulated"', '"simulated:depot"')
            + f"""
[page]
address = "127.0.0.1"
port = {port}
[[mqtt]]
host = "127.0.0.1"
port = {broker.port}
[[mail]]
host = "127.0.0.1"
port = {office.port}
authority = "{authority.file}"
user = "{USER}"
from = "{SENDER}"
to = [{{ address = "desk@fenwick.example" }}]
""",
            encoding="utf-8",
        )
        where = ["--settings", site, "--state", state, "--runtime", state]
        daemon = subprocess.Popen(
            [sys.executable, "-m", "tests.benchmarks.endurance", "--live", site, state, str(days)],
            stdout=subprocess.PIPE,
            text=True,
            cwd=ROOT,
            env={**os.environ, "DRYHOLD_MAIL_PASSWORD": PASSWORD},
        )
        page = None
        found, read = [], 0
        try:
            assert daemon.stdout is not None
            for line in daemon.stdout:
                found.append(json.loads(line))
                page = page or subprocess.Popen([sys.executable, "-m", "edge", "page", *where])
                read += _read(port)
            if daemon.wait() != 0:
                raise SystemExit("endurance: the daemon ended by itself")
        finally:
            for one in (daemon, page):
                if one is not None:
                    one.kill()
                    one.communicate()
            letters = len(office.got)
            office.close()
            broker.stop()
    return [*_results(found), Result("views of the page read", read, "", 1, least=True),
            Result("letters accepted", letters, "", 1, least=True)]  # fmt: skip


def _read(port: int) -> int:
    """1 when the first view came."""
    try:
        with urllib.request.urlopen(f"http://127.0.0.1:{port}/", timeout=30.0) as answer:
            return int(answer.status == 200 and bool(answer.read()))
    except OSError:
        return 0  # still starting


def _results(found: list[dict[str, Any]]) -> list[Result]:
    last = found[-1]
    settled = [f for f in found if f["day"] > min(SETTLED_DAYS, last["day"] / 2.0)]
    days = [f["day"] for f in settled]
    tail = len(settled) // 3 or 1
    step = median(f["files"] for f in settled[-tail:]) - median(f["files"] for f in settled[:tail])
    slope = linear_regression(days, [f["rss_mb"] for f in settled]).slope
    return [
        Result("simulated days", last["day"], "d", 0.0, least=True),
        Result("ticks", last["ticks"], "", 0.0, least=True),
        Result("resident at the end", last["rss_mb"], "MB", 64.0),
        Result("resident, growth a simulated day", slope, "MB/d", 0.05),
        Result("open files at the end", last["files"], "", 40.0),
        Result("open files, growth", step, "", 0.0),
        Result("a tick's work, the mean", 1000.0 * last["work_s"] / last["ticks"], "ms", 1000.0),
        Result("a tick's work, the longest: two periods", last["longest_s"], "s", 2.0 * EVERY_S),
        Result("notices that still wait at the end", last["waiting"], "", 1000.0),
    ]


def _live(site: Path, state: Path, days: float) -> None:
    from edge.clock import ManualClock
    from edge.settings import load
    from edge.wiring import daemon

    clock = ManualClock(T0)
    longest = work = 0.0
    with daemon(load(site), state, state, lambda _: clock) as loop:
        for i in range(int(days * 86_400 / EVERY_S)):
            before = time.perf_counter()
            loop.tick()
            took = time.perf_counter() - before
            work += took
            longest = max(longest, took)
            if i % LOOK_EVERY_S == LOOK_EVERY_S - 1:
                print(json.dumps({
                    "day": (clock.steady() - T0) / 86_400.0,
                    "ticks": i + 1,
                    "rss_mb": _rss_mb(),
                    "files": len(os.listdir("/proc/self/fd")),
                    "work_s": work,
                    "longest_s": longest,
                    "waiting": max(m.state()["waiting"] for m in loop._messengers),
                }), flush=True)  # fmt: skip
            clock.wait_until(T0 + (i + 1) * EVERY_S)
        loop.stop()


def _rss_mb() -> float:
    pages = int(Path("/proc/self/statm").read_text().split()[1])
    return pages * os.sysconf("SC_PAGE_SIZE") / 2**20


if __name__ == "__main__":
    if sys.argv[1:2] == ["--live"]:
        _live(Path(sys.argv[2]), Path(sys.argv[3]), float(sys.argv[4]))
        raise SystemExit(0)
    for result in measure(float(sys.argv[1]) if len(sys.argv) > 1 else DAYS):
        print(
            "ok    " if result.good else "MISSED",
            f"{result.what}: {result.value:,.3f}",
            result.unit,
        )
