"""The account of a week: what ran, what was lost, how pure it was, what changed and what to do.

Pure: rows that were kept go in, words come out. Medians, so that one odd rest or run does not
speak for a week. What counts as a change is common practice, no source: a quarter more or less.
"""

from collections.abc import Iterable, Mapping, Sequence
from datetime import datetime
from statistics import median
from typing import Any, NamedTuple, Protocol

from edge import advice
from edge.core import cost
from edge.core.gas import flow_l_min
from edge.core.units import STANDARD_C
from edge.model import SUPPLY
from edge.settings import Settings
from edge.usual import PRACTICE
from edge.words import Words

WEEK_S = 7 * 86400.0
KINDS = (
    "idle_measured",
    "purity_measured",
    "alert_raised",
    "hold_test_finished",
)
MOST = 5000
"""Of each kind in a week: a rest every two minutes would be as many."""

NOTED = 1.25  # a quarter more, or a quarter less
GROWN = 1.5  # times the commissioned loss
PURITY_PCT = 0.5


class Chain(Protocol):
    """What a look at the records' chain found (edge.store.chain)."""

    @property
    def rows(self) -> int: ...

    @property
    def head(self) -> str: ...

    @property
    def faults(self) -> tuple[str, ...]: ...


class Chained(Protocol):
    """Records that follow one another (edge.store.records.Records is one)."""

    def chain(self) -> Chain: ...


class History(Protocol):
    """What was kept (edge.store.read.Reader is one)."""

    @property
    def records(self) -> Chained: ...

    def events(
        self,
        limit: int = ...,
        before: int | None = ...,
        kinds: Sequence[str] = ...,
        since: float | None = ...,
        until: float | None = ...,
    ) -> list[dict[str, Any]]: ...

    def runs(self, since: float, until: float) -> Sequence[Any]: ...

    def ribbon(self, channel: str, since: float, until: float, points: int = ...) -> Any: ...


class Row(NamedTuple):
    """One figure, of this week and of the one before; "" where there was none."""

    label: str
    now: str
    before: str


class Account(NamedTuple):
    """A week in words, for mail and page alike."""

    since: float
    until: float
    rows: tuple[Row, ...]
    alerts: tuple[str, ...]
    tests: tuple[str, ...]
    due: tuple[str, ...]
    changed: tuple[str, ...]
    todo: tuple[str, ...]
    records: tuple[str, ...]


class _Figures(NamedTuple):
    watched: float  # share of the time
    runtime_s: float
    starts: int
    loss: float | None  # kPa/h at the reference pressure, median
    nitrogen: float | None  # %, median
    lowest: float | None
    alerts: list[Mapping[str, Any]]
    tests: list[Mapping[str, Any]]


def account(
    history: History, settings: Settings, picture: Mapping[str, Any], until: float
) -> Account:
    """The seven days before `until` (UTC) beside the seven before those."""
    words = Words(settings)
    now = _figures(history, settings, until)
    before = _figures(history, settings, until - WEEK_S)
    baseline = (picture.get("sections", {}).get(SUPPLY) or {}).get("baseline")
    commissioned = None if baseline is None else float(baseline["loss_kpa_per_h"])
    compared = None if baseline is None else baseline.get("compared_kpa_per_h", commissioned)
    standing = picture.get("alerts", [])
    due = _due(settings, picture.get("work") or ())
    return Account(
        until - WEEK_S,
        until,
        tuple(_rows(now, before, commissioned, words, settings)),
        tuple(_alerts(now.alerts)),
        tuple(_tests(now.tests, settings)),
        due,
        tuple(_changed(now, before, commissioned, compared, words)) or ("Nothing worth a word.",),
        tuple(_todo(standing, due, now)) or ("Nothing.",),
        tuple(_records(history.records.chain())),
    )


