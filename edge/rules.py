"""What no single value of a settings file shows: rules over the whole file.

Each takes the table as read from TOML and yields its faults, each with path, expected and found;
each is silent about what it cannot read, which the value's own check tells.
"""

import contextlib
from collections.abc import Callable, Iterable, Iterator, Mapping
from typing import Any

from edge.core import pipe, scale, units
from edge.methods import STANDARD
from edge.model import QUANTITIES, SUPPLY
from edge.sensors import KINDS as INPUT_KINDS
from edge.usual import USUAL

Raw = Mapping[str, Any]

TAKEN_METHODS = tuple(method.name for method in STANDARD)
USUAL_WORK = tuple(work.name for work in USUAL)

TOLERANCE_KPA = 10.0
"""How far cut-in and cut-out may stray where the settings do not say."""


def found(value: object) -> str:
    """A value as a fault quotes it, in the words of TOML, on one line and cut where it is long."""
    if isinstance(value, str):
        text = '"' + "".join(c if c.isprintable() else repr(c)[1:-1] for c in value) + '"'
    elif isinstance(value, bool):
        text = str(value).lower()
    else:
        text = "a table" if isinstance(value, dict) else repr(value)
    return text if len(text) <= 80 else text[:77] + "..."


def _listed(names: Iterable[object]) -> str:
    return ", ".join(found(str(name))[1:-1] for name in names)


def _table(raw: Raw, name: str) -> Raw:
    value = raw.get(name)
    return value if isinstance(value, dict) else {}


def _rows(raw: Raw, name: str) -> list[tuple[str, Raw]]:
    value = raw.get(name)
    rows = value if isinstance(value, list) else []
    return [(f"{name}[{i + 1}]", row) for i, row in enumerate(rows) if isinstance(row, dict)]


def _kpa(table: Raw, key: str) -> float | None:
    try:
        return units.parse("pressure", table[key])
    except (KeyError, ValueError):
        return None


def _sections(raw: Raw) -> list[tuple[str, Raw]]:
    return [("supply", _table(raw, "supply")), *_rows(raw, "system")]


def _band(raw: Raw) -> Iterator[str]:
    supply, limits = _table(raw, "supply"), _table(raw, "limits")
    low, high = _kpa(supply, "cut_in"), _kpa(supply, "cut_out")
    if low is not None and high is not None and high <= low:
        yield f"supply.cut_out: expected above cut_in ({supply['cut_in']}), found {found(supply['cut_out'])}"
    elif low is not None and high is not None:
        tolerance = _kpa(supply, "tolerance") if "tolerance" in supply else TOLERANCE_KPA
        told = found(supply["tolerance"]) if "tolerance" in supply else "nothing, which is 10 kPa"
        if tolerance is not None and tolerance >= high - low:
            yield (
                f"supply.tolerance: expected less than the band from {supply['cut_in']} to"
                f" {supply['cut_out']}, found {told}"
            )
        if tolerance is not None and low <= 3.0 * tolerance and "low_pressure" not in limits:
            yield (
                "limits.low_pressure: expected a limit of its own, as three tolerances under"
                f" cut_in ({supply['cut_in']}) leave no pressure, found nothing"
            )
    under, over = _kpa(limits, "low_pressure"), _kpa(limits, "high_pressure")
    if under is not None and low is not None and under >= low:
        yield (
            f"limits.low_pressure: expected below supply.cut_in ({supply['cut_in']}), outside the"
            f" working band, found {found(limits['low_pressure'])}"
        )
    if over is not None and high is not None and over <= high:
        yield (
            f"limits.high_pressure: expected above supply.cut_out ({supply['cut_out']}), outside the"
            f" working band, found {found(limits['high_pressure'])}"
        )
    for path, system in _rows(raw, "system"):
        regulated, least = _kpa(system, "regulated"), _kpa(system, "low_pressure")
        if regulated is not None and least is not None and least >= regulated:
            yield (
                f"{path}.low_pressure: expected below regulated ({system['regulated']}),"
                f" found {found(system['low_pressure'])}"
            )
        if regulated is not None and low is not None and regulated > low:
            yield (
                f"{path}.regulated: expected no more than supply.cut_in ({supply['cut_in']}),"
                f" found {found(system['regulated'])}"
            )


_NEEDS: Mapping[str, str] = {
    "pressure": "pressure",
    "oxygen": "oxygen",
    "running": "running",
    "temperature": "temperature",
    "barometer": "barometer",
}


