"""The losses and rises of the last days beside the commissioned ones."""

from collections.abc import Sequence
from math import sqrt
from typing import NamedTuple

from edge.core.kept import Kept
from edge.measure.baseline import BLOCK_S, LEAST_SD, Baseline, at_reference
from edge.model import Event

DAYS_S = 7 * 86400.0
ONE_SIDED_95 = 1.645  # of the normal distribution


class Ratio(NamedTuple):
    """Something now over what it was at commissioning, with the standard deviation of the ratio."""

    value: float
    sd: float

    def above(self, least: float, sureness: float) -> bool:
        """Whether it is above `least`, by so many standard deviations."""
        return self.value - sureness * self.sd > least


class Trend(Kept):
    """Remembers rests (loss at reference, its deviation) and runs of the last days."""

    KEPT = ("rests", "rises")

    def __init__(self) -> None:
        self.rests: list[list[float]] = []  # when, loss, deviation
        self.rises: list[list[float]] = []  # when, kPa/h

    def forget(self) -> None:
        """After work on the piping what came before compares with nothing."""
        self.rests, self.rises = [], []

    def learn(self, fact: Event) -> None:
        numbers = fact.numbers
        if fact.kind == "idle_measured":
            loss, sd = at_reference(fact)
            self.rests = [r for r in self.rests if r[0] > fact.at - DAYS_S][-399:]
            self.rests.append([fact.at, loss, sd])
        elif fact.kind == "run_measured":
            self.rises = [*self.rises[-7:], [fact.at, numbers["rise_kpa_per_h"]]]

    def loss(self, baseline: Baseline, last: int | None = None) -> Ratio | None:
        """Loss over the commissioned one: of the `last` rests, or of all the last days."""
        rests = self.rests if last is None else self.rests[-last:]
        was = baseline.least_loss
        if not rests or was is None:
            return None
        return self._ratio(rests, baseline, was)

    def least_told(
        self, baseline: Baseline, sureness: float, last: int | None = None
    ) -> float | None:
        """The smallest loss, kPa/h, that rests as sure as the `last` ones (as all of the last days)
        would nineteen times in twenty show to be above the commissioned one, with that many standard
        deviations to spare; None where no loss would."""
        ratio, was = self.loss(baseline, last), baseline.least_loss
        if ratio is None or was is None:
            return None
        of_was = baseline.loss_sd / was if was == baseline.loss else 0.0
        rests_sd = sqrt(max(ratio.sd**2 - (ratio.value * of_was) ** 2, 0.0))
        low, high = 1.0, 1e6
        for _ in range(60):
            value = sqrt(low * high)
            sd = sqrt(max(rests_sd, LEAST_SD * value) ** 2 + (value * of_was) ** 2)
            if Ratio(value, sd).above(1.0, sureness + ONE_SIDED_95):
                high = value
            else:
                low = value
        return high * was if high < 1e5 else None

    def mean(self) -> tuple[float, float] | None:
        """The loss at reference of all the last days with its standard deviation, kPa/h."""
        return _mean(self.rests) if self.rests else None

    def _ratio(self, rests: Sequence[Sequence[float]], baseline: Baseline, was: float) -> Ratio:
        mean, sd = _mean(rests)
        value = mean / was
        # An upper bound has its uncertainty in it already.
        was_sd = baseline.loss_sd if was == baseline.loss else 0.0
        relative = sqrt((sd / was) ** 2 + (value * was_sd / was) ** 2)
        return Ratio(value, relative)

    def rise(self, baseline: Baseline, last: int = 2) -> Ratio | None:
        """Rise of the last runs over the commissioned one."""
        if len(self.rises) < last or not baseline.rise:
            return None
        values = [r[1] for r in self.rises[-last:]]
        mean = sum(values) / last
        spread = (max(values) - min(values)) / 2.0
        return Ratio(mean / baseline.rise, max(spread / baseline.rise, 0.03))


def _mean(rests: Sequence[Sequence[float]]) -> tuple[float, float]:
    weights = [1.0 / max(sd, LEAST_SD * abs(loss), 1e-9) ** 2 for _, loss, sd in rests]
    total = sum(weights)
    mean = sum(w * r[1] for w, r in zip(weights, rests, strict=True)) / total
    blocks = len({int(r[0] // BLOCK_S) for r in rests})
    # As sure as one typical rest in each block, and no surer.
    return mean, max(sqrt(len(rests) / total / blocks), LEAST_SD * abs(mean))
