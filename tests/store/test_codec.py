"""The batch blob."""

import json
import zlib

import pytest
from hypothesis import given
from hypothesis import strategies as st

from edge.errors import StoreError
from edge.model import GRID, Tick
from edge.store.codec import decode, encode

NAMES = ("line_pressure", "oxygen", "running")
VALUES = st.none() | st.integers(-(10**9), 10**9).map(lambda steps: steps / GRID)


@st.composite
def batches(draw: st.DrawFn) -> list[Tick]:
    count = draw(st.integers(1, 40))
    t_ms = draw(st.integers(0, 4 * 10**12))
    offset_ms = draw(st.integers(-(10**12), 10**12))
    ticks = []
    for _ in range(count):
        values = draw(st.tuples(VALUES, VALUES, VALUES))
        why = {
            name: draw(st.sampled_from(["no answer", "wire broken: 0.1 V", "°\x00\U0001f6a8"]))
            for name, value in zip(NAMES, values, strict=True)
            if value is None and draw(st.booleans())
        }
        ticks.append(Tick(t_ms / 1000.0, offset_ms / 1000.0, values, why))
        t_ms += draw(st.integers(1, 10**7))
    return ticks


@given(batches())
def test_every_batch_comes_back_exactly(ticks: list[Tick]) -> None:
    """Times, values, gaps and reasons of any batch are the same after writing and reading."""
    offset_ms = round(ticks[0].offset_s * 1000)
    again = decode(encode(ticks, NAMES), round(ticks[0].t * 1000), offset_ms, NAMES)
    assert again == ticks


def test_the_blob_is_what_the_description_says() -> None:
    """A reader with nothing but zlib and JSON finds the documented shape."""
    ticks = [
        Tick(10.0, 0.0, (1.0, None), {"b": "no answer"}),
        Tick(11.5, 0.0, (1.0002, None), {"b": "no answer"}),
        Tick(12.5, 0.0, (None, 3.0), {"a": "wire broken"}),
        Tick(13.5, 0.0, (0.9, 3.0)),
    ]
    assert json.loads(zlib.decompress(encode(ticks, ["a", "b"]))) == {
        "t": [1500, 1000, 1000],
        "v": [[10000, 2, None, -1002], [None, None, 30000, 0]],
        "why": {"0": [[2, 2, "wire broken"]], "1": [[0, 1, "no answer"]]},
    }


@pytest.mark.parametrize("value", [0.00005, float("nan"), float("inf")])
def test_a_value_off_the_grid_is_refused(value: float) -> None:
    """What would not come back the same is never written."""
    with pytest.raises((ValueError, OverflowError)):
        encode([Tick(0.0, 0.0, (value,))], ["a"])


@pytest.mark.parametrize(
    "data",
    [b"", b"junk", zlib.compress(b"{"), zlib.compress(b'{"t":[1],"v":[[1]],"why":{}}')],
)
def test_a_damaged_blob_is_named(data: bytes) -> None:
    """A batch that cannot be read raises the store's own error and no other."""
    with pytest.raises(StoreError):
        decode(data, 0, 0, ["a"])
