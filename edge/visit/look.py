"""One step at the moment it is concluded: what is known then, and what is said of it. Pure.

Figures, sentences, findings, and which earlier findings it clears because it proved the contrary.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from edge.measure.cells import Cells
from edge.measure.supply import Supply
from edge.model import iso
from edge.settings import Settings
from edge.visit.findings import KINDS
from edge.visit.watch import Watch
from edge.words import Words

FLUSHED_S = 300.0
"""A run under way shows the gas of the valve as it was so long ago, or later (common practice)."""


@dataclass
class Look:
    """One step at the moment it is concluded."""

    settings: Settings
    words: Words
    values: Mapping[str, Any]
    watch: Watch
    supply: Supply
    systems: Mapping[str, float | None]
    cells: Cells
    t: float
    at: float
    since_at: float  # when the visit began
    figures: list[dict[str, Any]] = field(default_factory=list)
    says: list[str] = field(default_factory=list)
    findings: list[dict[str, str]] = field(default_factory=list)
    clears: list[str] = field(default_factory=list)  # kinds of findings, or kind:place
    nitrogen_since: float = 0.0  # findings of a bypass from before then are proved to be over
    undone: list[str] = field(default_factory=list)  # what was not looked at or not done

    def number(self, key: str) -> float | None:
        value = self.values.get(key)
        return None if value in (None, "") else float(value)

    def not_done(self, why: str) -> None:
        self.undone.append(why)
        self.says.append(f"Not done: {why}.")

    def nitrogen(self, began_at: float, at: float) -> None:
        """A run that began then had nitrogen at `at`: it proves the valve for what was found before
        the run, or long enough before that moment of it."""
        self.nitrogen_since = max(self.nitrogen_since, began_at, at - FLUSHED_S)

    def figure(
        self,
        what: str,
        value: float | None,
        quantity: str | None = None,
        source: str = "entered",
        *,
        text: str = "",
        sd: float | None = None,
        note: str = "",
        at: float | None = None,
    ) -> None:
        """A value without a quantity is a percentage; `sd` is one standard uncertainty."""
        self.figures.append(
            {
                "what": what,
                "value": None if value is None else round(value, 5),
                "quantity": "fraction" if quantity is None and value is not None else quantity,
                "text": text,
                "at": iso(self.at if at is None else at),
                "source": source,
                "uncertainty": None if sd is None else round(sd, 5),
                "note": note,
            }
        )

    def find(self, key: str, text: str, place: str = "") -> None:
        """`place` tells findings of one kind apart that are cleared each by itself."""
        kind = KINDS[key]
        found = {"key": key, "name": kind.name, "text": text, "todo": kind.todo, "place": place}
        self.findings.append(found)
        self.says.append(f"{kind.name[0].upper()}{kind.name[1:]}: {text}")
