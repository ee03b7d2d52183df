"""What every test may need."""

import importlib.util
import os
import shutil
from collections.abc import Callable
from pathlib import Path

import hypothesis
import pytest

# The same examples every time, at whatever pace the machine has: no test needs luck.
hypothesis.settings.register_profile("steady", derandomize=True, deadline=None)
hypothesis.settings.load_profile("steady")

RECORDINGS = Path(__file__).parents[2] / "shared" / "recordings"


def absent(what: str) -> None:
    """Skip the running test for want of something, or fail where nothing may be skipped."""
    if os.environ.get("DRYHOLD_NO_SKIPS") == "1":
        pytest.fail(f"{what} is absent, and DRYHOLD_NO_SKIPS=1 allows no skip")
    pytest.skip(f"{what} is absent on this machine")


@pytest.fixture(scope="session")
def needs() -> Callable[[str], str]:
    """The path of a program that a test needs, or a skip that says so."""

    def find(program: str) -> str:
        # Debian keeps daemons where an ordinary user's PATH does not look.
        path = shutil.which(program, path=os.environ.get("PATH", "") + ":/usr/sbin:/usr/local/sbin")
        if path is None:
            absent(program)
        return str(path)

    return find


@pytest.fixture(scope="session")
def needs_package() -> Callable[[str], None]:
    """See that a Python package that a test needs is installed, or skip and say so."""

    def find(package: str) -> None:
        if importlib.util.find_spec(package) is None:
            absent(f"the Python package {package}")

    return find


@pytest.fixture
def saltmarsh() -> Path:
    """The settings of the invented site."""
    return Path(__file__).parents[1] / "edge" / "saltmarsh.toml"


@pytest.fixture
def recording() -> Callable[[str], Path]:
    """A published recording that lies beside the checkout, or a skip that says so."""

    def find(name: str) -> Path:
        path = RECORDINGS / name
        if not path.exists():
            absent(f"the published recording {name} (shared/recordings beside the checkout)")
        return path

    return find