def _references(raw: Raw) -> Iterator[str]:
    quantity = {
        row.get("name"): row.get("quantity")
        for _, row in _rows(raw, "channel")
        if isinstance(row.get("name"), str)
    }
    uses = [*_sections(raw), ("site", _table(raw, "site"))]
    for path, table in uses:
        for key, wanted in _NEEDS.items():
            named = table.get(key)
            if isinstance(named, str) and (path != "site" or key == "barometer"):
                yield from _refers(f"{path}.{key}", named, wanted, quantity)
    for path, row in _rows(raw, "channel"):
        named = row.get("supplied_by")
        if isinstance(named, str):
            yield from _refers(f"{path}.supplied_by", named, "voltage", quantity)


def _refers(path: str, named: str, wanted: str, quantity: Mapping[Any, Any]) -> Iterator[str]:
    if named not in quantity:
        known = _listed(quantity) or "none"
        yield f"{path}: expected the name of a [[channel]] ({known}), found {found(named)}"
    elif quantity[named] != wanted:
        yield f'{path}: expected a channel of quantity "{wanted}", found {found(named)} of {found(quantity[named])}'


def _unique(raw: Raw) -> Iterator[str]:
    yield from _twice(_rows(raw, "channel"), "name")
    yield from _twice(
        [
            row
            for row in _rows(raw, "channel")
            if str(row[1].get("input")).partition(":")[0] != "simulated"
        ],
        "input",
    )
    yield from _twice(_rows(raw, "system"), "name")
    yield from _twice([(p, {"pressure": t.get("pressure")}) for p, t in _sections(raw)], "pressure")
    for path, row in _rows(raw, "system"):
        if row.get("name") == SUPPLY:
            yield f"{path}.name: expected another name than that of the supply itself, found {found(SUPPLY)}"


def _twice(rows: list[tuple[str, Raw]], key: str) -> Iterator[str]:
    seen: dict[str, str] = {}
    for path, row in rows:
        value = row.get(key)
        if not isinstance(value, str):
            continue
        if value in seen:
            yield f"{path}.{key}: expected one not used before, found {found(value)} as in {seen[value]}"
        seen.setdefault(value, path)


def _inputs(raw: Raw) -> Iterator[str]:
    for path, row in _rows(raw, "channel"):
        where, quantity = row.get("input"), row.get("quantity")
        unit = row.get("unit", "")
        if isinstance(quantity, str) and quantity in QUANTITIES and isinstance(unit, str):
            try:
                units.unit_of(units.QUANTITY_KIND[quantity], unit)
            except ValueError as error:
                yield f"{path}.unit: expected {error}, found {found(unit)}"
        if not isinstance(where, str):
            continue
        name, _, address = where.partition(":")
        kind = INPUT_KINDS.get(name)
        if kind is None:
            yield f"{path}.input: expected one of {', '.join(INPUT_KINDS)}, found {found(where)}"
        elif not kind.address.fullmatch(address):
            yield f"{path}.input: expected as {kind.example}, found {found(where)}"
        elif (
            kind.quantities is not None
            and quantity in QUANTITIES
            and quantity not in kind.quantities
        ):
            names = ", ".join(sorted(kind.quantities))
            yield f"{path}.quantity: expected {names} on the input {name}, found {found(quantity)}"
        elif name == "ads1115":
            yield from _scaling(path, row)


def _scaling(path: str, row: Raw) -> Iterator[str]:
    reads = row.get("reads")
    if reads is None:
        if row.get("quantity") != "voltage":
            yield f"{path}.reads: expected two points, as {{ volts = [0.5, 4.5], as = [0, 100] }}, found nothing"
        return
    if not isinstance(reads, dict):
        return
    ways = [way for way in ("volts", "milliamps", "ratio") if way in reads]
    if len(ways) != 1:
        yield f"{path}.reads: expected exactly one of volts, milliamps, ratio, found {', '.join(ways) or 'none'}"
    for way in (*ways, "as"):
        pair = reads.get(way)
        if isinstance(pair, list) and len(pair) == 2 and pair[0] == pair[1]:
            yield f"{path}.reads.{way}: expected two different points, found {pair!r}"
    if "milliamps" in ways and "shunt" not in row:
        yield f'{path}.shunt: expected the resistance that the current crosses, as "100 Ω", found nothing'
    if "ratio" in ways and row.get("quantity") == "voltage":
        yield f"{path}.reads: expected volts or milliamps for a voltage, as it may be another's supply, found ratio"
    yield from _pin(path, row, reads)
    if "ratio" in ways and "supplied_by" not in row:
        yield f"{path}.supplied_by: expected the voltage channel that measures this sensor's supply, found nothing"


