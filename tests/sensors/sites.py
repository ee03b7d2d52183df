"""Settings for the sensors' tests: the invented site with the channels a test names."""

from typing import Any

from edge.settings import Settings, check


def site(*channels: dict[str, Any]) -> Settings:
    """Checked settings whose supply uses the first channel of each quantity; where no channel is
    a pressure, a simulated one comes last."""
    rows = list(channels)
    if all(row["quantity"] != "pressure" for row in rows):
        rows.append({"name": "spare", "quantity": "pressure", "unit": "psi", "input": "simulated"})
    used = {
        row["quantity"]: row["name"]
        for row in reversed(rows)
        if row["quantity"] in ("pressure", "oxygen", "running", "temperature")
    }
    return check(
        {
            "site": {"name": "Saltmarsh Lane depot", "id": "saltmarsh-lane"},
            "supply": {**used, "cut_in": "38 psi", "cut_out": "52 psi"},
            "channel": rows,
        }
    )
