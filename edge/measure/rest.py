"""One rest of the generator: what its pressure says about the loss."""

from collections.abc import Callable
from typing import Any

from edge.core.bins import Bins
from edge.core.gas import flow_l_min
from edge.core.kept import Kept
from edge.core.units import STANDARD_C, ZERO_C_K
from edge.measure.weather import Loss, Weather
from edge.model import Event, iso
from edge.words import Words

PIECE_S = 86400.0
"""A rest longer than this is measured day by day: a day holds all of the weather's daily swing."""

SHORTEST_S = 180.0

LONGEST_SETTLING_S = 1800.0
"""What a rest first seen under way leaves out, as nobody knows how long ago the run was."""


def settle_s(rest_s: float) -> float:
    """What is left out at the start of a rest of given length: a fifth, from 1 to 30 minutes.

    After a run the gas cools from its compression and the check valve seats (common practice, no
    source for the minutes).
    """
    return min(max(0.2 * rest_s, 60.0), LONGEST_SETTLING_S)


class Rest(Kept):
    """A rest under way; `close` turns it into an `idle_measured` event."""

    KEPT = ("start_t", "settling_s", "lagged", "bins", "last_t")

    def __init__(
        self,
        section: str,
        reference_absolute_kpa: float,
        volume_l: float | None,
        weather: Weather,
        words: Words,
    ) -> None:
        self._section = section
        self._reference_absolute_kpa = reference_absolute_kpa
        self._volume_l = volume_l
        self._weather = weather
        self._words = words
        self.start_t: float | None = None  # None: no rest that may be measured
        self.settling_s: float | None = None  # None: by the length of the rest
        self.lagged: list[float] = []
        self.bins = Bins()
        self.last_t = 0.0

    def begin(self, t: float, settling_s: float | None = None) -> None:
        """`settling_s` is what to leave out of a rest whose start was not seen."""
        self.start_t, self.settling_s, self.last_t = t, settling_s, t
        self.lagged = list(self._weather.lagged)
        self.bins.clear()

    def drop(self) -> None:
        self.start_t = None
        self.bins.clear()

    def add(self, t: float, kpa: float, celsius: float | None, barometer_kpa: float | None) -> None:
        self.bins.add(t, kpa, celsius, barometer_kpa)
        self.last_t = t

    def full(self, t: float) -> bool:
        """Whether a day's piece of this rest is ready to be measured."""
        return self.start_t is not None and t - self.start_t >= PIECE_S

    def go_on(self, t: float) -> None:
        """Begin the next piece of the same rest."""
        self.begin(t, 0.0)

    def close(self, end_t: float, stamp: Callable[[float], float]) -> Event | None:
        """What this rest measured up to `end_t`, or None where it was too short to say.

        `stamp` turns steady time into seconds since 1970.
        """
        if self.start_t is None:
            return None
        if self.last_t > end_t:
            self.bins.keep_before(end_t)
        rest_s = end_t - self.start_t
        skip_s = settle_s(rest_s) if self.settling_s is None else max(self.settling_s, 0.0)
        if rest_s - skip_s < SHORTEST_S:
            return None
        loss = self._weather.measure(self.bins, self.lagged, skip_s)
        if loss is None:
            return None
        self._weather.learn(self.bins, self.lagged, self.start_t, skip_s)
        # A choked leak goes with pressure and with the root of temperature: brought to a common
        # footing before rests are compared.
        celsius = STANDARD_C if loss.mean_c is None else loss.mean_c
        footing = loss.mean_absolute_kpa * (celsius + ZERO_C_K) ** 0.5
        widen = self._weather.allow_for_scatter(
            end_t,
            loss.kpa_per_h / footing,
            loss.sd_kpa_per_h / footing,
            phased=loss.phased,
        )
        if loss.mean_c is not None:
            # Without a temperature any site's weather is allowed for, and a quiet one may have
            # less; with one, the interval is the site's own already.
            widen = max(widen, 1.0)
        wide = loss._replace(sd_kpa_per_h=loss.sd_kpa_per_h * widen)
        return self._event(wide, self.start_t + skip_s, end_t, stamp)

    def so_far(self, t: float, since_t: float, stamp: Callable[[float], float]) -> Event | None:
        """What the rest under way has measured since a second of it, at `t`; nothing is closed and
        nothing learned from it. None where it is too short to say."""
        if self.start_t is None:
            return None
        rest_s = t - self.start_t
        skip_s = settle_s(rest_s) if self.settling_s is None else max(self.settling_s, 0.0)
        skip_s = max(skip_s, since_t - self.start_t)
        if rest_s - skip_s < SHORTEST_S:
            return None
        loss = self._weather.measure(self.bins, self.lagged, skip_s)
        return None if loss is None else self._event(loss, self.start_t + skip_s, t, stamp)

    def _event(
        self, loss: Loss, start_t: float, end_t: float, stamp: Callable[[float], float]
    ) -> Event:
        words = self._words
        numbers: dict[str, Any] = {
            "started": iso(stamp(start_t)),
            "idle_s": round(end_t - start_t, 3),
            "loss_kpa_per_h": round(loss.kpa_per_h, 5),
            "loss_low_kpa_per_h": round(loss.low, 5),
            "loss_high_kpa_per_h": round(loss.high, 5),
            "loss_at_reference_kpa_per_h": round(
                loss.kpa_per_h * self._reference_absolute_kpa / loss.mean_absolute_kpa, 5
            ),
            "temperature_used": loss.mean_c is not None,
        }
        if loss.mean_c is not None:
            numbers["temperature_c"] = round(loss.mean_c, 3)
        text = (
            f"Over {words.duration(end_t - start_t)} of rest the pressure was lost at"
            f" {words.rate(loss.kpa_per_h)} ({words.between(loss.low, loss.high)} with 95 %"
            " confidence"
        )
        text += ", freed of the measured temperature)" if loss.mean_c is not None else ")"
        if self._volume_l is not None:
            celsius = STANDARD_C if loss.mean_c is None else loss.mean_c
            flow = flow_l_min(self._volume_l, loss.kpa_per_h, celsius)
            numbers["loss_l_min"] = round(flow, 5)
            text += f": {words.flow(flow)}"
        return Event(stamp(end_t), "idle_measured", text + ".", self._section, numbers)
