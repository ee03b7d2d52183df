"""How long a start was delayed, from readings that come only every so often."""

import random

import pytest

from edge.measure.supply import Supply
from edge.settings import check
from edge.visit.watch import Delay, Watch, delay
from edge.words import Words

CUT_IN = 262.0
SITE = check(
    {
        "site": {"name": "Bled", "id": "bled"},
        "supply": {
            "pressure": "line", "running": "run", "cut_in": "262 kPa", "cut_out": "358.5 kPa"
        },
        "channel": [
            {"name": "line", "quantity": "pressure", "unit": "kPa", "input": "simulated"},
            {"name": "run", "quantity": "running", "input": "simulated"},
        ],
    }
)  # fmt: skip


def seen(delay_s: float, step_s: float, kpa_per_s: float, r: random.Random) -> Delay | None:
    """A line bled down past its cut-in at any moment between two readings, as the visit sees it."""
    supply, watch = Supply(SITE, Words(SITE)), Watch()
    crossed = 90.0 + r.uniform(0.0, step_s)
    start = crossed + delay_s
    t = 0.0
    while t <= start + step_s:
        kpa = CUT_IN + kpa_per_s * (crossed - min(t, start)) + 0.3 * max(t - start, 0.0)
        values = (kpa + r.gauss(0.0, 0.14), float(t >= start))
        facts = supply.look(t, *values, None, None, None)
        watch.look(t, t, None, supply, {}, facts)
        t += step_s
    turn = watch.turned("cut_in")
    assert turn is not None
    return delay(turn, CUT_IN)


@pytest.mark.parametrize("step_s", [1.0, 2.0, 10.0])
@pytest.mark.parametrize("true_s", [8.0, 30.0])
def test_a_delay_is_told_without_bias_and_within_its_interval(step_s: float, true_s: float) -> None:
    """Over 300 starts at any moment between readings one to ten seconds apart, the delay's mean is
    within a tenth of a step and three tenths of a second of the truth, and 93 to 99.9 % of the
    intervals hold it, none of them wider than a step and three seconds."""
    r = random.Random(f"{step_s} {true_s}")
    found = [seen(true_s, step_s, r.uniform(0.1, 0.5), r) for _ in range(300)]
    told = [one for one in found if one is not None]
    assert len(told) == 300
    assert sum(one.seconds for one in told) / 300.0 == pytest.approx(true_s, abs=0.3 + 0.1 * step_s)
    held = sum(one.low <= true_s <= one.high for one in told) / 300.0
    assert 0.93 <= held <= 0.999
    assert sorted(one.high - one.low for one in told)[270] <= step_s + 3.0


def test_a_slow_way_down_tells_no_delay() -> None:
    """Where the gauge falls by less than two hundredths of a kPa a second no delay is told."""
    r = random.Random(4)
    assert [seen(8.0, 2.0, 0.02, r) for _ in range(20)] == [None] * 20
