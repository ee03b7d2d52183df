"""Asking the monitor from a shell."""

from pathlib import Path

import pytest

from edge.__main__ import main
from edge.core.units import PSI
from edge.settings import load
from edge.store.requests import Box
from edge.store.write import Writer


@pytest.mark.parametrize(
    "words", [["hold", "start"], ["hold", "stop"], ["baseline", "learn"], ["baseline", "set", "1 psi/h"]]
)  # fmt: skip
def test_nobody_is_asked_where_no_monitor_was_started(
    words: list[str], tmp_path: Path, saltmarsh: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A mistyped state folder is said, nothing is made there, and the exit status is no success."""
    state = tmp_path / "stat"
    assert main([*words, "--settings", str(saltmarsh), "--state", str(state)]) == 2
    said = capsys.readouterr()
    assert "expected the state folder of a monitor" in said.err
    assert "Asked" not in said.out
    assert not state.exists()


def test_a_commissioned_loss_is_asked_for_and_never_below_zero(
    tmp_path: Path, saltmarsh: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """What `baseline set` posts is the loss in inside units with a twentieth as its uncertainty; a
    loss below zero is refused with what was expected."""
    Writer(tmp_path, load(saltmarsh), []).close()
    where = ["--settings", str(saltmarsh), "--state", str(tmp_path)]
    assert main(["baseline", "set", "1.2 psi/h", "--by", "Ines", *where]) == 0
    box = Box(tmp_path)
    (asked,) = box.waiting()
    box.close()
    assert (asked.kind, asked.by) == ("baseline_set", "Ines")
    assert asked.what["loss_kpa_per_h"] == pytest.approx(1.2 * PSI)
    assert asked.what["sd"] == pytest.approx(0.06 * PSI)
    capsys.readouterr()
    assert main(["baseline", "set", *where, "--", "-1 psi/h"]) == 2
    assert 'LOSS: expected no less than zero, as a loss is told, found "-1 psi/h"' in (
        capsys.readouterr().err
    )
