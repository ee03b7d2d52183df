"""What a day's worth rests on, measured on this machine: how long a command of ours lives, and how
many inputs the real page takes in a second."""

import json
import random
import resource
import socket
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Sequence
from pathlib import Path

from tests.fuzz.mutate import mutated
from tests.fuzz.page import HOST, lived_in, made, raw_seeds
from tests.fuzz.place import EXAMPLE, HOUSE
from tests.fuzz.run import MEMORY

TRIES = 5
FOR_S = 20.0
CLIENTS = 8
ANSWER_S = 10.0


def measure() -> int:
    with tempfile.TemporaryDirectory(dir=MEMORY) as scratch:
        _commands(Path(scratch))
        _page(Path(scratch))
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


def _page(scratch: Path) -> None:
    """Inputs as the target `http` is fed, each on a connection of its own, and the cheapest
    question there is, on connections that stay."""
    settings, state, runtime, _ = lived_in(scratch / "page")
    seeds = raw_seeds(made(settings, state, runtime))
    command = [sys.executable, "-m", "edge", "page", "--settings", str(EXAMPLE), "--state", str(state),
               "--runtime", str(runtime), "--host", "127.0.0.1", "--port", "0"]  # fmt: skip
    page = subprocess.Popen(
        command, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True, cwd=HOUSE
    )
    try:
        assert page.stdout is not None
        port = int(page.stdout.readline().rstrip("/\n").rpartition(":")[2])
        print(f"the page, inputs as they are fuzzed: {_rate(port, seeds, _apart):.0f} a second")
        cheap = f"GET /nothing HTTP/1.1\r\nHost: {HOST}\r\nContent-Length: x\r\n\r\n".encode()
        print(f"the page, what it refuses at once: {_rate(port, (cheap,), _apart):.0f} a second")
        health = f"GET /static/icon.svg HTTP/1.1\r\nHost: {HOST}\r\n\r\n".encode()
        print(
            f"the page, its cheapest answer, lines kept: {_rate(port, (health,), _kept):.0f} a second"
        )
        first = f"GET / HTTP/1.1\r\nHost: {HOST}\r\n\r\n".encode()
        print(f"the page, the first view, lines kept: {_rate(port, (first,), _kept):.0f} a second")
    finally:
        page.terminate()
        page.wait(30)


def _rate(port: int, seeds: Sequence[bytes], client: object) -> float:
    """Answers a second, from as many clients as keep the page busy."""
    counts = [0] * CLIENTS
    until = time.monotonic() + FOR_S
    threads = [
        threading.Thread(target=client, args=(port, seeds, n, counts, until))  # type: ignore[arg-type]
        for n in range(CLIENTS)
    ]
    began = time.monotonic()
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    return sum(counts) / (time.monotonic() - began)


def _apart(port: int, seeds: Sequence[bytes], n: int, counts: list[int], until: float) -> None:
    rng = random.Random(n)
    while time.monotonic() < until:
        seed = rng.choice(seeds)
        data = seed if len(seeds) == 1 else mutated(seed, rng.getrandbits(32), seeds)
        if b"stream" in data or b".pdf" in data:
            continue
        with socket.create_connection(("127.0.0.1", port), ANSWER_S) as line:
            try:
                line.sendall(data)
                line.shutdown(socket.SHUT_WR)
                while line.recv(65_536):
                    pass
            except OSError:
                continue
        counts[n] += 1


def _kept(port: int, seeds: Sequence[bytes], n: int, counts: list[int], until: float) -> None:
    line = socket.create_connection(("127.0.0.1", port), ANSWER_S)
    file = line.makefile("rb")
    while time.monotonic() < until:
        line.sendall(seeds[0])
        length = 0
        while (head := file.readline()) not in (b"\r\n", b""):
            if head.lower().startswith(b"content-length:"):
                length = int(head.split(b":")[1])
        file.read(length)
        counts[n] += 1
    line.close()
