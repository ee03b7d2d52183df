"""A hold test judged again from what was kept of it. Pure."""

from collections.abc import Iterable, Mapping
from typing import Any

from edge.hold.account import finished
from edge.hold.holding import Holding
from edge.model import Tick
from edge.settings import Units
from edge.words import Words

COLUMNS = ("pressure", "running", "temperature", "barometer", "line")
"""What a test reads, in the order in which its ticks must carry it."""


def channels(aside: Mapping[str, Any]) -> list[str | None]:
    """The channels of a kept test in the order of COLUMNS; None for one that is not fitted."""
    return [aside["terms"]["channels"].get(column) for column in COLUMNS]


def rejudge(aside: Mapping[str, Any], ticks: Iterable[Tick]) -> dict[str, Any]:
    """The numbers of `hold_test_finished` from the test's terms and its readings.

    `aside` is what was kept beside the event; `ticks` carry the values of COLUMNS.
    """
    holding = Holding()
    holding.begin(aside["start_t"], aside["terms"], aside["site"])
    words = Words.of(Units(**aside["terms"]["units"]))
    pressure = aside["terms"]["channels"]["pressure"]
    for tick in ticks:
        kpa, contact, celsius, barometer_kpa, line_kpa = tick.values
        why = tick.faults.get(pressure)
        outcome = holding.look(tick.t, kpa, contact, celsius, barometer_kpa, why, line_kpa)
        if outcome is not None:
            return finished(holding, outcome, words)[1]
    return finished(holding, holding.stop(aside["end_t"]), words)[1]
