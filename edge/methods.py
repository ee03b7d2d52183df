"""The trade's own methods of a hold test, as data. Section numbers of the standards move between
editions, so only the standard is named; the site records the edition in the note."""

from dataclasses import asdict, dataclass
from typing import Any

from edge.core.units import PSI
from edge.model import SUPPLY

ANY_IS_VOID = (
    "a valve is opened (a step or a rise), the pressure sensor fails, more than a fifth of the"
    " readings are missing, or the monitor is away for longer than allowed"
)


def void_on_run(section: str, to_low_limit: bool) -> bool:
    """Whether a start of the generator makes a test void: it feeds the line, and of a system only
    one whose method has the source of gas shut off."""
    return section == SUPPLY or to_low_limit


def void_when(on_run: bool) -> str:
    """What makes a test void, in words."""
    return f"the generator starts, {ANY_IS_VOID}" if on_run else ANY_IS_VOID


@dataclass(frozen=True, slots=True)
class Method:
    """One way to test. A standard or a site's own counts the raw gauge reading, as clauses do:
    it fails when the gauge falls by more than `drop_kpa` within `duration_s`, or, with
    `to_low_limit`, when the section's low-pressure alarm operates, which a person must say.
    Without either (the supply line), the loss freed of the weather decides, against
    limits.hold_loss."""

    name: str
    counts: str
    source: str
    longest_s: float
    duration_s: float | None = None  # the whole of it must pass; None: until the evidence suffices
    drop_kpa: float | None = None
    to_low_limit: bool = False
    at_kpa: float | None = None  # the pressure it is to be done at

    @property
    def void_when(self) -> str:
        if self.to_low_limit:
            return void_when(on_run=True)
        return f"the generator starts (in a test of the supply line), {ANY_IS_VOID}"

    def plain(self) -> dict[str, Any]:
        return asdict(self)


SUPPLY_LINE = "supply line"
ACCEPTANCE_TEST, PERIODIC_TEST = "acceptance 24 h", "periodic 2 h"
SHUT_OFF_TEST = "source shut off 4 h"

STANDARD: tuple[Method, ...] = (
    Method(
        SUPPLY_LINE,
        "the loss at constant temperature and barometer, against limits.hold_loss",
        "common practice, no source",
        longest_s=8 * 3600.0,
    ),
    Method(
        ACCEPTANCE_TEST,
        "the fall of the gauge over 24 h from 40 psi; more than 1.5 psi fails",
        "NFPA 13, acceptance of new dry and double-interlock preaction piping; where the space can"
        " freeze, at its lowest nominal temperature",
        longest_s=86400.0,
        duration_s=86400.0,
        drop_kpa=1.5 * PSI,
        at_kpa=40.0 * PSI,
    ),
    Method(
        PERIODIC_TEST,
        "the fall of the gauge over 2 h from 40 psi; more than 3 psi fails",
        "NFPA 25, every three years, option 1",
        longest_s=7200.0,
        duration_s=7200.0,
        drop_kpa=3.0 * PSI,
        at_kpa=40.0 * PSI,
    ),
    Method(
        SHUT_OFF_TEST,
        "whether the low-pressure alarm operates while the source of gas is shut off for 4 h; if it"
        " does, that fails",
        "NFPA 25, every three years, option 2",
        longest_s=14400.0,
        duration_s=14400.0,
        to_low_limit=True,
    ),
)
