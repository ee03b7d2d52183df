"""What a benchmark answers."""

from typing import NamedTuple


class Result(NamedTuple):
    """One figure and what it should be at most (or, with `least`, at least)."""

    what: str
    value: float
    unit: str
    target: float
    least: bool = False

    @property
    def good(self) -> bool:
        return self.value >= self.target if self.least else self.value <= self.target