def _pin(path: str, row: Raw, reads: Raw) -> Iterator[str]:
    """The most that a converter fed with 5 V may see; one fed with 3.3 V takes 3.6 V (TI SBAS444)."""
    divider = row.get("divider", 1.0)
    volts: list[object] = reads["volts"] if isinstance(reads.get("volts"), list) else []
    sizes = [abs(v) for v in volts if isinstance(v, int | float)]
    if "milliamps" in reads:
        with contextlib.suppress(ValueError):  # told elsewhere
            sizes.append(units.parse("resistance", row.get("shunt")) * scale.MOST_MA / 1000.0)
    if isinstance(divider, int | float) and divider > 0 and max(sizes, default=0.0) / divider > 5.3:
        pin = f"{max(sizes) / divider:.3g} V on the converter's pin"
        yield f"{path}: expected a divider or a shunt that leaves at most 5.3 V, found {pin}"


def pipes_rule(raw: Raw) -> Iterator[str]:
    """What cannot be among a section's pipes."""
    for section, table in _sections(raw):
        rows = _rows(table, "pipe")
        if rows and "volume" in table:
            yield f"{section}.volume: expected either volume or pipe, found both"
        if "fittings" in table and not rows:
            yield f"{section}.fittings: expected a pipe that the fittings belong to, found none"
        yield from _fill(section, _table(table, "fill"))
        for path, row in rows:
            size, schedule = row.get("size"), row.get("schedule")
            at = f"{section}.{path}"
            if isinstance(size, str) and size not in pipe.OUTSIDE_MM:
                yield f"{at}.size: expected a nominal size in inches ({', '.join(pipe.OUTSIDE_MM)}), found {found(size)}"
                continue
            if ("wall" in row) == ("schedule" in row):
                yield f"{at}: expected exactly one of wall and schedule, found {'both' if 'wall' in row else 'none'}"
            elif (
                isinstance(schedule, str)
                and isinstance(size, str)
                and size not in pipe.WALL_MM.get(schedule, {})
            ):
                yield f"{at}.schedule: expected one of {', '.join(pipe.WALL_MM)} that has size {size}, found {found(schedule)}"
            elif isinstance(size, str) and "wall" in row:
                try:
                    pipe.volume_l(size, units.parse("length", row["wall"]) * 1000.0, 1.0)
                except ValueError as error:
                    yield f"{at}.wall: expected {error}, found {found(row['wall'])}"


def _fill(section: str, row: Raw) -> Iterator[str]:
    low, high = _kpa(row, "from"), _kpa(row, "to")
    if low is not None and high is not None and high <= low:
        yield (f"{section}.fill.to: expected above from ({row['from']}), found {found(row['to'])}")
    with contextlib.suppress(KeyError, ValueError):  # told elsewhere
        goes_in = units.parse("flow", row["flow"])
        if units.parse("flow", row["loss"]) >= goes_in > 0.0:
            yield (
                f"{section}.fill.loss: expected less than flow ({row['flow']}),"
                f" found {found(row['loss'])}"
            )


def _shown(raw: Raw) -> Iterator[str]:
    chosen = _table(_table(raw, "site"), "units")
    for kind in ("pressure", "temperature", "flow", "volume"):
        name = chosen.get(kind)
        if isinstance(name, str) and name not in units.KINDS[kind]:
            yield f"site.units.{kind}: expected one of {', '.join(units.KINDS[kind])}, found {found(name)}"


def _methods(raw: Raw) -> Iterator[str]:
    yield from _twice(_rows(raw, "method"), "name")
    for path, row in _rows(raw, "method"):
        if row.get("name") in TAKEN_METHODS:
            yield f"{path}.name: expected another name than a standard method's, found {found(row['name'])}"


