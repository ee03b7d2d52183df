"""The newest readings and what is known now, in the one shape that page and messages share."""

import json
import os
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from edge.model import QUANTITIES, Reading, Tick, iso

_ENCODER = json.JSONEncoder(ensure_ascii=False, check_circular=False, separators=(",", ":"))


class Latest:
    """Remembers when each channel last had a value; builds {"at", "tick", "channels", ...}."""

    def __init__(self) -> None:
        self._good: dict[str, float] = {}
        self._tick = 0

    def see(self, tick: Tick, readings: Sequence[Reading]) -> None:
        """Take note of a tick, composed or not."""
        self._tick += 1
        for reading in readings:
            if reading.value is not None:
                self._good[reading.channel] = tick.t

    def compose(
        self,
        tick: Tick,
        readings: Sequence[Reading],
        written_utc: float,
        picture: Mapping[str, Any],
        monitor: Mapping[str, Any],
    ) -> dict[str, Any]:
        """JSON-ready; of the tick that was seen last."""
        channels: dict[str, Any] = {}
        for reading in readings:
            good = self._good.get(reading.channel)
            channels[reading.channel] = {
                "quantity": reading.quantity,
                "value": reading.value,
                "unit": QUANTITIES[reading.quantity].unit,
                "status": str(reading.status),
                "why": reading.why,
                "age_s": None if good is None else round(tick.t - good, 3),
                "volts": reading.volts,
            }
        return {
            "at": iso(tick.t + tick.offset_s),
            "written_at": iso(written_utc),
            "tick": self._tick,
            "channels": channels,
            "picture": picture,
            "monitor": monitor,
        }


def write(path: Path, latest: Mapping[str, Any]) -> None:
    """Put `latest` in place of the file in one step, so that a reader never sees half of it.

    The file belongs in memory (a tmpfs): it is written every tick and not made to last.
    OSError as the system says it.
    """
    fresh = f"{path}.new"
    text = _ENCODER.encode(latest)
    file = os.open(fresh, os.O_WRONLY | os.O_CREAT | os.O_TRUNC | os.O_CLOEXEC, 0o644)
    with os.fdopen(file, "wb") as out:  # which goes on after a write that took only a part
        out.write(text.encode())
    os.replace(fresh, path)
