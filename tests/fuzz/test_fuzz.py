"""Bad input in small doses; `python -m tests.fuzz` gives it for as long as wanted."""

from pathlib import Path

import pytest
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st

from tests.fuzz.mutate import mutated
from tests.fuzz.targets import MAKERS, make
from tests.fuzz.watch import Elsewhere, watched


@pytest.mark.parametrize("name", MAKERS)
def test_no_input_gets_through(name: str, tmp_path: Path) -> None:
    """Whatever is fed to it, each border uses or refuses it in time and writes nothing elsewhere."""
    target = make(name, tmp_path / name)
    for seed in target.seeds:
        with watched(tmp_path):
            target.feed(seed)

    @settings(
        max_examples=60,
        derandomize=True,
        database=None,
        deadline=None,
        phases=[Phase.generate, Phase.shrink],
        suppress_health_check=list(HealthCheck),
    )
    @given(st.sampled_from(target.seeds), st.integers(0, 2**32 - 1))
    def feed(seed: bytes, dice: int) -> None:
        with watched(tmp_path):
            target.feed(mutated(seed, dice, target.seeds))

    feed()


def test_the_watch_sees_a_write_elsewhere(tmp_path: Path) -> None:
    """A target that wrote outside its folder would be caught, so that the tests above can fail."""
    inside, outside = tmp_path / "inside", tmp_path / "outside"
    inside.mkdir()
    with watched(inside):
        (inside / "fine").write_text("x")
        with pytest.raises(Elsewhere):
            outside.write_text("x")
    assert not outside.exists()