def _box(raw: Raw) -> Iterator[str]:
    box = _table(raw, "box")
    inputs = {str(row.get("input")): row.get("name") for _, row in _rows(raw, "channel")}
    taken: dict[object, str] = {}
    for key in ("button", "beacon", "buzzer"):
        pin = box.get(key)
        if not isinstance(pin, str):
            continue
        if pin in inputs:
            yield f"box.{key}: expected a pin that no channel uses, found {found(pin)} as {inputs[pin]}"
        if pin in taken:
            yield f"box.{key}: expected another pin than the {taken[pin]}'s, found {found(pin)}"
        taken.setdefault(pin, key)


def _servers(raw: Raw) -> Iterator[str]:
    """What is told to whom: secrets stay with their server, certificates come with their keys."""
    keepers: dict[str, tuple[object, str]] = {}
    brokers: dict[tuple[str, str], str] = {}
    for path, row in _rows(raw, "mqtt"):
        port = row.get("port", 8883 if row.get("tls") is True else 1883)
        first = brokers.setdefault((str(row.get("host")), str(port)), path)
        if first != path:
            yield f"{path}.host: expected a broker not told before, found the one of {first}"
    for path, row in (*_rows(raw, "mqtt"), *_rows(raw, "mail")):
        kind = path.partition("[")[0]
        if ("certificate" in row) != ("key" in row):
            missing = "key" if "certificate" in row else "certificate"
            yield f"{path}.{missing}: expected certificate and key together, found one alone"
        for key in ("authority", "certificate"):
            if kind == "mqtt" and key in row and row.get("tls") is not True:
                yield f"{path}.tls: expected true where {key} is given, found {found(row.get('tls', False))}"
        if "user" not in row:
            continue
        host = row.get("host")
        here = isinstance(host, str) and (host in ("localhost", "::1") or host.startswith("127."))
        if kind == "mqtt" and row.get("tls") is not True and not here:
            yield (
                f"{path}.tls: expected true, as a password in clear may leave this machine only"
                f" encrypted, found {found(row.get('tls', False))}"
            )
        name = row.get("password_name", f"{kind}_password")
        keeper = keepers.setdefault(str(name), (host, path))
        if keeper[0] != host:
            yield (
                f"{path}.password_name: expected a name of its own, as {keeper[1]} is another"
                f" server and its password would be shown to this one, found {found(name)}"
            )


def _recipients(raw: Raw) -> Iterator[str]:
    sections = [SUPPLY, *(row.get("name") for _, row in _rows(raw, "system"))]
    seen: dict[tuple[str, ...], str] = {}
    for path, row in _rows(raw, "mail"):
        port = row.get("port", 465 if row.get("security") == "tls" else 587)
        for inner, recipient in _rows(row, "to"):
            where = f"{path}.{inner}"
            named = recipient.get("sections")
            for section in named if isinstance(named, list) else []:
                if section not in sections:
                    known = _listed(sorted(map(str, sections)))
                    yield f"{where}.sections: expected some of {known}, found {found(section)}"
            same = str(row.get("host")), str(port), str(recipient.get("address"))
            if same in seen:
                yield f"{where}.address: expected one not used before, found {found(same[2])} as in {seen[same]}"
            seen.setdefault(same, where)


def _page(raw: Raw) -> Iterator[str]:
    page = _table(raw, "page")
    if ("certificate" in page) != ("key" in page):
        missing = "key" if "certificate" in page else "certificate"
        yield f"page.{missing}: expected certificate and key together, found one alone"


def _periodic(raw: Raw) -> Iterator[str]:
    sections = [SUPPLY, *(row.get("name") for _, row in _rows(raw, "system"))]
    seen: dict[tuple[object, object], str] = {}
    for path, row in _rows(raw, "periodic"):
        name, section = row.get("name"), row.get("section")
        if section is not None and section not in sections:
            yield f"{path}.section: expected one of {_listed(sections)}, found {found(section)}"
        timed = "every" in row or "every_running" in row
        if not timed and not row.get("never") and name not in USUAL_WORK:
            yield f"{path}.every: expected every or every_running for work of the site's own, found neither"
        if isinstance(name, str) and isinstance(section, str | None):
            if (name, section) in seen:
                yield f"{path}.name: expected one not used before, found {found(name)} as in {seen[name, section]}"
            seen.setdefault((name, section), path)


RULES: tuple[Callable[[Raw], Iterator[str]], ...] = (
    _band,
    _references,
    _unique,
    _inputs,
    pipes_rule,
    _shown,
    _methods,
    _box,
    _servers,
    _recipients,
    _page,
    _periodic,
)
