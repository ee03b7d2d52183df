"""Settings for the sensors' tests: the invented site with the channels a test names."""

from typing import Any

from edge.settings import Settings, check


def site(*channels: dict[str, Any]) -> Settings:
    """Checked settings; a simulated supply pressure comes last, where the channels name none."""
    rows = list(channels)
    pressure = next((row["name"] for row in rows if row["quantity"] == "pressure"), None)
    if pressure is None:
        pressure = "spare"
        rows.append({"name": "spare", "quantity": "pressure", "unit": "psi", "input": "simulated"})
    return check(
        {
            "site": {"name": "Saltmarsh Lane depot", "id": "saltmarsh-lane"},
            "supply": {"pressure": pressure, "cut_in": "38 psi", "cut_out": "52 psi"},
            "channel": rows,
        }
    )
