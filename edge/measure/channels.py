"""Which channels have stopped speaking, and which speak again."""

from collections.abc import Callable, Collection

from edge.core.kept import Kept
from edge.model import Event, Tick
from edge.settings import Settings

FAILED_S = 5.0
FAILED_LOOKS = 3
"""A channel has failed after so many looks without a value, over so many seconds at least."""

RECOVERED_S = 10.0


class Channels(Kept):
    """Follows every fitted channel's silence."""

    KEPT = ("silent", "failed", "speaking")

    def __init__(self, settings: Settings, absent: Collection[str] = ()) -> None:
        self._names = [c.name for c in settings.channel]
        self._fitted = [(i, n) for i, n in enumerate(self._names) if n not in absent]
        self._quiet = len(self._names) - len(self._fitted)
        self.section = settings.section
        self.silent: dict[str, list[float]] = {}  # name: since, looks
        self.failed: dict[str, str] = {}  # name: why
        self.speaking: dict[str, float] = {}  # failed, but with a value again since

    def look(self, tick: Tick, stamp: Callable[[float], float]) -> list[Event]:
        values = tick.values
        if values.count(None) == self._quiet and not self.silent and not self.failed:
            return []
        facts: list[Event] = []
        for i, name in self._fitted:
            if values[i] is None:
                self._silent(name, tick, stamp, facts)
            elif name in self.silent or name in self.failed:
                self._speaks(name, tick.t, stamp, facts)
        return facts

    def _silent(
        self, name: str, tick: Tick, stamp: Callable[[float], float], facts: list[Event]
    ) -> None:
        self.speaking.pop(name, None)
        since = self.silent.setdefault(name, [tick.t, 0])
        since[1] += 1
        if name in self.failed or since[1] < FAILED_LOOKS or tick.t - since[0] < FAILED_S:
            return
        why = tick.faults.get(name, "no reading")
        self.failed[name] = why
        facts.append(
            Event(
                stamp(since[0]),
                "channel_failed",
                f"The channel {name} stopped giving readings: {why}.",
                self.section(name),
                {"channel": name, "why": why},
            )
        )

    def _speaks(
        self, name: str, t: float, stamp: Callable[[float], float], facts: list[Event]
    ) -> None:
        self.silent.pop(name, None)
        if name not in self.failed:
            return
        since = self.speaking.setdefault(name, t)
        if t - since < RECOVERED_S:
            return
        why = self.failed.pop(name)
        del self.speaking[name]
        facts.append(
            Event(
                stamp(since),
                "channel_recovered",
                f"The channel {name} gives readings again.",
                self.section(name),
                {"channel": name, "why": why},
            )
        )
