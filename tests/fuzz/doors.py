"""What a day's worth rests on, measured on this machine: how long a command of ours lives."""

import json
import resource
import subprocess
import sys
import tempfile
from collections.abc import Sequence
from pathlib import Path

from tests.fuzz.page import lived_in
from tests.fuzz.place import EXAMPLE, HOUSE
from tests.fuzz.run import MEMORY

TRIES = 5


def measure() -> int:
    with tempfile.TemporaryDirectory(dir=MEMORY) as scratch:
        _commands(Path(scratch))
    return 0


def _commands(scratch: Path) -> None:
    recording = scratch / "r.csv"
    recording.write_text("time,line_pressure [bar]\n2026-03-01T00:00:00Z,3.1\n")
    _, state, _, _ = lived_in(scratch / "box")
    for words in (
        ["check", EXAMPLE],
        ["replay", recording, "--settings", EXAMPLE],
        ["size", "--volume", "10 gal"],
        ["records", "verify", "--state", state],
        ["restore", recording, "--state", state],
        ["access", "set", "--state", state],
    ):
        print(f"dryhold {words[0]}: {_shortest('edge', words, b'kelp-and-samphire'):.2f} s")
    label = {"sheet": {"nothing": "that can be drawn"}}
    print(
        f"drawing a PDF, at least: {_shortest('web.press', [], json.dumps(label).encode()):.2f} s"
    )


def _shortest(module: str, words: Sequence[object], given: bytes) -> float:
    """The least of a few lives of a process, in seconds of the processor: what else the machine
    does counts for nothing."""
    took = []
    for _ in range(TRIES):
        before = resource.getrusage(resource.RUSAGE_CHILDREN)
        command = [sys.executable, "-m", module, *map(str, words)]
        subprocess.run(command, input=given, capture_output=True, cwd=HOUSE, check=False)
        after = resource.getrusage(resource.RUSAGE_CHILDREN)
        took.append(after.ru_utime - before.ru_utime + after.ru_stime - before.ru_stime)
    return min(took)
