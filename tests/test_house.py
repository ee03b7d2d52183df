"""The house rules that tools can check, as part of the tests' one command."""

import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]


@pytest.mark.parametrize(
    "words",
    [
        ("ruff", "check", "--no-cache", "."),
        ("ruff", "format", "--no-cache", "--check", "."),
        ("mypy", "--strict", "-p", "edge", "-p", "web"),
    ],
    ids=lambda words: " ".join(words[:2]),
)
def test_the_linters_find_nothing(words: tuple[str, ...]) -> None:
    """ruff finds no fault, ruff would format nothing anew, and mypy --strict passes both packages."""
    found = subprocess.run(
        [sys.executable, "-m", *words], cwd=ROOT, capture_output=True, text=True, check=False
    )
    assert found.returncode == 0, found.stdout + found.stderr


def test_the_ci_script_runs_readmes_own_test_command() -> None:
    """The line that .ci/run picks out of README is there once, and is the newcomer's command."""
    lines = [
        line for line in (ROOT / "README.md").read_text().splitlines() if line.endswith("-m pytest")
    ]
    assert len(lines) == 1
    assert "python3-venv" in lines[0]
    assert "'.[pi,test]'" in lines[0]
    script = (ROOT / ".ci" / "run").read_text()
    assert "grep -m1 -- '-m pytest$' README.md" in script
    assert "DRYHOLD_NO_SKIPS=1" in script
