"""The periodic work that every site has unless its settings say otherwise: how often, and after what."""

from dataclasses import dataclass

DAY_S, HOUR_S = 86400.0, 3600.0
PRACTICE = "common practice, no source"
LEAKAGE = "leakage test"


@dataclass(frozen=True, slots=True)
class Usual:
    """Work that every such site has; `per_section` for each section that can be tested alone."""

    name: str
    every_s: float | None
    running_s: float | None
    standard: str
    per_section: bool = False


USUAL: tuple[Usual, ...] = (
    # Intervals of NFPA 25 are from memory, and differ between editions.
    Usual("gauges read", 31 * DAY_S, None, "NFPA 25"),
    Usual("low-pressure signal", 92 * DAY_S, None, "NFPA 25"),
    Usual("trip test", 365 * DAY_S, None, "NFPA 25", per_section=True),
    Usual("low-point drains", 365 * DAY_S, None, "NFPA 25", per_section=True),
    Usual(LEAKAGE, 3 * 365.25 * DAY_S, None, "NFPA 25", per_section=True),
    Usual("gauges compared or replaced", 5 * 365.25 * DAY_S, None, "NFPA 25"),
    Usual("filter service", 365 * DAY_S, 2000 * HOUR_S, PRACTICE),
    Usual("compressor service", 365 * DAY_S, 1000 * HOUR_S, PRACTICE),
)
