"""Bad input in small doses; `python -m tests.fuzz` gives it for as long as wanted."""

import contextlib
import sqlite3
import tempfile
from collections.abc import Iterator
from pathlib import Path

import pytest
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st

from tests.fuzz import watch
from tests.fuzz.mutate import mutated
from tests.fuzz.run import MEMORY, account
from tests.fuzz.targets import MAKERS, make
from tests.fuzz.watch import Elsewhere, Hung, watched


@pytest.fixture
def quick() -> Iterator[Path]:
    """A folder in memory where there is one: nothing here is about a disk."""
    with tempfile.TemporaryDirectory(dir=MEMORY if MEMORY.is_dir() else None) as folder:
        yield Path(folder)


@pytest.mark.parametrize("name", MAKERS)
def test_no_input_gets_through(name: str, quick: Path) -> None:
    """Whatever is fed to it, each border uses or refuses it in time and writes nothing elsewhere."""
    target = make(name, quick / name)
    for seed in target.seeds:
        with watched(quick):
            target.feed(seed)

    @settings(
        max_examples=target.doses,
        derandomize=True,
        database=None,
        deadline=None,
        phases=[Phase.generate, Phase.shrink],
        suppress_health_check=list(HealthCheck),
    )
    @given(st.sampled_from(target.seeds), st.integers(0, 2**32 - 1))
    def feed(seed: bytes, dice: int) -> None:
        with watched(quick):
            target.feed(mutated(seed, dice, target.seeds))

    feed()


def test_the_watch_sees_a_write_elsewhere(tmp_path: Path) -> None:
    """A target that wrote outside its folder would be caught, even where it caught that itself, so
    that the tests above can fail."""
    inside, outside = tmp_path / "inside", tmp_path / "outside"
    inside.mkdir()
    with watched(inside):
        (inside / "fine").write_text("x")
    with pytest.raises(Elsewhere), watched(inside), contextlib.suppress(AssertionError):
        outside.write_text("x")
    with pytest.raises(Elsewhere), watched(inside), contextlib.suppress(AssertionError):
        sqlite3.connect(outside)
    assert not outside.exists()


def test_the_watch_ends_what_hangs(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """An input that turns without end is a finding, also where the turning catches whatever is
    raised in it."""
    monkeypatch.setattr(watch, "LONGEST_S", 0.05)
    with pytest.raises(Hung), watched(tmp_path), contextlib.suppress(Hung):
        all(iter(lambda: True, False))


def test_the_account_of_a_run() -> None:
    """What libFuzzer says is read right: inputs, branches, and when the last new branch came."""
    said = (
        "#2 INITED cov: 10 ft: 11\n#50 NEW    cov: 12 ft: 20\n#60 NEW    cov: 12 ft: 21\n"
        "#900 DONE   cov: 12 ft: 21\nstat::number_of_executed_units: 900\n"
    )
    assert account(said) == (900, 12, 50)
    assert account("#7 NEW    cov: 3 ft: 3\nkilled") == (7, 3, 7)


def test_every_door_says_how_wide_it_is() -> None:
    """Each target has a day's worth, and says what bounds it."""
    assert all(maker.door.a_day > 0 and maker.door.why for maker in MAKERS.values())
