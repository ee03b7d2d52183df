"""A faulty disk, where this machine allows one."""

from collections.abc import Iterator

import pytest

from tests.conftest import absent
from tests.faults.disk import Disk, library


@pytest.fixture
def vfs() -> None:
    """See that SQLite can be told of another disk."""
    if library() is None:
        absent("an SQLite library of its own, for the faulty disk,")


@pytest.fixture
def disk(request: pytest.FixtureRequest) -> Iterator[Disk]:
    request.getfixturevalue("vfs")
    with Disk() as made:
        yield made
