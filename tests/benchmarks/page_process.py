"""The page's process at its busiest, and after many readers who came and went: memory, threads, files."""

import http.client
import threading
import time
from collections.abc import Callable
from pathlib import Path

from edge.store.read import Reader
from tests.benchmarks.readers import HURRIED, Page, page
from tests.benchmarks.result import Result

READERS, ROUNDS = 20, 2
FOLLOWERS = 8
COMINGS = 400
WITHIN_S = 30.0


def _together(work: Callable[[], object], times: int) -> None:
    """Do it in so many threads at once; whatever one of them raises is raised."""
    wrong: list[BaseException] = []

    def one() -> None:
        try:
            work()
        except (OSError, RuntimeError, http.client.HTTPException) as error:
            wrong.append(error)

    threads = [threading.Thread(target=one) for _ in range(times)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    if wrong:
        raise wrong[0]


def _settled(page: Page, wanted: tuple[int, int]) -> tuple[int, int]:
    """Threads and files of the process once it holds no more than that, or when patience ends."""
    until = time.monotonic() + WITHIN_S
    while (held := (page.threads(), page.files())) > wanted and time.monotonic() < until:
        time.sleep(0.2)
    return held


def measure(site: Path, state: Path) -> list[Result]:
    """The page of that settings file, on a state folder with hold tests behind it."""
    with Reader(state) as db:
        paper = f"/records/{db.tests(1)[0]['n']}.pdf"
    with page(site, state, how=HURRIED) as served:
        served.ask()

        def read() -> None:
            for path in ("/", "/history?span=year", "/api/ribbon?span=year", "/log?show=all"):
                served.ask(path)

        followers = [served.follow() for _ in range(FOLLOWERS)]
        if None in followers:
            raise RuntimeError("expected a place for each follower")
        for _ in range(ROUNDS):
            _together(read, READERS)
            served.ask("/metrics")
            served.ask(paper)
        peak = served.megabytes("VmHWM")
        for line in followers:
            if line is not None:
                line.close()

        def come_and_go(times: int) -> int:
            came = 0
            while came < times:
                line = served.follow()
                if line is None:  # those who went are noticed when next spoken to
                    time.sleep(0.05)
                    continue
                line.close()
                served.ask("/now")
                came += 1
            return came

        come_and_go(FOLLOWERS * 2)
        before = served.threads(), served.files()
        used = served.megabytes("VmRSS")
        came = come_and_go(COMINGS)
        threads, files = _settled(served, before)
        grown = served.megabytes("VmRSS") - used
    what = f"with {FOLLOWERS} streams open, {READERS} readers, year chart, PDF"
    return [
        Result(f"page process, resident at peak {what}", peak, "MB", 64.0),
        Result("streams that came and went", came, "", COMINGS, least=True),
        Result("threads more than before them", threads - before[0], "", 0),
        Result("open files more than before them", files - before[1], "", 2),
        Result("resident grown meanwhile", grown, "MB", 1.0),
    ]
