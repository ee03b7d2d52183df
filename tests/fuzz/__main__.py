"""Bad input for as long as wanted: python -m tests.fuzz [SECONDS [TARGET ...]]

Each target runs in a process of its own, guided by the coverage of edge and web (atheris), for
SECONDS (60 by default). Says how many inputs it was given; exits with 1 at a finding, which is
kept in a file whose name it prints.
"""

import contextlib
import logging
import re
import subprocess
import sys
import tempfile
from pathlib import Path

CHILD = "--child"


def child(name: str, scratch: Path, seconds: int) -> None:
    import atheris

    with atheris.instrument_imports(include=["edge", "web"]):
        from tests.fuzz import targets
    from tests.fuzz.mutate import mutated
    from tests.fuzz.watch import watched

    logging.disable(logging.CRITICAL)
    place = scratch / "place"
    target = targets.make(name, place)
    corpus = scratch / "corpus"
    corpus.mkdir()
    for n, seed in enumerate(target.seeds):
        (corpus / str(n)).write_bytes(seed)

    def once(data: bytes) -> None:
        with watched(place):
            target.feed(data)

    def bend(data: bytes, most: int, dice: int) -> bytes:
        if dice % 3:
            return mutated(data, dice, target.seeds)[:most]
        bent: bytes = atheris.Mutate(data, most)
        return bent

    given = [
        "fuzz", str(corpus), f"-max_total_time={seconds}", "-max_len=65536", "-len_control=0",
        f"-artifact_prefix={scratch}/finding-", "-timeout=60", "-rss_limit_mb=1024",
        "-print_final_stats=1",
    ]  # fmt: skip
    atheris.Setup(given, once, custom_mutator=bend)
    atheris.Fuzz()


def main(words: list[str]) -> int:
    if words[:1] == [CHILD]:
        child(words[1], Path(words[2]), int(words[3]))
        return 0
    try:
        import atheris  # noqa: F401
    except ImportError:
        print("expected the package atheris, found none: pip install atheris (x86_64 only)")
        return 2
    from tests.fuzz.targets import MAKERS

    seconds = int(words[0]) if words else 60
    unknown = set(words[1:]) - set(MAKERS)
    if unknown:
        print(f"expected some of {', '.join(MAKERS)}, found {', '.join(unknown)}")
        return 2
    found = 0
    for name in words[1:] or MAKERS:
        scratch = Path(tempfile.mkdtemp(prefix=f"fuzz-{name}-"))
        command = [sys.executable, "-m", "tests.fuzz", CHILD, name, str(scratch), str(seconds)]
        done = subprocess.run(command, capture_output=True, text=True, errors="replace")
        said = done.stderr + done.stdout
        runs = re.search(r"number_of_executed_units: +(\d+)", said)
        covered = re.findall(r"cov: (\d+)", said)
        print(
            f"{'ok    ' if done.returncode == 0 else 'FOUND '} {name}:"
            f" {int(runs[1]) if runs else 0:,} inputs, {covered[-1] if covered else 0} branches",
            flush=True,
        )
        if done.returncode:
            found += 1
            print(said[said.find("=== Uncaught") :][-2000:], f"kept in {scratch}", sep="\n")
        else:
            with contextlib.suppress(OSError):
                subprocess.run(["rm", "-r", str(scratch)], check=False)
    return 1 if found else 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
