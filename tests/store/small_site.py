"""The smallest site that has a run contact."""

RAW = {
    "site": {"name": "Saltmarsh Lane depot", "id": "saltmarsh-lane"},
    "supply": {"pressure": "line", "running": "run", "cut_in": "38 psi", "cut_out": "52 psi"},
    "channel": [
        {"name": "line", "quantity": "pressure", "unit": "kPa", "input": "simulated"},
        {"name": "run", "quantity": "running", "input": "simulated"},
    ],
}
