"""A membrane generator's needle valve: which way to turn it, and how far that moves both figures.

More flow means less purity and less flow more. How much is a property of the membrane: worked out
for cross flow by solution and diffusion, selectivity 6, feed at 100 psig, product flow is 0.66
times that at 2 % oxygen when it has 1 %, 0.84 at 1.5 %, 1.32 at 3 % and 2.0 at 5 %. Other
membranes, feeds and temperatures differ, so every answer comes with a range.
"""

from bisect import bisect_right
from itertools import pairwise
from math import exp, log
from typing import Literal, NamedTuple

CURVE = ((1.0, 0.66), (1.5, 0.84), (2.0, 1.0), (3.0, 1.32), (5.0, 2.0))
"""Oxygen of the product, %, and its flow relative to that at 2 %."""

MEMBRANE_REL = 0.35
"""How far another membrane's exponent may lie from this one's; common practice, no source."""

BAND_PCT = 0.2
"""Oxygen within this of what is wanted needs no turning: a cell set in air is no surer."""

_SLOPES = [(log(f2) - log(f1)) / (log(o2) - log(o1)) for (o1, f1), (o2, f2) in pairwise(CURVE)]


class Range(NamedTuple):
    """A likely value with its bounds."""

    likely: float
    low: float
    high: float


class Advice(NamedTuple):
    """What to do with the needle valve, and what to expect."""

    turn: Literal["close", "open", "leave"]
    oxygen_pct: Range
    flow_rel: Range  # times the flow that it gives now
    flow_l_min: Range | None  # where the flow is known
    enough: bool | None  # whether the flow needed is likely still made; None where not known


def relative_flow(oxygen_pct: float) -> float:
    """Product flow relative to that at 2 % oxygen; between 0.1 and 15 % (ValueError beyond).

    Straight lines between the curve's points on logarithmic scales, and beyond its ends.
    """
    if not 0.1 <= oxygen_pct <= 15.0:
        raise ValueError("oxygen from 0.1 % to 15 %")
    i = min(max(bisect_right(CURVE, (oxygen_pct, 0.0)) - 1, 0), len(_SLOPES) - 1)
    at, flow = CURVE[i]
    return float(flow * (oxygen_pct / at) ** _SLOPES[i])


def oxygen_at_flow_pct(oxygen_pct: float, flow_rel: float) -> Range:
    """The oxygen when the flow is brought to `flow_rel` times what it is now, at `oxygen_pct`.

    ValueError when that leads outside what the curve can say.
    """
    if flow_rel <= 0.0:
        raise ValueError("a flow above zero")
    wanted = relative_flow(oxygen_pct) * flow_rel
    low, high = 0.1, 15.0
    if not relative_flow(low) <= wanted <= relative_flow(high):
        raise ValueError("a flow at which the product has from 0.1 % to 15 % of oxygen")
    while high - low > 1e-9 * high:
        middle = 0.5 * (low + high)
        low, high = (middle, high) if relative_flow(middle) < wanted else (low, middle)
    return _about(high, log(high / oxygen_pct), oxygen_pct)


def flow_at_oxygen(oxygen_pct: float, wanted_pct: float) -> Range:
    """Times the present flow that is left when the product is brought to `wanted_pct`."""
    likely = relative_flow(wanted_pct) / relative_flow(oxygen_pct)
    return _about(likely, log(likely), 1.0)


def _about(likely: float, by: float, start: float) -> Range:
    """The range when the logarithm's way from `start` may be longer or shorter."""
    ends = sorted(start * exp(by * (1.0 + sign * MEMBRANE_REL)) for sign in (-1.0, 1.0))
    return Range(likely, ends[0], ends[1])


def advise(
    oxygen_pct: float,
    wanted_pct: float,
    flow_l_min: float | None = None,
    needed_l_min: float | None = None,
) -> Advice:
    """Which way to turn, from the product's oxygen and the most that is wanted.

    Too much oxygen: close. Much less than wanted: open, since flow is given away, but only where
    more flow is needed than is made or where the need is not known. ValueError outside the curve.
    """
    short = None if needed_l_min is None or flow_l_min is None else flow_l_min < needed_l_min
    if oxygen_pct > wanted_pct + BAND_PCT:
        turn: Literal["close", "open", "leave"] = "close"
    elif oxygen_pct < wanted_pct - BAND_PCT and short is not False:
        turn = "open"
    else:
        turn = "leave"
    if turn == "leave":
        relative_flow(oxygen_pct)
        oxygen, rel = Range(oxygen_pct, oxygen_pct, oxygen_pct), Range(1.0, 1.0, 1.0)
    else:
        oxygen = Range(wanted_pct, wanted_pct - BAND_PCT, wanted_pct + BAND_PCT)
        rel = flow_at_oxygen(oxygen_pct, wanted_pct)
    flow = None if flow_l_min is None else Range(*(flow_l_min * f for f in rel))
    enough = None if flow is None or needed_l_min is None else flow.likely >= needed_l_min
    return Advice(turn, oxygen, rel, flow, enough)
