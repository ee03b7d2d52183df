"""How each number is made: inputs, formula and result. Pure."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

from web.fresh import Picture


@dataclass(frozen=True, slots=True)
class Working:
    """How one number was made."""

    key: str
    label: str
    rows: tuple[tuple[str, str], ...]
    method: str


METHODS: Mapping[str, tuple[str, str]] = {
    "pressure": (
        "Pressure",
        "The gauge pressure at the supply line's sensor, the newest reading. Volts at the "
        "converter are brought to pressure by the two points of the settings. A reading outside "
        "the sensor's range is a fault of the sensor, never a pressure.",
    ),
    "nitrogen": (
        "Nitrogen",
        "100 % less the oxygen measured, so that argon counts as nitrogen and outside air reads "
        "79.1 %. Judged only after the generator has run warm: before that the sample is not the "
        "generator's.",
    ),
    "generator": (
        "Generator",
        "Running or resting comes from the run contact, or from the pressure where none is "
        "fitted. Duty is the share of time running: over the long run, loss divided by production.",
    ),
    "loss": (
        "Loss at rest",
        "The mean rate at which pressure would have fallen while the generator rested, at constant "
        "temperature and barometer, with the settling after each run left out. The range holds the "
        "truth 95 times in 100. Beside the commissioned loss stands the same, brought to the middle "
        "of the cut-in to cut-out band.",
    ),
    "hours_above_low": (
        "Hours above the low limit",
        "The measured loss followed down to the low limit. Loss falls with pressure, so this is "
        "not a straight line.",
    ),
    "gas": (
        "Gas in the pipe",
        "Well mixed: what comes in takes the place of what is lost, and a fill is what makes the "
        "pressure grow. It starts as air where nobody knows better. Dead ends mix slowly, so every "
        "time is the least that it can take.",
    ),
    "cost": (
        "What the loss takes in a year",
        "A year at the loss of the last seven days' rests: what flows out, how long the compressor "
        "runs to make it, and that at the prices of the settings. The range comes from how sure the "
        "loss and the volume are.",
    ),
}
"""By the names in the picture's `explain`, in the order shown."""

COLLECTED: Sequence[tuple[str, str, str]] = (
    (
        "curve",
        "Pressure over time",
        "The lowest, the mean and the highest reading of each stretch of the chart: of minutes up "
        "to two days, of quarter-hours beyond. Stretches without a reading stay empty, and nothing "
        "is claimed of them. As old as its right edge; as sure as the pressure.",
    ),
    (
        "runtime",
        "Generator's running time",
        "From each cut-in to its cut-out, summed; an outage, and a run whose beginning or end nobody "
        "saw, count only for what was seen. Starts are the cut-ins. As sure as the run contact.",
    ),
    (
        "losses",
        "Losses over time",
        "One dot for each rest of the generator: its loss brought to mid-band, so that rests can be "
        "compared, with the range that holds the truth 95 times in 100. Where there are very many, "
        "neighbours are drawn as their mean; the table and the API have each.",
    ),
    (
        "purities",
        "Nitrogen over time",
        "One dot for each purity measured while the generator ran warm: 100 % less the oxygen. As "
        "sure as the cell's last calibration.",
    ),
    (
        "week",
        "Account of the week",
        "Watched: the share of the week's quarter-hours with a reading. Generator ran and starts: "
        "runs seen from their beginning. Loss and nitrogen: the middle one (median) of all that "
        "were measured, so that one odd value moves nothing. Beside it the same of the week before. "
        "All of it as of the end of the week shown.",
    ),
    (
        "sizing",
        "Sizing",
        "Volumes taken off the pipes or filled with a known flow, each give or take two standard "
        "uncertainties. Flow to restore = volume × pressure / half an hour, in standard litres. Runs "
        "to be expected = loss / production of the time. As old as the settings, and as sure as they.",
    ),
)
"""Figures that are made of many others: a key, a label, and how they are made."""


def workings(
    picture: Picture,
    section: str,
    whole: bool,
    close: Callable[[str, Picture], tuple[tuple[str, str], ...]] = lambda _key, _section: (),
) -> tuple[Working, ...]:
    """Inputs, formula and result of each figure, as the judge gave them, with the rows that `close`
    adds; `whole` lists the figures of the first view even where the judge has no working yet."""
    found = (picture.get("sections") or {}).get(section, {})
    explain = found.get("explain") or {}
    out = []
    gas = ("gas",) if close("gas", found) else ()
    keys = dict.fromkeys([*(METHODS if whole else ()), *explain, *gas])
    for key in keys:
        label, method = METHODS.get(key, (key.replace("_", " ").capitalize(), ""))
        rows = tuple((str(what), str(value)) for what, value in explain.get(key) or ())
        out.append(Working(key, label, (*rows, *close(key, found)), method))
    return tuple(out)
