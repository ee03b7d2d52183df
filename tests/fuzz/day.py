"""A day's worth of bad input: as many inputs of each kind as its door could take in 24 hours of
attack without a pause, in less time than that, because nothing here waits for a wire, a disk's
sync, a process's start or the next tick."""

import time
from collections import deque
from pathlib import Path

from tests.fuzz.run import Run, Running
from tests.fuzz.target import MAKERS

AT_ONCE = 2
MOST_S = 8 * 3600
"""For all of it, whatever is done by then."""


def run(names: list[str], corpus: Path | None, most_s: float = MOST_S) -> int:
    """Feed each its day's worth, two at a time; prints an account. 1 where something was found or
    a day was not reached."""
    began = time.monotonic()
    # What takes longest begins first, so that no process is idle at the end.
    waiting = deque(sorted(names, key=lambda name: -MAKERS[name].door.a_day))
    running: list[Running] = []
    found: list[Run] = []
    try:
        while waiting or running:
            left = most_s - (time.monotonic() - began)
            while waiting and len(running) < AT_ONCE and left > 1.0:
                name = waiting.popleft()
                a_day = MAKERS[name].door.a_day
                running.append(Running(name, a_day, max(1, round(left)), corpus))
            if left <= 1.0:
                waiting.clear()
            ended = [one for one in running if one.wait(0.5)]
            for one in ended:
                running.remove(one)
                found.append(one.done())
                print(account(found[-1]), flush=True)
    finally:
        for one in running:
            one.stop()
    reached = {one.name for one in found if one.inputs >= MAKERS[one.name].door.a_day}
    for name in names:
        if name not in reached:
            print(f"NOT a day's worth: {name}")
    good = len(reached) == len(names) and not any(one.finding for one in found)
    return 0 if good else 1


def account(one: Run) -> str:
    """How much of a day it was, what it reached, and what is left to doubt.

    That none of n inputs failed says, at 95 %, that fewer than 3 in n of their kind do: the rule of
    three (Hanley and Lippman-Hand, If nothing goes wrong, is everything all right?, JAMA 249, 1983).
    libFuzzer does not tell which branches were met by one input alone, from which Good and Turing's
    estimate of what is left to discover would follow (Boehme, STADS: Software testing as species
    discovery, ACM TOSEM 27(2), 2018); so the same rule is put to the inputs since the last new
    branch. Inputs led by coverage are not drawn alike, so both are a measure, not a proof.
    """
    door = MAKERS[one.name].door
    share = one.inputs / door.a_day
    lines = [
        f"{'FOUND ' if one.finding else 'ok    '} {one.name}: {one.inputs:,} inputs in"
        f" {one.seconds:,.0f} s; a day is {door.a_day:,} ({door.why}): {share:.2f} days"
    ]
    if not one.finding and one.inputs:
        lines.append(
            f"       {one.branches} branches, the last new one {one.since_new:,} inputs ago; fewer"
            f" than {3 / one.inputs:.1e} of such inputs fail, fewer than"
            f" {3 / max(1, one.since_new):.1e} reach a new branch (95 %)"
        )
    if one.finding:
        lines += [one.finding, f"       kept in {one.kept}"]
    return "\n".join(lines)
