"""The settings for the published compressor recordings.

Source: MetroPT-3, UCI Machine Learning Repository, dataset 791; Davari, Veloso, Ribeiro, Gama,
doi 10.1109/DSAA53316.2021.9564181; Veloso et al., doi 10.1038/s41597-022-01877-3. CC BY 4.0.
"""

import json
from pathlib import Path

from edge.__main__ import main

SETTINGS = """
[site]
name = "Compressor room"
id = "compressor-room"
units = { pressure = "bar" }

[supply]
pressure = "line_pressure"
running = "running"
cut_in = "8.1 bar"
cut_out = "10.1 bar"

[[channel]]
name = "line_pressure"
quantity = "pressure"
unit = "bar"
input = "simulated"

[[channel]]
name = "running"
quantity = "running"
input = "simulated"
"""


def settings(folder: Path) -> Path:
    """The settings as a file in `folder`."""
    path = folder / "compressor.toml"
    path.write_text(SETTINGS)
    return path


def without_contact(source: Path, folder: Path) -> Path:
    """The recording with its `running` column taken out."""
    path = folder / f"pressure-only-{source.name}"
    rows = (line.rsplit(",", 1)[0] for line in source.read_text().splitlines())
    path.write_text("\n".join(rows) + "\n")
    return path


def replay(recording: Path, site: Path, capsys) -> list[dict]:
    """The events that `dryhold replay --json` prints."""
    assert main(["replay", str(recording), "--settings", str(site), "--json"]) == 0
    return [json.loads(line) for line in capsys.readouterr().out.splitlines()]
