"""Where to look when a section leaks, given which sections were tested and how. Pure."""

from collections.abc import Mapping, Sequence

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


def look(verdicts: Mapping[str, str], sections: Sequence[str]) -> list[str]:
    """Sentences: the side of the valve for each section that leaks, then what is still open.

    `verdicts` holds the last verdict of each section that was tested; `sections` names all, the
    supply first.
    """
    said = []
    for section in sections:
        if verdicts.get(section) == LEAKS:
            place, name = (LINE, "The supply line") if section == SUPPLY else (SYSTEM, section)
            said.append(f"{name} leaks with its device closed: look {place}.")
    leaking = [s for s in sections if verdicts.get(s) == LEAKS]
    holding = [s for s in sections if verdicts.get(s) == HOLDS]
    untold = [s for s in sections if s not in leaking and s not in holding]
    systems = [s for s in sections if s != SUPPLY]
    if not leaking and not untold and systems:
        said.append(
            "Every section holds alone: if the generator still runs often, a device passes gas"
            " where it should not; check each device's bypass valve and what it drains into."
        )
    elif leaking and untold:
        names = ", ".join("the supply line" if s == SUPPLY else s for s in untold)
        said.append(f"Not told yet: {names}. Test each alone before digging.")
    if LEAKS in verdicts.values() and SUPPLY in leaking and systems:
        said.append(
            "If closing the device more firmly changes the loss, the device itself passes and the"
            " leak is on its far side."
        )
    return said
