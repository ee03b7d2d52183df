"""A small site, and a writer on a real file."""

from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from small_site import RAW

from edge.settings import Settings, check
from edge.store.write import Writer


@pytest.fixture
def settings() -> Settings:
    return check(RAW)


@pytest.fixture
def writer(tmp_path: Path, settings: Settings) -> Iterator[Callable[..., Writer]]:
    """Opens writers on one folder, and closes them."""
    opened: list[Writer] = []

    def make(**changes: object) -> Writer:
        given = {"settings": settings, "messengers": ["mqtt here"], **changes}
        opened.append(Writer(tmp_path, **given))  # type: ignore[arg-type]
        return opened[-1]

    yield make
    for one in opened:
        one.close()
