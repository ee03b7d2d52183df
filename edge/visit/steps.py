"""The steps of a visit, as data: why, what to do, what to beware of, what to enter. Pure.

What a person enters is kept in inside units. Nothing is forced: a field may stay empty and a step
may be skipped, and the record says so.
"""

from typing import Literal, NamedTuple

from edge.core.units import PSI
from edge.record import CAUTIONS as STANDING
from edge.settings import Settings, System

Kind = Literal["text", "number", "choice", "tick"]


class Field(NamedTuple):
    """One thing to enter; `quantity` is a kind of unit (core.units) that is entered in the site's
    unit. Without one a number is per cent where its key ends in _pct, else seconds."""

    key: str
    label: str
    kind: Kind = "text"
    quantity: str = ""
    choices: tuple[str, ...] = ()
    default: str | float | None = None


class Step(NamedTuple):
    """`watches` says what the monitor observes by itself in this step."""

    key: str
    title: str
    why: str
    do: tuple[str, ...]
    cautions: tuple[str, ...] = ()
    fields: tuple[Field, ...] = ()
    watches: str = ""
    section: str | None = None


IMPAIRS = (
    "Closing valves impairs protection: monitoring station and owner are told first, the impairment"
    " procedure is followed, and somebody qualified stays until every valve is back."
)
GAS = "Nitrogen displaces oxygen: ventilate wherever it vents."
LISTED = "It supplements the listed supervisory and alarm devices and never replaces them."
OWN_BYPASS = (
    "The device's own bypass lets the line's full pressure into the system: stand at the gauge, close"
    " it at normal pressure, and never leave it open (common practice, no source)."
)
MACHINES = "Compressed gas, rotating machinery and mains voltage injure; licensed people only."
LAW = "Local codes, the authority having jurisdiction and licensed people decide."
CAUTIONS = (*STANDING, LISTED, MACHINES, GAS)

NITROGEN, BYPASS = "nitrogen", "bypass"
STANDARD_METER, AREA_METER = "reads standard flow", "variable area, read under pressure"
TO_BEGIN, DONE = "begin", "done"
FILL_LIMIT_S = 1800.0
"""Restoring normal pressure on the air supply alone (NFPA 13)."""

LAST_KPA = 4.0 * PSI
"""What is left of a fill to be given as nitrogen: the last 3 to 5 psi (common practice)."""


def fill_key(system: str) -> str:
    return f"fill {system}"


def steps(settings: Settings) -> tuple[Step, ...]:
    """The visit at this site, in order. What needs a channel that is not fitted is left out."""
    oxygen = settings.supply.oxygen is not None
    made = [_readiness(), _valves(settings), _setpoints(settings), _cycle()]
    if oxygen:
        made += [_warm_up(settings), _air(), _second(), _beside()]
    made.append(_production(settings))
    if oxygen:
        made.append(_purity(settings))
    made.append(_line_hold())
    made += [_fill(system) for system in settings.system]
    made.append(_devices(settings))
    return tuple(made)


def _readiness() -> Step:
    ticks = (
        ("station", "The monitoring station is notified"),
        ("owner", "The owner is notified"),
        ("impairment", "The impairment procedure is followed"),
        ("watch", "Somebody qualified stays on site until every valve is back"),
        ("ventilated", "Rooms where gas vents are ventilated"),
    )
    return Step(
        "readiness",
        "Readiness and cautions",
        "The work takes valves out of their places, and people must know before it does.",
        (
            "Tell the monitoring station, the owner and whoever is in the building.",
            "Have the generator's test report, a flow meter and a freshly calibrated hand-held"
            " analyzer at hand.",
            "Keep alerts quiet while you work (Alerts, I am working on it).",
        ),
        CAUTIONS,
        (
            *(Field(key, label, "tick") for key, label in ticks),
            Field("report", "Generator: make of test report, serial number, date"),
            Field("edition", "Editions of the codes in force here"),
        ),
    )


def _valves(settings: Settings) -> Step:
    fields = [
        Field("three_way", "Three-way valve, as found", "choice", choices=(NITROGEN, BYPASS)),
        Field("needle", "Needle valve, as found (turns open, or its mark)"),
        Field("drains", "Drains and sample valves", "choice", choices=("closed", "open")),
    ]
    for n, system in enumerate(settings.system):
        shut = Field(
            f"device{n}",
            f"Air maintenance device of {system.name}: shut-off",
            "choice",
            choices=("open", "closed"),
        )
        past = Field(
            f"past{n}",
            f"Air maintenance device of {system.name}: its own bypass",
            "choice",
            choices=("closed", "open"),
        )
        fields += [shut, past]
    return Step(
        "valves",
        "Valve positions",
        "What stands where it should not explains most of what is found later; and whoever moves a"
        " valve must know where it was.",
        ("Walk the line from the compressor to each system and note every valve as it stands.",),
        (IMPAIRS,),
        tuple(fields),
    )


