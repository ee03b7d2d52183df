"""A recording is held to what its channels can read."""

from pathlib import Path

import pytest

from edge import recording
from edge.core import scale
from edge.settings import load

NE_43 = (-0.4 / 16.0 * 16.0, 17.0 / 16.0 * 16.0)
"""0 to 16 bar at 4 to 20 mA: what 3.6 and 21 mA show, the fault limits of NAMUR NE 43."""


def test_a_reading_beyond_its_channel_is_none_of_the_sensors(
    tmp_path: Path, saltmarsh: Path
) -> None:
    """999 psi on a channel of 0 to 100 psi is no pressure but a fault that says so; what the same
    channel can read stays; a 4-20 mA channel ends at NE 43's fault limits."""
    path = tmp_path / "r.csv"
    path.write_text(
        "time,line_pressure [psi]\n2026-11-25T08:00:00Z,999\n2026-11-25T08:00:01Z,100\n"
    )
    far, near = recording.Recording(path, load(saltmarsh), pytest.fail)
    assert far.values[0] is None
    assert far.faults["line_pressure"] == (
        "999 in the recording, beyond what line_pressure can read"
    )
    assert near.values[0] == pytest.approx(689.4757, abs=1e-3)
    assert scale.beyond((4.0, 20.0), (0.0, 16.0), milliamps=True) == pytest.approx(NE_43)
