"""What a detector is, and what it can see."""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from typing import Any, ClassVar, NamedTuple

from edge.cause import Cause, diagnose
from edge.core.kept import Kept
from edge.hold.sections import Tests
from edge.measure.baseline import Baseline
from edge.measure.cells import Cells
from edge.measure.channels import Channels
from edge.measure.gas import Gas
from edge.measure.supply import Supply
from edge.measure.system import System
from edge.measure.trend import Trend
from edge.model import SUPPLY, Event
from edge.settings import Settings
from edge.visit.course import Visit
from edge.words import Words
from edge.work import Work

URGENT, SOON, PLANNED = "urgent", "soon", "planned"
"""Priorities by how soon a person must act: at once, within a day or so, at the next visit."""


OUTRUN_S, OUTRUN_WITHIN_S, OUTRUN_KPA = 120.0, 900.0, 0.5
"""Falling is so much within two to fifteen minutes of a run (common practice, no source)."""

STALE_S = 60.0
"""A reading older than this is not the present."""


def place_of(section: str) -> str:
    """A section at the start of a sentence."""
    return "The supply" if section == SUPPLY else section


@dataclass(slots=True)
class Now:
    """The situation at one tick, the same for every detector."""

    settings: Settings
    words: Words
    supply: Supply
    systems: Mapping[str, System]
    channels: Channels
    baseline: Baseline
    trend: Trend
    tests: Tests
    gas: Gas
    visit: Visit
    work: Work
    t: float = 0.0
    kpa: float | None = None  # the supply's pressure if it was read in this tick
    values: tuple[float | None, ...] = ()  # of the channels, in the settings' order
    at: float = 0.0  # the same moment in seconds since 1970 UTC
    facts: list[Event] = field(default_factory=list)  # of this tick

    storage_free_pct: float | None = None
    cells: Cells = field(default_factory=Cells)
    troubles: Mapping[str, str] | None = None
    simulated: tuple[str, ...] = ()  # channels that read no sensor

    def cause(self) -> Cause:
        """What the last runs and rests, beside the commissioned ones, say is the matter."""
        return diagnose(self.baseline, self.trend, self.supply.purity, self.hanging_kpa_per_h())

    def hanging_kpa_per_h(self) -> float | None:
        """The rise so far of a run under way that is far behind its time, else None."""
        supply, rise = self.supply, self.baseline.rise
        if not supply.running or not supply.since_known or supply.since_t is None or not rise:
            return None
        if not supply.by_contact and not supply.pressure_only.climbing(self.t):
            return None
        band = self.settings.supply.cut_out_kpa - self.settings.supply.cut_in_kpa
        run_s = self.t - supply.since_t
        risen = ((supply.kpa or 0.0) - supply.since_kpa) / max(run_s, 1.0) * 3600.0
        late = run_s > 4.0 * band / rise * 3600.0
        return risen if late and risen < 0.5 * rise else None

    def outrun(self) -> bool:
        """Whether the generator surely runs and the pressure falls all the same: then more is lost
        than is made, whatever else is the matter."""
        supply, kpa = self.supply, self.supply.kpa
        if not supply.by_contact or not supply.running or supply.since_t is None or kpa is None:
            return False
        first_t, last_t = max(supply.since_t, self.t - OUTRUN_WITHIN_S), self.t - OUTRUN_S
        seen = [was for t, was in supply.minutes.past if first_t <= t <= last_t]
        return bool(seen) and kpa < seen[-1] - OUTRUN_KPA

    def stands(self, section: str) -> str:
        """The pressure of a section as the end of a sentence about now: "is at 30.3 psi"."""
        place = self.supply if section == SUPPLY else self.systems[section]
        if place.kpa is None:
            return "has not been read"
        if place.t is None or self.t - place.t > STALE_S:
            return f"was at {self.words.pressure(place.kpa)} when it was last read"
        return f"is at {self.words.pressure(place.kpa)}"

    def against(self, section: str, kpa: float) -> str:
        """The same with enough decimals to tell it from another pressure that is shown beside."""
        place = self.supply if section == SUPPLY else self.systems[section]
        if place.kpa is None:
            return self.stands(section)
        apart = self.words.pressure_beside(place.kpa, kpa)
        return self.stands(section).replace(self.words.pressure(place.kpa), apart)


class Telling(NamedTuple):
    """What to say when an alert is raised: `text` in the past tense, since it is read later."""

    text: str
    todo: str
    evidence: Mapping[str, Any] = {}
    cause: str | None = None


class Detector(Kept):
    """Watches for one trouble in one place. Delays and states are the alarm's, not its own."""

    alert: ClassVar[str]
    priority: str
    prompt: ClassVar[bool] = True
    """Looked at on every tick; otherwise once a minute, where seconds do not matter."""
    follows: ClassVar[tuple[str, ...]] = ()
    """Alerts of which this one is a consequence: while one of them stands, this is attached to it
    and told as such, so that one trouble is one alert; an urgent one is raised all the same and
    names it. What outlasts that alert was more than its consequence, and is raised then."""
    lingers_s: float = 0.0
    """How long after the end of such an alert its trace is still in what this one looks at."""
    changes: ClassVar[bool] = False
    """What it says may change while it stands, and is then said anew where it is shown."""
    on_delay_s: float = 0.0
    off_delay_s: float = 0.0

    def __init__(self, section: str, subject: str | None = None) -> None:
        self.section = section
        self.subject = subject

    @classmethod
    def over(cls, settings: Settings) -> Iterator["Detector"]:
        """One detector for each place at this site where this trouble can be judged: the supply."""
        yield cls(SUPPLY)

    def look(self, now: Now, active: bool) -> bool | None:
        """Whether the trouble is there; None when it cannot be judged now.

        `active` is whether the alert stands, for a dead-band between raising and clearing.
        """
        raise NotImplementedError

    def apart(self, now: Now, leader: str) -> bool:
        """Whether the figures say that this is a trouble of its own, though the alert `leader`,
        which may cause it, stands: it is then raised at once."""
        return False

    def tell(self, now: Now) -> Telling:
        """The words and numbers, asked for when the alert is raised."""
        raise NotImplementedError

    def present(self, now: Now, raised: str) -> str:
        """How it stands at this moment, while the alert does; `raised` is what `tell` said. What
        was said needs no other words where it is as true now as then."""
        return raised

    def plain_cause(self, now: Now) -> str | None:
        """The cause where the figures of one moment tell it, without any run or rest ending."""
        return None
