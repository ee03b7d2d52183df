"""The page's process at its busiest, and after many readers who came and went: memory, threads, files."""

import http.client
import re
import socket
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Callable
from pathlib import Path

from tests.benchmarks.result import Result

READERS, ROUNDS = 20, 2
FOLLOWERS = 8
COMINGS = 400
WITHIN_S = 30.0
ROOT = Path(__file__).parents[2]
HURRIED = (
    "import sys; from web import stream; stream.LOOK_S = stream.BEAT_S = 0.1;"
    " from edge.__main__ import main; sys.exit(main(sys.argv[1:]))"
)
"""The page's command, speaking to followers ten times a second: who went is noticed that much sooner."""


class Process:
    """The page as it runs on the box, with a year of history and hold tests behind it."""

    def __init__(self, folder: Path) -> None:
        command = [sys.executable, "-c", HURRIED, "page", "--settings"]
        command += [str(ROOT / "edge" / "saltmarsh.toml"), "--state", str(folder)]
        self.process = subprocess.Popen(
            [*command, "--host", "127.0.0.1", "--port", "0"], stdout=subprocess.PIPE, text=True
        )
        assert self.process.stdout is not None
        line = self.process.stdout.readline()
        self.port = int(line.rstrip("/\n").rpartition(":")[2])

    def ask(self, path: str) -> bytes:
        """The answer's body; RuntimeError for any but 200."""
        wire = http.client.HTTPConnection("127.0.0.1", self.port, timeout=WITHIN_S)
        wire.request("GET", path)
        answer = wire.getresponse()
        body = answer.read()
        wire.close()
        if answer.status != 200:
            raise RuntimeError(f"{path}: expected 200, found {answer.status}")
        return body

    def follow(self) -> socket.socket | None:
        """A stream whose first event has come; None when every place was taken."""
        line = socket.create_connection(("127.0.0.1", self.port), timeout=WITHIN_S)
        line.sendall(b"GET /stream HTTP/1.1\r\nHost: here\r\n\r\n")
        said = b""
        while b"data:" not in said:
            some = line.recv(65536)
            said += some
            if not some or b" 503 " in said.partition(b"\r\n")[0]:
                line.close()
                return None
        return line

    def megabytes(self, what: str) -> float:
        status = Path(f"/proc/{self.process.pid}/status").read_text()
        found = re.search(rf"{what}:\s+(\d+) kB", status)
        assert found is not None
        return int(found[1]) / 1024.0

    def held(self) -> tuple[int, int]:
        """Threads and open files."""
        proc = Path(f"/proc/{self.process.pid}")
        return len(list((proc / "task").iterdir())), len(list((proc / "fd").iterdir()))

    def end(self) -> None:
        self.process.terminate()
        self.process.wait(timeout=WITHIN_S)


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


def _settled(page: Process, wanted: tuple[int, int]) -> tuple[int, int]:
    """What the process holds once it holds no more than that, or when patience ends."""
    until = time.monotonic() + WITHIN_S
    while (held := page.held()) > wanted and time.monotonic() < until:
        time.sleep(0.2)
    return held


def measure() -> list[Result]:
    sys.path.insert(0, str(ROOT / "tests" / "web"))
    import depot
    import years

    from edge.settings import load
    from edge.store.read import Reader

    settings = load(ROOT / "edge" / "saltmarsh.toml")
    with tempfile.TemporaryDirectory() as name:
        folder, now = Path(name), time.time()
        years.keep(folder, settings, 366.0, minutes_days=30.0, until=now - 50.0)
        depot.show(folder, depot.newest(settings, "act", at=now), saved_at=now)
        with Reader(folder) as db:
            paper = f"/records/{db.tests(1)[0]['n']}.pdf"
        page = Process(folder)
        try:
            page.ask("/")

            def read() -> None:
                for path in ("/", "/history?span=year", "/api/ribbon?span=year", "/log?show=all"):
                    page.ask(path)

            followers = [page.follow() for _ in range(FOLLOWERS)]
            if None in followers:
                raise RuntimeError("expected a place for each follower")
            for _ in range(ROUNDS):
                _together(read, READERS)
                page.ask(paper)
            peak = page.megabytes("VmHWM")
            for line in followers:
                if line is not None:
                    line.close()

            def come_and_go(times: int) -> int:
                came = 0
                while came < times:
                    line = page.follow()
                    if line is None:  # those who went are noticed when next spoken to
                        time.sleep(0.05)
                        continue
                    line.close()
                    page.ask("/now")
                    came += 1
                return came

            come_and_go(FOLLOWERS * 2)
            before, used = page.held(), page.megabytes("VmRSS")
            came = come_and_go(COMINGS)
            threads, files = _settled(page, before)
            grown = page.megabytes("VmRSS") - used
        finally:
            page.end()
    what = f"with {FOLLOWERS} streams open, {READERS} readers, year chart, PDF"
    return [
        Result(f"page process, resident at peak {what}", peak, "MB", 64.0),
        Result("streams that came and went", came, "", COMINGS, least=True),
        Result("threads more than before them", threads - before[0], "", 0),
        Result("open files more than before them", files - before[1], "", 2),
        Result("resident grown meanwhile", grown, "MB", 1.0),
    ]
