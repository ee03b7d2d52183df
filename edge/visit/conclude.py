"""Which step is concluded by whom, and what any of them says of what was entered. Pure."""

from collections.abc import Callable, Mapping
from typing import Any

from edge.visit import control, generator, piping, steps
from edge.visit.look import Look


def entered(look: Look, step: steps.Step) -> None:
    """Every field as it was filled in, and which were not."""
    for one in step.fields:
        value = look.values.get(one.key)
        if one.kind == "tick":
            look.figure(one.label, None, text="confirmed" if value else "not confirmed")
        elif value in (None, ""):
            text = "not looked at" if one.kind == "choice" else "not entered"
            look.figure(one.label, None, text=text)
        elif one.kind == "number":
            plain = "fraction" if one.key.endswith("_pct") else "time"
            kind = one.quantity or plain
            look.figure(one.label, look.number(one.key), kind)
        else:
            look.figure(one.label, None, text=str(value))


def readiness(look: Look, step: steps.Step) -> None:
    for one in step.fields:
        if one.kind == "tick" and not look.values.get(one.key):
            look.not_done(f"not confirmed: {one.label[0].lower()}{one.label[1:]}")


PLAIN: Mapping[str, Callable[[Look], None]] = {
    "valves": piping.valves,
    "setpoints": control.setpoints,
    "warm_up": generator.warm_up,
    "beside": generator.beside,
    "line_hold": piping.line_hold,
    "devices": piping.devices,
}
"""Steps that need nothing from one another."""


def conclude(
    look: Look, step: steps.Step, set_to: Mapping[str, Any], flow_l_min: float | None
) -> float | None:
    """Say in `look` what a step concludes. `set_to` is what was entered at the set points,
    `flow_l_min` the flow last measured, standard litres a minute; the one measured now, if so."""
    if step.key == "readiness":
        readiness(look, step)
    elif step.key == "cycle":
        control.cycle(look, {k: float(v) for k, v in set_to.items() if v is not None})
    elif step.key == "production":
        return generator.production(look)
    elif step.key == "purity":
        generator.purity(look, flow_l_min)
    elif step.key.startswith("fill "):
        piping.fill(look, str(step.section))
    elif step.key in PLAIN:
        PLAIN[step.key](look)
    return flow_l_min
