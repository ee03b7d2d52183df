"""What a target is, and how much of it one day can bring."""

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

DAY_S = 86_400
RESTART_S = 5.0
"""RestartSec of both units in systemd/: a start that fails is tried again after it, no sooner."""

COMMANDS_S = {
    "check": 0.18, "replay": 0.23, "size": 0.18, "records": 0.11, "restore": 0.11, "access": 0.37,
}  # fmt: skip
"""The least life of each command that reads what somebody gives it, in seconds of the processor:
measured by `python -m tests.fuzz doors` on x86-64. On a Pi they live longer."""


@dataclass(frozen=True)
class Door:
    """How many inputs the real thing can take in 24 hours of attack without a pause, and why no
    more."""

    a_day: int
    why: str


@dataclass(frozen=True)
class Target:
    """`feed` takes one input; `seeds` are inputs that lead it far in, or that once got through;
    `longest` is the most bytes that one may have; `doses` is how many the tests give."""

    feed: Callable[[bytes], None]
    seeds: tuple[bytes, ...]
    longest: int = 65_536
    doses: int = 60


@dataclass(frozen=True)
class Maker:
    """Makes a target in a scratch folder of its own."""

    make: Callable[[Path], Target]
    door: Door


MAKERS: dict[str, Maker] = {}
"""Every target by its name; the files of targets put theirs in."""


def target(door: Door) -> Callable[[Callable[[Path], Target]], Callable[[Path], Target]]:
    """Registers a function that makes a target, under its own name."""

    def register(make: Callable[[Path], Target]) -> Callable[[Path], Target]:
        MAKERS[make.__name__] = Maker(make, door)
        return make

    return register


def by_command(word: str, at_once: int = 1) -> Door:
    """What somebody at a shell gives a command, in a loop; `at_once` in each call."""
    lasts = COMMANDS_S[word.partition(" ")[0]]
    a_day = round(DAY_S / lasts) * at_once
    each = "" if at_once == 1 else f", {at_once} of them in each"
    return Door(a_day, f"`dryhold {word}` over and over, {lasts} s each{each}")


def by_start() -> Door:
    """What is read once at a start."""
    why = f"read at a start, and systemd lets {RESTART_S:.0f} s pass between two"
    return Door(round(DAY_S / RESTART_S), why)


def by_tick(each: int = 1, why: str = "looked at once a tick") -> Door:
    return Door(DAY_S * each, f"{why}, one tick a second")


def a_second(rate: float, why: str) -> Door:
    return Door(round(DAY_S * rate), f"{rate:.3g} a second: {why}")
