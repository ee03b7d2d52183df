"""What a benchmark answers, and how it is told."""

from collections.abc import Iterable
from math import isinf
from typing import NamedTuple


class Result(NamedTuple):
    """One figure and what it should be at most (or, with `least`, at least); without a target it is
    only told."""

    what: str
    value: float
    unit: str
    target: float = float("inf")
    least: bool = False

    @property
    def good(self) -> bool:
        return self.value >= self.target if self.least else self.value <= self.target


def tell(name: str, results: Iterable[Result]) -> int:
    """A line for each, with its bound beside it; how many miss theirs."""
    missed = 0
    for result in results:
        bound = f"{'at least' if result.least else 'at most'} {result.target:,g} {result.unit}"
        said = "" if isinf(result.target) else bound.rstrip()
        print(
            f"{'ok    ' if result.good else 'MISSED'} {name:9} {result.what:68}"
            f" {result.value:>13,.3f} {result.unit:8} {said}".rstrip(),
            flush=True,
        )
        missed += not result.good
    return missed
