"""What this supply did when it was handed over: the loss, rise and purity to compare with."""

from math import sqrt
from typing import Any

from edge.core.kept import Kept
from edge.core.units import STANDARD_K, ZERO_C_K
from edge.model import Event

LEAST_RESTS, LEAST_S = 4, 86400.0
"""A baseline is learned from so many rests at least, over a day at least: all of a day's weather."""

MOST_RESTS = 60
SURE, LONGEST_S = 0.03, 7 * 86400.0
"""Learning ends when the loss is known to this share of itself, or after a week."""

BLOCK_S = 12 * 3600.0
LEAST_SD = 0.015
"""No loss is known better than this share of itself: flow through a leak drifts with its gas."""


class Baseline(Kept):
    """Learned from the first rests and runs watched, or set by the technician.

    `loss` is kPa/h at the reference pressure with its standard deviation; `rise` the mean rise
    of a run, kPa/h; `nitrogen_pct` the purity. None until known.
    """

    KEPT = ("rests", "rises", "purities", "loss", "loss_sd", "rise", "nitrogen_pct", "made", "at")

    def __init__(self) -> None:
        self.forget()

    def forget(self) -> None:
        """Learn anew from now on."""
        self.rests: list[list[float]] = []  # when, loss at reference, its deviation
        self.rises: list[float] = []
        self.purities: list[float] = []
        self.loss: float | None = None
        self.loss_sd = 0.0
        self.rise: float | None = None
        self.nitrogen_pct: float | None = None
        self.made: str | None = None
        self.at: float | None = None

    def set(self, loss_kpa_per_h: float, loss_sd: float, at: float, by: str) -> None:
        """A loss the technician found, at the reference pressure."""
        self.loss, self.loss_sd, self.at = loss_kpa_per_h, loss_sd, at
        self.made = f"set by {by}"

    def learn(self, fact: Event) -> None:
        numbers = fact.numbers
        if fact.kind == "idle_measured" and self.loss is None:
            self.rests = [*self.rests[1 - MOST_RESTS :], [fact.at, *at_reference(fact)]]
            watched_s = fact.at - self.rests[0][0]
            if len(self.rests) >= LEAST_RESTS and watched_s >= LEAST_S:
                self._settle(fact.at, sure=watched_s >= LONGEST_S)
        elif fact.kind == "run_measured" and self.rise is None:
            self.rises.append(numbers["rise_kpa_per_h"])
            if len(self.rises) >= LEAST_RESTS:
                self.rise = sorted(self.rises)[len(self.rises) // 2]
        elif fact.kind == "purity_measured" and self.nitrogen_pct is None:
            self.purities.append(numbers["nitrogen_pct"])
            if len(self.purities) >= LEAST_RESTS:
                self.nitrogen_pct = sorted(self.purities)[len(self.purities) // 2]

    def _settle(self, at: float, *, sure: bool) -> None:
        weights = [1.0 / max(sd, 1e-6) ** 2 for _, _, sd in self.rests]
        total = sum(weights)
        mean = sum(w * r[1] for w, r in zip(weights, self.rests, strict=True)) / total
        scatter = sum(w * (r[1] - mean) ** 2 for w, r in zip(weights, self.rests, strict=True))
        n = len(self.rests)
        # The rests' own scatter if it is wider than their intervals say; and rests of one half
        # day share their weather, so they count as one.
        blocks = len({int(r[0] // BLOCK_S) for r in self.rests})
        sd = sqrt(max(1.0, scatter / (n - 1)) * n / blocks / total)
        if sd > SURE * abs(mean) and not sure:
            return
        self.loss, self.loss_sd = mean, max(sd, LEAST_SD * abs(mean))
        self.made = f"learned from {n} rests"
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