def _figures(history: History, settings: Settings, until: float) -> _Figures:
    since = until - WEEK_S
    by_kind: dict[str, list[dict[str, Any]]] = {kind: [] for kind in KINDS}
    for kind, found in by_kind.items():
        found += reversed(history.events(MOST, None, [kind], since, until))
    runs = history.runs(since, until)
    ribbon = history.ribbon(settings.supply.pressure, since, until, int(WEEK_S // 900))
    losses = [e["loss_at_reference_kpa_per_h"] for e in by_kind["idle_measured"]]
    purities = [e["nitrogen_pct"] for e in by_kind["purity_measured"]]
    return _Figures(
        min(1.0, len(ribbon.points) * ribbon.step_s / WEEK_S),
        sum(_within(run, since, until) for run in runs),
        sum(1 for run in runs if run.started is not None and since < run.started <= until),
        median(losses) if losses else None,
        median(purities) if purities else None,
        min(purities, default=None),
        list(by_kind["alert_raised"]),
        list(by_kind["hold_test_finished"]),
    )


def _within(run: Any, since: float, until: float) -> float:
    """Seconds of a run inside the week; one whose start or end was not seen counts for nothing."""
    if run.started is None or run.rest_seen_from is not None:
        return 0.0
    ended = until if run.ended is None else min(run.ended, until)
    return float(max(0.0, ended - max(run.started, since)))


def _rows(
    now: _Figures, before: _Figures, commissioned: float | None, words: Words, settings: Settings
) -> Iterable[Row]:
    def row(label: str, write: Any) -> Row:
        return Row(label, write(now), write(before) if before.watched > 0.0 else "")

    yield row("Watched", lambda f: f"{100.0 * f.watched:.0f} % of the time")
    yield row(
        "Generator ran", lambda f: words.duration(f.runtime_s) if f.runtime_s else "not at all"
    )
    yield row("Starts", lambda f: str(f.starts))
    yield row("Loss", lambda f: "" if f.loss is None else words.rate(f.loss))
    if commissioned is not None:
        yield Row("Loss when commissioned", words.rate(commissioned), "")
    if settings.supply.oxygen is not None:
        yield row("Nitrogen", lambda f: "" if f.nitrogen is None else words.percent(f.nitrogen))
        yield row("Lowest nitrogen", lambda f: "" if f.lowest is None else words.percent(f.lowest))
    if settings.supply.volume_l is not None:
        yield row("This loss in a year", lambda f: _year(f, settings))
    yield row("Alerts", lambda f: str(len(f.alerts)))


def _year(figures: _Figures, settings: Settings) -> str:
    """Nitrogen, hours, energy and money of a year like this week; "" where no loss is known."""
    volume, prices = settings.supply.volume_l, settings.cost
    if figures.loss is None or volume is None:
        return ""
    flow = flow_l_min(volume, figures.loss, STANDARD_C)
    duty = figures.runtime_s / WEEK_S / figures.watched if figures.watched else None
    found = cost.of_loss(flow, duty, prices.power_kw, prices.energy, prices.service_per_hour)
    said = [f"{found.nitrogen_l / 1000.0:.0f} m³ of nitrogen"]
    if found.hours is not None:
        said.append(f"{found.hours:.0f} h of the compressor")
    if found.energy_kwh is not None:
        said.append(f"{found.energy_kwh:.0f} kWh")
    if found.money is not None:
        said.append(f"{found.money:.0f} {prices.currency}")
    return ", ".join(said)


def _records(chain: Chain) -> Iterable[str]:
    """Told away from the box, the newest hash proves later that no record was cut off."""
    if chain.rows:
        records = f"{chain.rows} records are" if chain.rows > 1 else "1 record is"
        yield f"{records} kept; the newest one's hash is {chain.head}."
    else:
        yield "No record is kept yet."
    for fault in chain.faults[:5]:
        yield f"The records were meddled with: {fault}."


def _alerts(raised: Sequence[Mapping[str, Any]]) -> Iterable[str]:
    counted: dict[tuple[str, str], int] = {}
    for event in raised:
        key = advice.name_of(str(event["alert"])), str(event.get("section") or "the monitor")
        counted[key] = counted.get(key, 0) + 1
    for (alert, section), times in counted.items():
        yield f"{alert}, {section}" + (f", {times} times" if times > 1 else "")


def _tests(tests: Sequence[Mapping[str, Any]], settings: Settings) -> Iterable[str]:
    for test in tests:
        day = datetime.fromisoformat(test["at"]).astimezone(settings.site.zone)
        yield f"{day:%a} {day.day} {day:%b}: {test['text']}"


def _due(settings: Settings, work: Sequence[Mapping[str, Any]]) -> tuple[str, ...]:
    out = []
    for item in work:
        if item["state"] == "planned":
            continue
        of = "" if item["section"] == SUPPLY else f" of {item['section']}"
        name = f"{item['name'][0].upper()}{item['name'][1:]}{of}"
        said = name if item["standard"] == PRACTICE else f"{name} ({item['standard']})"
        left_s = item["running_left_s"]
        if item["due"] is not None:
            day = datetime.fromisoformat(item["due"]).astimezone(settings.site.zone)
            word = "was" if item["state"] == "overdue" else "is"
            said += f" {word} due on {day.date().isoformat()}"
        if left_s is not None:
            said += " or" if item["due"] is not None else " is due"
            past = (
                f"since {-left_s / 3600.0:.0f} h" if left_s < 0.0 else f"in {left_s / 3600.0:.0f} h"
            )
            said += f" {past} of running"
        if item["last"] is None:
            said += "; it is not known when it was last done"
        out.append(f"{said}.")
    return tuple(out)


def _changed(
    now: _Figures,
    before: _Figures,
    commissioned: float | None,
    compared: float | None,
    words: Words,
) -> Iterable[str]:
    """`compared` is what losses are compared with: above the commissioned one where that may be
    none at all, of which no multiple says anything."""
    if compared and now.loss is not None and now.loss > GROWN * compared:
        least = "" if compared == commissioned else "at least "
        times = f"{least}{now.loss / compared:.1f} times"
        yield f"The loss is {times} what it was when commissioned."
    if before.watched < 0.5 or now.watched < 0.5:
        if now.watched < 0.9:
            yield f"The monitor saw only {100.0 * now.watched:.0f} % of the week."
        return
    if (
        now.loss is not None
        and before.loss
        and not 1 / NOTED < now.loss / before.loss < NOTED
        and abs(now.loss - before.loss) > (NOTED - 1.0) * (compared or 0.0)
    ):
        way = "grew" if now.loss > before.loss else "fell"
        yield f"The loss {way} from {words.rate(before.loss)} to {words.rate(now.loss)}."
    ran, did = now.runtime_s / now.watched, before.runtime_s / before.watched
    if abs(ran - did) > 1800.0 and not 1 / NOTED < (ran + 1.0) / (did + 1.0) < NOTED:
        way = "more" if ran > did else "less"
        yield (
            f"The generator ran {way}: {words.duration(now.runtime_s)}, after"
            f" {words.duration(before.runtime_s)} the week before."
        )
    if now.nitrogen is not None and before.nitrogen is not None:
        moved = now.nitrogen - before.nitrogen
        if abs(moved) >= PURITY_PCT:
            way = "rose" if moved > 0.0 else "fell"
            yield (
                f"Nitrogen {way} from {words.percent(before.nitrogen)}"
                f" to {words.percent(now.nitrogen)}."
            )
    if now.watched < 0.9:
        yield f"The monitor saw only {100.0 * now.watched:.0f} % of the week."


def _todo(
    standing: Sequence[Mapping[str, Any]], due: Sequence[str], now: _Figures
) -> Iterable[str]:
    said = set()
    for alert in standing:
        todo = str(alert.get("todo") or "")
        if todo and todo not in said:
            said.add(todo)
            yield f"{advice.name_of(str(alert['alert']))}: {todo}"
    yield from due
    if now.tests and now.tests[-1].get("verdict") == "leaks":
        yield "The last hold test leaks: find the leak and test again."
    if now.watched < 0.9:
        yield "Find out why the monitor did not see all of the week: power, card or wiring."
