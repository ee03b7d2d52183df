"""What a visit may find wrong: each with the name it goes by and what to do about it."""

from collections.abc import Mapping
from typing import NamedTuple


class Kind(NamedTuple):
    name: str
    todo: str


KINDS: Mapping[str, Kind] = {
    "bypass": Kind(
        "bypass left on",
        "Turn the three-way valve to nitrogen, let the generator run warm, and prove it.",
    ),
    "needle_open": Kind(
        "needle valve too open",
        "Close the needle valve a little at a time until the purity is reached.",
    ),
    "leak": Kind(
        "leak",
        "Find it between the generator's outlet and the air maintenance devices, mend it, and test"
        " again.",
    ),
    "cell_worn": Kind("cell worn", "Fit a new oxygen cell and calibrate it."),
    "not_calibrated": Kind(
        "oxygen sensor not calibrated",
        "See that the sensor is in open air and its wiring sound, then calibrate again.",
    ),
    "disagrees": Kind(
        "oxygen sensor and hand-held analyzer disagree",
        "Calibrate both in the same air and compare again; believe neither until they agree.",
    ),
    "cut_out": Kind(
        "cut-out mis-set", "Set the pressure control's cut-out and see one more cycle."
    ),
    "cut_in": Kind("cut-in mis-set", "Set the pressure control's cut-in and see one more cycle."),
    "control": Kind(
        "pressure control does not act",
        "See whether the control, its wiring or its valve is at fault; licensed people only.",
    ),
    "start_delay": Kind("start delay mis-set", "Set the control's start delay and see it again."),
    "settings": Kind(
        "settings differ from the control",
        "Write the control's cut-in and cut-out into the settings, or set the control to them.",
    ),
    "production": Kind(
        "production under the test report",
        "Look at filters, feed pressure, needle valve and the membrane, in that order.",
    ),
    "air_slow": Kind(
        "air supply too slow",
        "The air supply must restore normal pressure within 30 min (NFPA 13): look at compressor"
        " and piping.",
    ),
    "valve": Kind("valve out of its place", "Put it back and prove it."),
    "device": Kind(
        "air maintenance device fault",
        "Look at its regulator, restriction, filter and valves.",
    ),
}
