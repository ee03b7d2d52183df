"""Calibrations as they were made: the correction in force, and how each cell has aged."""

from collections.abc import Mapping
from datetime import datetime
from typing import Any

from edge.core.calibration import Correction


class Cells:
    """Hears every `calibrated` event, oldest first. They are kept in the database as events, so
    this has no state of its own."""

    def __init__(self) -> None:
        self.history: dict[str, list[Mapping[str, Any]]] = {}

    def hear(self, event: Mapping[str, Any]) -> None:
        """`event` as JSON: channel, gain, offset, output_rel, point, new_cell, at."""
        self.history.setdefault(str(event["channel"]), []).append(event)

    def correction(self, channel: str) -> Correction:
        past = self.history.get(channel)
        return Correction(past[-1]["gain"], past[-1]["offset"]) if past else Correction()

    def at(self, channel: str) -> float | None:
        """When it was last calibrated, seconds since 1970 UTC; None for never."""
        past = self.history.get(channel)
        return datetime.fromisoformat(past[-1]["at"]).timestamp() if past else None

    def outputs(self, channel: str) -> list[tuple[str, float]]:
        """Each time and its output in air, as a share of what the settings' scale expects, since
        the cell was new."""
        past = [e for e in self.history.get(channel, []) if e["point"] == "air"]
        first = max((i for i, e in enumerate(past) if e.get("new_cell")), default=0)
        return [(str(e["at"]), float(e["output_rel"])) for e in past[first:]]

    def air(self, channel: str) -> Mapping[str, Any] | None:
        """The last calibration in air."""
        past = [e for e in self.history.get(channel, []) if e["point"] == "air"]
        return past[-1] if past else None