def _setpoints(settings: Settings) -> Step:
    supply = settings.supply
    return Step(
        "setpoints",
        "Cut-in and cut-out as set",
        "The pressure control is set by hand; the monitor judges against the settings file. They"
        " must say the same.",
        ("Read both from the pressure control's scale, or from how it was set.",),
        (MACHINES,),
        (
            Field("cut_in_kpa", "Cut-in as set", "number", "pressure", (), supply.cut_in_kpa),
            Field("cut_out_kpa", "Cut-out as set", "number", "pressure", (), supply.cut_out_kpa),
            Field("delay_s", "Start delay as set, s", "number", "", (), supply.start_delay_s),
        ),
    )


def _cycle() -> Step:
    return Step(
        "cycle",
        "One real cycle",
        "What the control does is seen only over a real run: its start, its stop, and the delay"
        " between reaching cut-in and starting.",
        (
            "Let the generator run to its cut-out.",
            "Then bleed the line through its drain, steadily, until the generator starts; close the"
            " drain and let it run to its cut-out again.",
        ),
        (GAS, MACHINES),
        (Field("stopwatch_s", "Start delay by a stopwatch, s (if you took it)", "number"),),
        "cut-in, cut-out, how long the start was delayed, and how fast the pressure climbs",
    )


def _warm_up(settings: Settings) -> Step:
    minutes = settings.supply.warm_up_s / 60.0
    return Step(
        "warm_up",
        "Warm-up",
        "The first minutes of a run are not the generator's true purity, and neither flow nor"
        " needle valve is judged in them.",
        (
            f"Keep the generator running for {minutes:.0f} min at least: bleed the line a little"
            " if it nears cut-out.",
        ),
        (GAS,),
        (),
        "how long the run under way has lasted, and the oxygen settling",
    )


def _air() -> Step:
    return Step(
        "oxygen_air",
        "Oxygen sensor in air",
        "A galvanic cell feels the partial pressure of oxygen: it is set to what the air on site"
        " has, by its humidity, temperature and barometer. Its output in air also tells its age.",
        (
            "Take the sensor out of the sample line, hold it in open outside air, and wait until its"
            " reading stands still for two minutes.",
            "Measure the air's temperature and humidity beside it.",
        ),
        (GAS,),
        (
            Field("air_c", "Temperature of the air", "number", "temperature"),
            Field("humidity_pct", "Relative humidity, % (empty: half is taken)", "number"),
            Field(
                "barometer_kpa",
                "Barometer, absolute, on site (empty: by elevation)",
                "number",
                "pressure",
            ),
            Field("new_cell", "This is a new cell", "tick"),
        ),
        "the sensor's reading over the last two minutes, and whether it stands still",
    )


def _second() -> Step:
    return Step(
        "oxygen_second",
        "Second point",
        "One point in air leaves 0.1 to 0.3 % of doubt at 2 % oxygen. A known gas near 2 %, or pure"
        " nitrogen, takes it away.",
        (
            "Let the known gas flow past the sensor at atmospheric pressure until its reading stands"
            " still for two minutes.",
        ),
        (GAS,),
        (
            Field("gas_pct", "Oxygen in the gas, % (0 for pure nitrogen)", "number"),
            Field("certificate", "Number of its certificate"),
        ),
        "the sensor's reading over the last two minutes",
    )


def _beside() -> Step:
    return Step(
        "beside",
        "Hand-held analyzer beside the sensor",
        "Two instruments that agree on the same gas are believed; one alone is not.",
        (
            "Put the sensor back into the sample line and let the generator run warm.",
            "Take the same gas into the freshly calibrated hand-held analyzer, at atmospheric"
            " pressure, and read both at once.",
        ),
        (GAS,),
        (
            Field("oxygen_pct", "Hand-held analyzer, % oxygen", "number"),
            Field("calibrated", "Analyzer: serial number and when it was calibrated"),
        ),
        "the sensor's own reading at that moment",
    )


