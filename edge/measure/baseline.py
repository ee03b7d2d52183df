"""What this supply did when it was handed over: the loss, rise and purity to compare with."""

from math import sqrt
from typing import Any

from edge.core.kept import Kept
from edge.core.units import STANDARD_K, ZERO_C_K
from edge.model import Event

LEAST_RESTS, LEAST_S = 4, 86400.0
"""A baseline is learned from so many rests at least, over a day at least: all of a day's weather."""

SURE, LONGEST_S = 0.03, 7 * 86400.0
"""Learning ends when the loss is known to this share of itself, or after a week."""

BLOCK_S = 12 * 3600.0
LEAST_LOSS = 0.02
"""kPa/h: a twentieth of what NFPA 13's acceptance test allows (1.5 psi in 24 h). Growth of less is
not worth a visit, however many times it is."""

LEAST_SD = 0.015
"""No loss is known better than this share of itself: flow through a leak drifts with its gas."""


class Baseline(Kept):
    """Learned from the first rests and runs watched, or set by the technician.

    `loss` is kPa/h at the reference pressure with its standard deviation; `rise` the mean rise
    of a run, kPa/h; `nitrogen_pct` the purity. None until known.
    """

    KEPT = (
        "first_at",
        "block",
        "blocks",
        "sums",
        "rises",
        "purities",
        "starts",
        "loss",
        "loss_sd",
        "rise",
        "nitrogen_pct",
        "start_pct",
        "made",
        "at",
    )

    def __init__(self) -> None:
        self.forget()

    def forget(self) -> None:
        """Learn anew from now on."""
        self.first_at: float | None = None
        self.block: int | None = None  # the half day of the last rest
        self.blocks = 0  # half days with a rest
        self.sums = [0.0, 0.0, 0.0, 0.0]  # rests; weights; weighted loss; weighted square
        self.rises: list[float] = []
        self.purities: list[float] = []
        self.starts: list[list[float | None]] = []  # oxygen at the marks of each run
        self.loss: float | None = None
        self.loss_sd = 0.0
        self.rise: float | None = None
        self.nitrogen_pct: float | None = None
        self.start_pct: list[float | None] = []  # oxygen at each mark of a run
        self.made: str | None = None
        self.at: float | None = None

    @property
    def least_loss(self) -> float | None:
        """What losses are compared with, kPa/h, above zero: the commissioned loss where it is
        surely one, else the most it may have been (95 %), so that a pipe found tight has a loss
        to compare with too; never less than LEAST_LOSS. None until known."""
        if self.loss is None:
            return None
        sure = self.loss > 2.0 * self.loss_sd
        most = self.loss if sure else max(self.loss, 0.0) + 2.0 * self.loss_sd
        return max(most, LEAST_LOSS)

    def set(
        self,
        loss_kpa_per_h: float,
        loss_sd: float,
        at: float,
        by: str,
        nitrogen_pct: float | None = None,
    ) -> None:
        """A loss the technician found, at the reference pressure, and the purity where it was
        found too."""
        self.nitrogen_pct = self.nitrogen_pct if nitrogen_pct is None else nitrogen_pct
        self.loss, self.loss_sd, self.at = loss_kpa_per_h, loss_sd, at
        self.made = f"set by {by}"

    def learn(self, fact: Event, starts_pct: list[float | None]) -> None:
        """`starts_pct` is the oxygen at the marks of the last run, None where not reached."""
        numbers = fact.numbers
        if fact.kind == "idle_measured" and self.loss is None:
            self._add(fact)
        elif fact.kind == "run_measured":
            if self.rise is None:
                self.rises.append(numbers["rise_kpa_per_h"])
                if len(self.rises) >= LEAST_RESTS:
                    self.rise = sorted(self.rises)[len(self.rises) // 2]
            if not self.start_pct and starts_pct:
                self.starts.append(list(starts_pct))
                if len(self.starts) >= LEAST_RESTS:
                    self.start_pct = [_middle(mark) for mark in zip(*self.starts, strict=True)]
        elif fact.kind == "purity_measured" and self.nitrogen_pct is None:
            self.purities.append(numbers["nitrogen_pct"])
            if len(self.purities) >= LEAST_RESTS:
                self.nitrogen_pct = sorted(self.purities)[len(self.purities) // 2]

    def _add(self, fact: Event) -> None:
        loss, sd = at_reference(fact)
        if self.first_at is None:
            self.first_at = fact.at
        block = int(fact.at // BLOCK_S)
        if block != self.block:
            self.block = block
            self.blocks += 1
        weight = 1.0 / max(sd, 1e-6) ** 2
        for i, more in enumerate((1.0, weight, weight * loss, weight * loss * loss)):
            self.sums[i] += more
        watched_s = fact.at - self.first_at
        if self.sums[0] >= LEAST_RESTS and watched_s >= LEAST_S:
            self._settle(fact.at, sure=watched_s >= LONGEST_S)

    def _settle(self, at: float, *, sure: bool) -> None:
        n, total, first, second = self.sums
        mean = first / total
        scatter = max(second - total * mean * mean, 0.0)
        # The rests' own scatter if it is wider than their intervals say; and rests of one half
        # day share their weather, so they count as one.
        sd = sqrt(max(1.0, scatter / (n - 1.0)) * n / self.blocks / total)
        if sd > SURE * abs(mean) and not sure:
            return
        self.loss, self.loss_sd = mean, max(sd, LEAST_SD * abs(mean))
        self.made = f"learned from {n:.0f} rests"
        self.at = at

    def picture(self) -> dict[str, Any] | None:
        if self.loss is None:
            return None
        return {
            "loss_kpa_per_h": self.loss,
            "low": self.loss - 2.0 * self.loss_sd,
            "high": self.loss + 2.0 * self.loss_sd,
            "made": self.made,
            "at": self.at,
        }


def _middle(values: tuple[float | None, ...]) -> float | None:
    """The median of what was reached, by most of the runs."""
    known = sorted(v for v in values if v is not None)
    return known[len(known) // 2] if 2 * len(known) > len(values) else None


def at_reference(fact: Event) -> tuple[float, float]:
    """Loss at the reference pressure and standard temperature with its deviation, kPa/h.

    A choked leak goes with the root of temperature; where none was measured, nothing is done.
    """
    numbers = fact.numbers
    loss = numbers["loss_at_reference_kpa_per_h"]
    plain = numbers["loss_kpa_per_h"]
    scale = loss / plain if plain else 1.0
    sd = abs(scale) * (numbers["loss_high_kpa_per_h"] - numbers["loss_low_kpa_per_h"]) / 4.0
    celsius = numbers.get("temperature_c")
    if celsius is not None:
        root = sqrt(STANDARD_K / (celsius + ZERO_C_K))
        return loss * root, sd * root
    return loss, sd
