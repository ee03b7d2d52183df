"""Where to look when a section leaks, given which sections were tested and how. Pure."""

from collections.abc import Mapping, Sequence
from typing import Any, NamedTuple

from edge.hold.decision import HOLDS, LEAKS
from edge.model import SUPPLY

LINE = (
    "between the generator's outlet and the air maintenance devices: unions and fittings of the"
    " supply line, its drain and sample valves, the relief valve, the check valve back into the"
    " generator, the stem of each closed valve"
)
SYSTEM = (
    "downstream of its air maintenance device: low-point drains, the test connection, grooved"
    " couplings, sprinklers, the seat of the dry-pipe or preaction valve and its drain, then the"
    " threads of the oldest pipe"
)


class Last(NamedTuple):
    """The last hold test of a section, as far as it tells where to look."""

    verdict: str
    closed_by: str | None = None  # who confirmed that its device is closed; None: nobody
    as_at_rest: bool = False  # it lost what the line loses in an ordinary rest

    @classmethod
    def of(cls, numbers: Mapping[str, Any]) -> "Last":
        """From the numbers of `hold_test_finished`."""
        checklist = numbers.get("checklist") or {}
        by = checklist.get("confirmed_by") if checklist.get("valves") else None
        at_rest = bool(numbers.get("as_at_rest"))
        return cls(str(numbers["verdict"]), None if by is None else str(by), at_rest)


def look(tested: Mapping[str, Last], sections: Sequence[str]) -> list[str]:
    """Sentences: the side of the valve for each section that leaks, then what is still open.

    `tested` holds the last test of each section that had one; `sections` names all, the supply
    first.
    """
    leaking = [s for s in sections if s in tested and tested[s].verdict == LEAKS]
    holding = [s for s in sections if s in tested and tested[s].verdict == HOLDS]
    systems = [s for s in sections if s != SUPPLY]
    said = [_leaks(section, tested[section]) for section in leaking]
    if len(holding) == len(sections) and systems:
        said.append(
            "Every section holds alone: if the generator still runs often, a device passes gas"
            " where it should not; check each device's bypass valve and what it drains into."
        )
    elif leaking:
        untested = [s for s in sections if s not in tested]
        undecided = [s for s in sections if s in tested and s not in leaking and s not in holding]
        if untested:
            said.append(f"Not tested yet: {_named(untested)}. Test each alone before digging.")
        if undecided:
            said.append(f"Tested, and not told: {_named(undecided)}. Test again before digging.")
    if SUPPLY in leaking and systems:
        said.append(
            "If closing the device more firmly changes the loss, the device itself passes and the"
            " leak is on its far side."
        )
    return said


def _leaks(section: str, test: Last) -> str:
    place, name = (LINE, "The supply line") if section == SUPPLY else (SYSTEM, section)
    if test.as_at_rest:
        question = "loses as in any rest: see that its device was shut."
    elif test.closed_by is None:
        question = "loses gas: see that its device was shut, as nobody has said so."
    else:
        return f"{name} leaks with its device closed, as {test.closed_by} confirmed: look {place}."
    other = "the systems behind it were" if section == SUPPLY else "what fed it was"
    return f"{name} {question} If it was, look {place}. If not, {other} part of the test."


def _named(sections: Sequence[str]) -> str:
    return ", ".join("the supply line" if s == SUPPLY else s for s in sections)
