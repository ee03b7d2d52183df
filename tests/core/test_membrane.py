"""Purity against flow, and which way to turn the needle valve."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from edge.core.membrane import CURVE, advise, flow_at_oxygen, oxygen_at_flow_pct, relative_flow

OXYGEN = st.floats(0.2, 10.0)


@pytest.mark.parametrize(("oxygen", "flow"), CURVE)
def test_worked_out_points(oxygen: float, flow: float) -> None:
    """The curve goes through the five points worked out for selectivity 6 and 100 psig."""
    assert relative_flow(oxygen) == pytest.approx(flow)


@pytest.mark.parametrize(("oxygen", "exponent"), [(1.2, 0.6), (1.8, 0.6), (4.0, 0.75)])
def test_exponents(oxygen: float, exponent: float) -> None:
    """Flow goes about with oxygen to the 0.6 under 2 % and to the 0.75 above, within 4 %."""
    assert relative_flow(oxygen) == pytest.approx((oxygen / 2.0) ** exponent, rel=0.04)


@given(OXYGEN, OXYGEN)
def test_there_and_back(a: float, b: float) -> None:
    """Going to another oxygen and asking for the oxygen at that flow comes back, in the range."""
    rel = flow_at_oxygen(a, b)
    back = oxygen_at_flow_pct(a, rel.likely)
    assert back.likely == pytest.approx(b, rel=1e-6)
    assert back.low <= back.likely * (1 + 1e-9)
    assert back.likely <= back.high * (1 + 1e-9)
    assert (rel.likely > 1.0) == (relative_flow(b) > relative_flow(a))


def test_which_way() -> None:
    """Too much oxygen says close, with less flow; oxygen to spare says open, unless flow is enough."""
    close = advise(3.0, 2.0, flow_l_min=20.0, needed_l_min=16.0)
    assert close.turn == "close"
    assert close.flow_rel.likely == pytest.approx(1 / 1.32)
    assert close.flow_l_min is not None
    assert close.flow_l_min.low < close.flow_l_min.likely < close.flow_l_min.high < 20.0
    assert close.enough is False  # 15.2 is less than 16
    assert advise(1.0, 2.0, 20.0, 25.0).turn == "open"
    assert advise(1.0, 2.0, 20.0, 25.0).enough is True
    assert advise(1.0, 2.0, 20.0, 15.0).turn == "leave"
    assert advise(1.0, 2.0).turn == "open"
    assert advise(2.1, 2.0, 20.0).turn == "leave"
    assert advise(2.1, 2.0, 20.0).flow_rel == (1.0, 1.0, 1.0)


def test_beyond_what_is_known() -> None:
    """Air in the product is no matter for the needle valve: nothing is claimed."""
    with pytest.raises(ValueError, match=r"0\.1 % to 15 %"):
        advise(20.0, 2.0)
    with pytest.raises(ValueError, match="a flow above zero"):
        oxygen_at_flow_pct(2.0, 0.0)
    with pytest.raises(ValueError, match=r"from 0\.1 % to 15 %"):
        oxygen_at_flow_pct(5.0, 100.0)
