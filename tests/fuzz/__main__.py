"""Bad input for as long as wanted, or as much as a day can bring.

python -m tests.fuzz [SECONDS] [TARGET ...]            each so long (60 by default), one at a time
python -m tests.fuzz day [--most SECONDS] [TARGET ...]  as many inputs as 24 h of attack, two at once
python -m tests.fuzz doors                              measures what a day's worth rests on

With --corpus DIR inputs that led somewhere new are kept there, and read first the next time. Exits
with 1 at a finding, which is kept in a folder whose name it prints.
"""

import argparse
import sys
from pathlib import Path

from tests.fuzz import run

NO_END = 2**31 - 1


def main(words: list[str]) -> int:
    if words[:1] == [run.CHILD]:
        name, scratch, inputs, seconds, corpus = words[1:]
        run.child(name, Path(scratch), int(inputs), int(seconds), Path(corpus))
        return 0
    parser = argparse.ArgumentParser(prog="python -m tests.fuzz", usage=__doc__)
    parser.add_argument("what", nargs="*")
    parser.add_argument("--corpus", type=Path)
    parser.add_argument("--most", type=float)
    given = parser.parse_intermixed_args(words)
    if given.what == ["doors"]:
        from tests.fuzz import doors

        return doors.measure()
    try:
        import atheris  # noqa: F401
    except ImportError:
        print("expected the package atheris, found none: pip install atheris (x86_64 only)")
        return 2
    from tests.fuzz import day
    from tests.fuzz.targets import MAKERS

    how = given.what.pop(0) if given.what and given.what[0] not in MAKERS else "60"
    names = given.what or list(MAKERS)
    unknown = set(names) - set(MAKERS)
    if unknown or not (how == "day" or how.isdigit()):
        print(f"expected day or seconds, and some of {', '.join(MAKERS)}, found {how}", *unknown)
        return 2
    if how == "day":
        return day.run(names, given.corpus, given.most or day.MOST_S)
    found = []
    for name in names:
        found.append(run.Running(name, NO_END, int(how), given.corpus).done())
        print(day.account(found[-1]), flush=True)
    return 1 if any(one.finding for one in found) else 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
