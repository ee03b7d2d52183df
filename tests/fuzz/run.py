"""One target in one process, guided by the coverage of edge and web (atheris, libFuzzer)."""

import logging
import re
import shutil
import subprocess
import sys
import tempfile
import time
from dataclasses import dataclass
from pathlib import Path

CHILD = "--child"
MEMORY = Path("/dev/shm")
"""Where a target's folder is made: its files cost no disk's time, and a path is a path."""

LONGEST_S = 300  # of the clock; tests/fuzz/watch.py looks sooner
MOST_MB = 1024


@dataclass(frozen=True)
class Run:
    """What came of one."""

    name: str
    inputs: int
    seconds: float
    branches: int
    since_new: int  # inputs since the last one that went somewhere new
    finding: str  # "" for none
    kept: Path | None  # where the finding is


def child(name: str, scratch: Path, inputs: int, seconds: int, corpus: Path) -> None:
    """The fuzzing itself; ends the process."""
    import atheris

    with atheris.instrument_imports(include=["edge", "web"]):
        from tests.fuzz import targets
    from tests.fuzz.mutate import mutated
    from tests.fuzz.watch import watched

    logging.disable(logging.CRITICAL)
    place = scratch / "place"
    target = targets.make(name, place)
    seeds = scratch / "seeds"
    seeds.mkdir()
    for n, seed in enumerate(target.seeds):
        (seeds / str(n)).write_bytes(seed)

    def once(data: bytes) -> None:
        with watched(place):
            target.feed(data)

    def bend(data: bytes, most: int, dice: int) -> bytes:
        if dice % 4:
            return mutated(data, dice, target.seeds)[:most]
        bent: bytes = atheris.Mutate(data, most)
        return bent

    given = [
        "fuzz", str(corpus), str(seeds), f"-runs={inputs}", f"-max_total_time={seconds}",
        f"-max_len={target.longest}", "-len_control=0", f"-artifact_prefix={scratch}/finding-",
        f"-timeout={LONGEST_S}", f"-rss_limit_mb={MOST_MB}", "-print_final_stats=1", "-reload=0",
    ]  # fmt: skip
    atheris.Setup(given, once, custom_mutator=bend)
    atheris.Fuzz()


class Running:
    """A child at work; `done` says what came of it once it has ended."""

    def __init__(self, name: str, inputs: int, seconds: int, corpus: Path | None) -> None:
        """At most so many inputs, in at most so many seconds; `corpus` is a folder of inputs that
        led somewhere new, read first and added to."""
        self.name = name
        self._scratch = Path(tempfile.mkdtemp(prefix=f"fuzz-{name}-", dir=MEMORY))
        kept = self._scratch / "corpus" if corpus is None else corpus / name
        kept.mkdir(parents=True, exist_ok=True)
        self._out = (self._scratch / "said").open("w+")
        words = [name, str(self._scratch), str(inputs), str(seconds), str(kept)]
        self._began = time.monotonic()
        self._process = subprocess.Popen(
            [sys.executable, "-m", "tests.fuzz", CHILD, *words],
            stdout=self._out,
            stderr=subprocess.STDOUT,
        )

    def wait(self, seconds: float) -> bool:
        """Whether it has ended within so many seconds."""
        try:
            self._process.wait(seconds)
        except subprocess.TimeoutExpired:
            return False
        return True

    def done(self) -> Run:
        self._process.wait()
        took = time.monotonic() - self._began
        self._out.seek(0)
        said = self._out.read()
        self._out.close()
        inputs, branches, last = account(said)
        finding = ""
        if self._process.returncode:
            finding = said[max(said.find("=== Uncaught"), 0) :][-3000:]
        else:
            shutil.rmtree(self._scratch)
        kept = self._scratch if finding else None
        return Run(self.name, inputs, took, branches, inputs - last, finding, kept)

    def stop(self) -> None:
        """End it, and forget what it did."""
        self._process.kill()
        self._process.wait()
        self._out.close()
        shutil.rmtree(self._scratch)


_LINE = re.compile(r"^#(\d+)\s+(\w+)\s+cov: (\d+)", re.MULTILINE)


def account(said: str) -> tuple[int, int, int]:
    """From what libFuzzer says: inputs, branches covered, and the number of the last input that
    covered another branch."""
    runs = re.search(r"number_of_executed_units: +(\d+)", said)
    covered = last = newest = 0
    for number, _, branches in _LINE.findall(said):
        newest = int(number)
        if int(branches) > covered:
            covered, last = int(branches), newest
    return int(runs[1]) if runs else newest, covered, last
