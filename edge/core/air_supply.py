"""What an air supply must give, and what a generator does then.

Flows are standard litres a minute. Source of the half hour: NFPA 13, the air supply must restore
normal pressure within 30 minutes. Everything else is the gas law.
"""

from math import inf
from typing import NamedTuple

from edge.core.purge import held_l

RESTORE_S = 1800.0
"""NFPA 13: normal system air pressure within 30 minutes."""


class Fill(NamedTuple):
    """Filling a volume from no gauge pressure."""

    needed_l_min: float  # to do it in time
    takes_s: float | None  # with the flow that there is; inf for never
    takes_low_s: float | None  # within the volume's uncertainty, two standard ones each way
    takes_high_s: float | None
    enough: bool | None
    sure: bool | None  # whether that is so all over the volume's uncertainty
    generator_share: float | None  # of what is needed, that the generator alone gives
    generator_takes_s: float | None


class Cycling(NamedTuple):
    """How a generator works against a steady loss."""

    duty: float  # share of the time that it runs, 1 when the loss is all that it makes
    run_s: float  # inf when it never reaches cut-out
    rest_s: float  # inf when nothing is lost
    runs_a_day: float
    runtime_s_a_day: float


def fill(
    volume_l: float,
    to_kpa: float,
    compressor_l_min: float | None = None,
    production_l_min: float | None = None,
    within_s: float = RESTORE_S,
    gas_c: float | None = None,
    sd_l: float = 0.0,
) -> Fill:
    """The flow that brings `volume_l` from nothing to `to_kpa` gauge in time, and who gives it.

    `sd_l` is the volume's standard uncertainty; `gas_c` the temperature that the gas takes in the
    pipe, 15.56 °C where none is told: colder pipes take more. ValueError for a volume, a pressure
    or a time of nothing.
    """
    if volume_l <= 0.0 or to_kpa <= 0.0 or within_s <= 0.0:
        raise ValueError("a volume, a pressure and a time above zero")
    gas = held_l(volume_l, to_kpa, gas_c)
    needed = gas / within_s * 60.0

    def takes(flow: float | None, share: float = 1.0) -> float | None:
        return None if flow is None else share * gas / flow * 60.0 if flow > 0.0 else inf

    spread = 2.0 * sd_l / volume_l
    low, high = takes(compressor_l_min, max(0.0, 1.0 - spread)), takes(compressor_l_min, 1 + spread)
    return Fill(
        needed,
        takes(compressor_l_min),
        low,
        high,
        None if compressor_l_min is None else compressor_l_min >= needed,
        None if low is None or high is None else high <= within_s or low > within_s,
        None if production_l_min is None else production_l_min / needed,
        takes(production_l_min),
    )


def cycling(
    volume_l: float, band_kpa: float, production_l_min: float, loss_l_min: float
) -> Cycling:
    """Runs and runtime when `loss_l_min` is made up by runs across `band_kpa` of `volume_l`.

    ValueError for a band, volume or production of nothing, or a loss under it.
    """
    if volume_l <= 0.0 or band_kpa <= 0.0 or production_l_min <= 0.0 or loss_l_min < 0.0:
        raise ValueError("a volume, a band and a production above zero, and no loss below it")
    gas = held_l(volume_l, band_kpa)
    spare = production_l_min - loss_l_min
    if spare <= 0.0:
        return Cycling(1.0, inf, 0.0, 0.0, 86400.0)
    run_s = gas / spare * 60.0
    rest_s = gas / loss_l_min * 60.0 if loss_l_min > 0.0 else inf
    duty = loss_l_min / production_l_min
    return Cycling(duty, run_s, rest_s, 86400.0 / (run_s + rest_s), 86400.0 * duty)
