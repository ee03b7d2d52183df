"""Readings gathered over equal stretches of steady time: how many, least, mean and most."""

from collections.abc import Iterable, Sequence

from edge.store.codec import Number

Cell = list[int] | None
"""[n, min, mean, max] in grid steps, or None where nothing was read."""

Row = tuple[int, list[Cell]]
"""The stretch's start in whole seconds, and a cell for each channel."""


class RollUp:
    """One size of stretch, (start, start + length]; a row comes out when a stretch is over."""

    def __init__(self, length_s: int, channels: int) -> None:
        self.length_s = length_s
        self._channels = channels
        self._place: int | None = None
        self._cells: list[list[int] | None] = [None] * channels

    def copy(self) -> "RollUp":
        """The same, to be fed without changing this one."""
        twin = RollUp(self.length_s, self._channels)
        twin._place = self._place
        twin._cells = [None if cell is None else list(cell) for cell in self._cells]
        return twin

    def feed(self, readings: Iterable[tuple[int, Sequence[Number]]]) -> list[Row]:
        """Rows that these readings finished; times in steady ms, rising."""
        rows: list[Row] = []
        for t_ms, values in readings:
            place = (t_ms - 1) // (self.length_s * 1000)
            if place != self._place:
                rows += self._finished()
                self._place = place
            for channel, value in enumerate(values):
                if value is None:
                    continue
                cell = self._cells[channel]
                if cell is None:
                    self._cells[channel] = [1, value, value, value]
                else:
                    cell[0] += 1
                    cell[1] = min(cell[1], value)
                    cell[2] += value  # the sum, until finished
                    cell[3] = max(cell[3], value)
        return rows

    def _finished(self) -> list[Row]:
        if self._place is None:
            return []
        cells: list[Cell] = [
            None if c is None else [c[0], c[1], round(c[2] / c[0]), c[3]] for c in self._cells
        ]
        self._cells = [None] * self._channels
        return [(self._place * self.length_s, cells)]