def _production(settings: Settings) -> Step:
    return Step(
        "production",
        "Production beside the test report",
        "Less flow than the test report promises means a tired compressor, a clogged filter or a"
        " choked valve, and is known only at hand-over if it is measured now.",
        (
            "Measure the flow behind the needle valve while the generator runs warm.",
            "Enter the meter's pressure and temperature, for a meter that is read under pressure.",
        ),
        (GAS, MACHINES),
        (
            Field("flow_l_min", "Flow as the meter shows it", "number", "flow"),
            Field("meter", "The meter", "choice", choices=(STANDARD_METER, AREA_METER)),
            Field("meter_kpa", "Pressure in the meter", "number", "pressure"),
            Field("meter_c", "Temperature in the meter", "number", "temperature"),
            Field(
                "report_l_min",
                "Flow on the test report",
                "number",
                "flow",
                (),
                settings.supply.production_l_min,
            ),
            Field("report_feed_kpa", "Feed pressure on the test report", "number", "pressure"),
            Field("feed_kpa", "Feed pressure now", "number", "pressure"),
            Field("report_c", "Temperature on the test report", "number", "temperature"),
            Field("feed_c", "Feed temperature now", "number", "temperature"),
        ),
    )


def _purity(settings: Settings) -> Step:
    wanted = 100.0 - settings.supply.purity_pct
    return Step(
        "purity",
        "Purity against flow",
        "More flow means less purity and less flow more. The needle valve is set where both"
        " suffice.",
        (
            "With the generator warm and the three-way valve in nitrogen, see what stands below:"
            f" at most {wanted:g} % oxygen is wanted.",
            "Turn the needle valve as it says, a little at a time, wait five minutes, and conclude"
            " again.",
        ),
        (GAS,),
        (Field("turned", "Needle valve now (turns open, or its mark)"),),
        "the purity of the warm run",
    )


def _line_hold() -> Step:
    return Step(
        "line_hold",
        "Supply line holds",
        "A closed line should stay at its cut-out pressure. If it falls, the leak is between the"
        " generator and the air maintenance devices.",
        (
            "Close every air maintenance device's shut-off and bypass valve.",
            "Run the supply line's hold test to its verdict, then put every valve back there.",
            "Come back here and conclude.",
        ),
        (IMPAIRS,),
        (),
        "the hold test of the supply line and its verdict",
        "supply",
    )


def _fill(system: System) -> Step:
    return Step(
        fill_key(system.name),
        f"Fill {system.name}",
        "The air supply must restore normal pressure within 30 minutes (NFPA 13), so a fill begins"
        " in bypass with plain air. The last 3 to 5 psi are given as nitrogen: that proves that the"
        " three-way valve was turned back and that generator and device work together.",
        (
            "Turn the three-way valve to bypass and open the air maintenance device's own bypass."
            " Then begin here: the clock runs.",
            "When the last 4 psi are left, turn the three-way valve back to nitrogen. The oxygen"
            " must fall.",
            "At normal pressure close the device's own bypass and conclude.",
            "A system that stays in service is skipped, and the record says so.",
        ),
        (IMPAIRS, GAS, OWN_BYPASS),
        (
            Field(
                "normal_kpa",
                "Normal pressure of the system",
                "number",
                "pressure",
                (),
                system.regulated_kpa,
            ),
        ),
        "the pressure of the system, the 30-minute clock, and the oxygen that proves the valve",
        system.name,
    )


def _devices(settings: Settings) -> Step:
    fields = [
        Field("three_way", "Three-way valve", "choice", choices=(NITROGEN, BYPASS)),
        Field("drains", "Drains and sample valves", "choice", choices=("closed", "open")),
    ]
    for n, system in enumerate(settings.system):
        name = f"Air maintenance device of {system.name}"
        fields += [
            Field(f"device{n}", f"{name}: shut-off", "choice", choices=("open", "closed")),
            Field(f"past{n}", f"{name}: its own bypass", "choice", choices=("closed", "open")),
        ]
    return Step(
        "devices",
        "Air maintenance devices back in service",
        "Every valve is back and proved, or protection stays impaired.",
        (
            "Put every valve into its place of service and note it here as it stands now.",
            "Prove it: let the generator make one run, and see the systems at their pressure.",
            "If you can, leave all at rest until the next start: the loss of that rest becomes the"
            " figure that later ones are compared with.",
        ),
        (IMPAIRS, LAW),
        (*fields, Field("told", "Monitoring station and owner told that it is over", "tick")),
        "the systems' pressures, and the oxygen of the last run",
    )
