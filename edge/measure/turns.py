"""Cut-in and cut-out: the turns of the supply, by the run contact or from the pressure alone.

Both followers answer to `follow(t, pressure, running)` with the turns that became known.
"""

from typing import NamedTuple

from edge.core.bins import Bins
from edge.core.fit import bend
from edge.core.kept import Kept


class Turn(NamedTuple):
    """The generator started (`running`) or stopped at steady time `t` and gauge `kpa`."""

    t: float
    kpa: float
    running: bool
    inferred: bool
    seen: bool = True  # False: it lies before the first reading, nobody knows how far


class ByContact(Kept):
    """Turns as the run contact tells them.

    The pressure control trips where the pressure turns, so the cut-in is the lower and the
    cut-out the higher of the readings on either side of the contact's edge.
    """

    KEPT = ("running", "last_kpa", "edge_t")

    def __init__(self) -> None:
        self.running: bool | None = None
        self.last_kpa = 0.0
        self.edge_t: float | None = None  # an edge that no pressure came with

    def hear(self, t: float, running: bool) -> None:
        """The contact at a moment without a pressure reading."""
        if running == self.running:
            self.edge_t = None
        elif self.edge_t is None:
            self.edge_t = t

    def follow(self, t: float, kpa: float, running: float) -> Turn | None:
        before, self.running = self.running, running > 0.5
        last, self.last_kpa = self.last_kpa, kpa
        edge_t, self.edge_t = self.edge_t, None
        if before is None or before == self.running:
            return None
        edge_kpa = min(last, kpa) if self.running else max(last, kpa)
        return Turn(t if edge_t is None else edge_t, edge_kpa, self.running, inferred=False)

    def forget(self) -> None:
        """Readings are missing: what turned meanwhile was not seen."""
        self.running = self.edge_t = None


WINDOW, HAMPEL = 5, 3.0 * 1.4826
"""Readings looked at together, and how far from their median, in median deviations, one stands apart:
three standard deviations of normal noise."""

WARMING_K_PER_H = 12.0
WARMING_K = 25.0
"""The fastest and the farthest that sun or a heated room warms the gas in a pipe, as an
allowance (worked out, no source): a rise within both may be weather and is not called a run."""


class FromPressure(Kept):
    """Turns as the pressure alone shows them, each known only some time after it happened.

    Each reading is looked at between the two before and the two after it, and one that stands apart
    from them is passed over (after Hampel, 1974; the filter as in Pearson, 2002, from memory): two
    wild readings in a row are no turn. A slope or a corner moves nothing.

    Resting, the lowest reading since the last turn is remembered; a rise from it is a run when
    weather could not have made it. Running, the highest is remembered; the run has ended when
    the pressure has fallen from it, or has stood still near cut-out for longer than its pace
    allows. The turn is put where the lines before and after it cross.
    """

    KEPT = (
        "running",
        "noise_kpa",
        "low_t",
        "low_kpa",
        "high_t",
        "high_kpa",
        "before",
        "after",
        "last",
        "pace_kpa_per_h",
        "mark_t",
        "mark_kpa",
        "tip_kpa",
        "step_t",
        "step_kpa",
        "sure_t",
        "turned_t",
        "turned_kpa",
        "count",
        "window",
    )

    def __init__(
        self,
        cut_in_kpa: float,
        cut_out_kpa: float,
        tolerance_kpa: float,
        atmosphere_kpa: float,
        pace_kpa_per_h: float | None = None,
    ) -> None:
        """`pace_kpa_per_h` is the rise to expect of a run, where production and volume tell one."""
        self.cut_in_kpa = cut_in_kpa
        self.cut_out_kpa = cut_out_kpa
        self.band_kpa = cut_out_kpa - cut_in_kpa
        self.tolerance_kpa = tolerance_kpa
        self.warming_kpa = (cut_out_kpa + atmosphere_kpa) / 290.0  # per kelvin
        self.running: bool | None = None
        self.noise_kpa = 0.0
        self.pace_kpa_per_h = pace_kpa_per_h  # of the last run, or to be expected
        self.before = Bins()  # since the last turn, up to the extreme
        self.after = Bins()  # since the extreme
        self.last: list[list[float]] = []
        self.low_t = self.high_t = self.turned_t = 0.0
        self.low_kpa = self.high_kpa = self.tip_kpa = self.turned_kpa = 0.0
        self.mark_t = self.mark_kpa = 0.0  # the last of a run's small steps up
        self.step_t = self.step_kpa = 0.0  # when the run was last seen to rise
        self.sure_t = 0.0  # up to when it surely ran
        self.count = 0
        self.window: list[list[float]] = []  # the newest readings, not all followed yet

    def forget(self) -> None:
        """Readings are missing: what turned meanwhile was not seen."""
        self.running = None
        self.count = 0
        self.last = []
        self.window = []
        self.before.clear()
        self.after.clear()

    def follow(self, t: float, kpa: float) -> Turn | None:
        self.window = [*self.window[1 - WINDOW :], [t, kpa]]
        if len(self.window) <= WINDOW // 2:
            return None
        if len(self.window) < WINDOW:
            # The first ones have no two before them.
            return self._follow(*self.window[len(self.window) - 1 - WINDOW // 2])
        at, reading = self.window[WINDOW // 2]
        middle = sorted(row[1] for row in self.window)[WINDOW // 2]
        spread = sorted(abs(row[1] - middle) for row in self.window)[WINDOW // 2]
        apart = max(HAMPEL * spread, 6.0 * self.noise_kpa, 0.02 * self.band_kpa)
        return self._follow(at, middle if abs(reading - middle) > apart else reading)

    def _follow(self, t: float, kpa: float) -> Turn | None:
        self._hear(t, kpa)
        if self.count <= 1:
            self._begin(t, kpa)
            return None
        if len(self.last) < 3:
            return None
        # One reading alone is no extreme: a spike must not become a corner. So the middle one
        # of three is followed, at its own time.
        middle = sorted(row[1] for row in self.last)[1]
        at = self.last[1][0]
        return self._run(at, middle) if self.running else self._rest(at, middle)

    @property
    def rising(self) -> bool:
        """Whether the pressure, not known to be running, stands clear above its lowest."""
        if self.running or not self.last:
            return False
        clear = max(6.0 * self.noise_kpa, 0.02 * self.band_kpa)
        newest = sorted(row[1] for row in self.window[-3:])
        return newest[len(newest) // 2] > self.low_kpa + clear

    def climbing(self, t: float) -> bool:
        """Whether a run under way is surely still raising the pressure: it rose at its pace just now."""
        if not self.running or self.mark_t <= self.turned_t:
            return False
        return t - self.step_t <= 2.0 * self._step_s()

    def _hear(self, t: float, kpa: float) -> None:
        self.last.append([t, kpa])
        self.count += 1
        if len(self.last) > 3:
            del self.last[0]
        if len(self.last) == 3:
            (ta, a), (tb, b), (tc, c) = self.last
            off = b - (a + (c - a) * (tb - ta) / (tc - ta))
            # Mean of what is clipped at twice the noise, so that spikes hardly count; 0.78 is its
            # share of the standard deviation for normal noise, √1.5 that of a bend of three.
            size = min(abs(off) / 1.2247, 2.0 * self.noise_kpa + 0.1)
            share = max(0.01, 1.0 / self.count)
            self.noise_kpa += share * (size / 0.78 - self.noise_kpa)

    def _begin(self, t: float, kpa: float) -> None:
        self.low_t = self.high_t = self.turned_t = t
        self.low_kpa = self.high_kpa = self.tip_kpa = self.turned_kpa = kpa
        self.mark_t, self.mark_kpa, self.step_t, self.step_kpa = t, kpa, t, kpa
        self.before.clear()
        self.after.clear()
        self.after.add(t, kpa, None, None)

    def _pool(self) -> None:
        """What was after the old extreme lies before the new one."""
        for one in self.after.bins:
            self.before.add(one[0], one[3] / one[1], None, None)
        self.after.clear()

    def _rest(self, t: float, kpa: float) -> Turn | None:
        if kpa <= self.low_kpa + 2.0 * self.noise_kpa:
            # As low as noise can tell: the rest goes on, however long ago the very lowest was.
            self._pool()
            self.low_t, self.low_kpa = t, min(kpa, self.low_kpa)
            self.tip_kpa = min(row[1] for row in self.last)
        self.after.add(t, kpa, None, None)
        rise = kpa - self.low_kpa
        least = max(6.0 * self.noise_kpa, 0.1 * self.band_kpa)
        if rise < least or t <= self.low_t:
            return None
        pace = rise / (t - self.low_t) * 3600.0
        in_place = abs(self.low_kpa - self.cut_in_kpa) <= max(
            self.tolerance_kpa, 0.1 * self.band_kpa
        )
        expected = self.pace_kpa_per_h
        faster_than_sun = pace > 1.5 * WARMING_K_PER_H * self.warming_kpa
        as_before = (
            expected is not None
            and in_place
            and pace > 0.5 * expected
            and rise > 0.3 * self.band_kpa
        )
        # A slow rise is told from weather by going farther than weather can, or by filling the
        # band from its foot; more easily where runs are known to be that slow.
        known_slow = expected is not None and pace > 0.3 * expected
        share = 0.6 if known_slow else 0.9
        farther_than_sun = rise > WARMING_K * self.warming_kpa or (
            in_place and rise > share * self.band_kpa
        )
        if not (faster_than_sun or as_before or farther_than_sun):
            return None
        # The middle of three shaves the tip off a sharp turn: give back what one step could hold.
        tip = 3.0 * self.noise_kpa + 0.01 * self.band_kpa
        corner_t = self._corner(self.low_t, self.low_kpa)
        corner_kpa = max(self.tip_kpa, self.low_kpa - tip)
        # A rise from the very first reading on is a run that had begun before.
        seen = self.running is not None or len(self.before) >= 2
        self._turn(corner_t, corner_kpa, t, kpa, running=True)
        return Turn(corner_t, corner_kpa, True, True, seen)

    def _run(self, t: float, kpa: float) -> Turn | None:
        small = max(6.0 * self.noise_kpa, 0.02 * self.band_kpa)
        if kpa >= self.high_kpa:
            self._pool()
            self.high_t, self.high_kpa = t, kpa
            self.tip_kpa = max(row[1] for row in self.last)
        if kpa >= self.mark_kpa + small:
            self.mark_t, self.mark_kpa = t, kpa
        if kpa >= self.step_kpa + self._grain_kpa():
            # A step at a third of the pace may be the sun's, after the generator stopped.
            quick = t - self.step_t <= 3.0 * self._step_s()
            self.sure_t = t if quick else self.sure_t
            self.step_t, self.step_kpa = t, kpa
        self.after.add(t, kpa, None, None)
        fall = self.high_kpa - kpa
        near_cut_out = self.high_kpa >= self.cut_out_kpa - max(
            self.tolerance_kpa, 0.1 * self.band_kpa
        )
        stalled = False
        if near_cut_out:
            # Risen at less than a third of the run's pace: the sun may go on raising what the
            # generator no longer does.
            patience_s = 3.0 * small / self._pace() * 3600.0
            stalled = t - self.mark_t > patience_s and len(self.after) >= 4
            ended = stalled or fall > small
        else:
            # Short of cut-out a supply may hang where loss and production meet, up and down a
            # little: only a fall through half the band, or one that undoes a good part of a
            # rise through most of it, shows that it stopped.
            rise = self.high_kpa - self.turned_kpa
            enough = 0.35 * rise if rise > 0.6 * self.band_kpa else 0.5 * self.band_kpa
            ended = fall > max(6.0 * self.noise_kpa, enough)
        if not ended:
            return None
        self.pace_kpa_per_h = pace = self._pace()
        step_s = (self.last[2][0] - self.last[0][0]) / 2.0
        tip = 3.0 * self.noise_kpa + pace * step_s / 3600.0
        if stalled:
            corner_t = self._corner(self.mark_t, self.mark_kpa)
            past_s = max(corner_t - self.mark_t, 0.0)
            corner_kpa = min(self.high_kpa, self.mark_kpa + pace * past_s / 3600.0 + tip)
        else:
            corner_t = self._corner(self.high_t, self.high_kpa)
            corner_kpa = min(self.tip_kpa, self.high_kpa + tip)
        self._turn(corner_t, corner_kpa, t, kpa, running=False)
        return Turn(corner_t, corner_kpa, False, inferred=True)

    def _pace(self) -> float:
        """The rise of the run under way up to its last small step, kPa/h."""
        risen = max(self.mark_kpa - self.turned_kpa, 1e-6)
        return risen / max(self.mark_t - self.turned_t, 1.0) * 3600.0

    def _step_s(self) -> float:
        """How long the run takes for its smallest step that noise does not make."""
        return 15.0 + self._grain_kpa() / self._pace() * 3600.0

    def _grain_kpa(self) -> float:
        return max(4.0 * self.noise_kpa, 0.003 * self.band_kpa)

    def _corner(self, t: float, kpa: float) -> float:
        """When the lines before and after an extreme cross; `t` where too little is known.

        Noise puts the extreme of a slow rest some readings early and that of a fast run late: all
        that stands as near to the extreme as noise may reach is looked at, and a little before;
        but not so long before that the weather's own bends are met, nor with their weight.
        """
        before = [(b[2] / b[1], b[3] / b[1], min(b[1], 4.0)) for b in self.before.bins]
        after = [(b[2] / b[1], b[3] / b[1], min(b[1], 4.0)) for b in self.after.bins]
        near = max(6.0 * self.noise_kpa, 0.02 * self.band_kpa)
        reach_s = 4.0 * (after[-1][0] - t) if after else 0.0
        i = len(before)
        while i > 0 and abs(before[i - 1][1] - kpa) < near and t - before[i - 1][0] < reach_s:
            i -= 1
        crossing = bend([*before[max(i - 8, 0) :], *after])
        return t if crossing is None else crossing

    def _turn(
        self, corner_t: float, corner_kpa: float, t: float, kpa: float, *, running: bool
    ) -> None:
        self.running = running
        self.turned_t, self.turned_kpa = corner_t, corner_kpa
        since = self.after
        since.keep_after(corner_t)
        self.before, self.after = Bins(), since
        self._pool()
        self.low_t = self.high_t = t
        self.low_kpa = self.high_kpa = self.tip_kpa = kpa
        self.mark_t, self.mark_kpa, self.step_t, self.step_kpa = t, kpa, t, kpa
        self.after.add(t, kpa, None, None)
