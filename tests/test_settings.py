"""Settings that are wrong: what `dryhold check` says of them (the project's own words)."""

import re
import tomllib
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from edge.__main__ import main
from edge.errors import SettingsError
from edge.rules import RULES
from edge.settings import Settings, check, load

SITE = Path(__file__).parents[1] / "edge" / "saltmarsh.toml"
TEXT = SITE.read_text(encoding="utf-8")

OXYGEN = 'quantity = "oxygen"\nunit = "%"\ninput = "simulated"'
RUNNING = 'quantity = "running"\ninput = "simulated"'
VOLUME = 'volume = "310 gal"'
LAST = "[cost]"  # where a table may be put in
KNOWN = "line_pressure, oxygen, running, room_temperature, aisle_pressure"


def oxygen(**lines: str) -> str:
    """The oxygen channel on a converter, with these lines."""
    given = {"quantity": '"oxygen"', "unit": '"%"', "input": '"ads1115:0x48/1"', **lines}
    return "\n".join(f"{key} = {value}" for key, value in given.items())


def mail(lines: str, to: str = '[{ address = "desk@fenwick.example" }]') -> str:
    return f'[[mail]]\nhost = "post.fenwick.example"\n{lines}\nto = {to}\n{LAST}'


FAULTS: dict[tuple[str, str], list[str]] = {
    # --- single values
    ('id = "saltmarsh-lane"', 'id = "Saltmarsh Lane"'): [
        'site.id: expected a-z, 0-9 and - only, found "Saltmarsh Lane"'
    ],
    ('name = "Saltmarsh Lane depot"', 'name = "two\\nlines"'): [
        'site.name: expected text on one line, found "two\\nlines"'
    ],
    ('name = "Saltmarsh Lane depot"', 'name = ""'): ['site.name: expected some text, found ""'],
    ('time_zone = "America/Chicago"', 'elevation = "45 km"'): [
        "site.elevation: expected a unit of length (m, mm, cm, ft, in),"
        ' found "45 km"'
    ],
    ('time_zone = "America/Chicago"', 'elevation = "45000 m"'): [
        "site.elevation: expected -1000 m to 11000 m, where air is known,"
        ' found "45000 m"'
    ],
    ('"America/Chicago"', '"Chicago"'): [
        'site.time_zone: expected a time zone of the IANA list, as "America/Chicago",'
        ' found "Chicago"'
    ],
    ("contact = ", "kontact = "): [
        'site.kontact: expected no such key, found "Fenwick Fire Protection, 555-0142"'
    ],
    ('cut_in = "38 psi"\n', ""): [
        "supply.cut_in: expected a value, as it is required, found nothing"
    ],
    ('"38 psi"', '"38"'): [
        "supply.cut_in: expected a unit after the number (kPa, psi, bar, mbar, inHg, mmHg),"
        ' found "38"'
    ],
    ('"38 psi"', "38"): [
        'supply.cut_in: expected a number and a unit of pressure in quotes, as "38 kPa", found 38'
    ],
    ('"38 psi"', '"38 scfh"'): [
        "supply.cut_in: expected a unit of pressure (kPa, psi, bar, mbar, inHg, mmHg),"
        ' found "38 scfh"'
    ],
    ('"8 s"', '"0 s"'): ['supply.start_delay: expected more than zero, found "0 s"'],
    ('purity = "98 %"', 'purity = "2 %"'): [
        "supply.purity: expected 90 % to 100 % of nitrogen (98 % is 2 % oxygen), found "
        '"2 %"'
    ],
    ("starts_per_hour = 6", "starts_per_hour = 6.5"): [
        "limits.starts_per_hour: expected a whole number, found 6.5"
    ],
    ("leak_growth = 2.0", "leak_growth = 1.0"): [
        "limits.leak_growth: expected more than 1, found 1.0"
    ],
    ("divider = 2.0", "divider = 0.5"): ["channel[1].divider: expected at least 1, found 0.5"],
    ('name = "aisle_temperature"', 'name = "Aisle"'): [
        'channel[6].name: expected a channel\'s name: a-z, 0-9 and _, found "Aisle"',
        f"system[1].temperature: expected the name of a [[channel]] ({KNOWN}, Aisle),"
        ' found "aisle_temperature"',
    ],
    (OXYGEN, f'{OXYGEN}\ncalibrated = "2026-11-25"'): [
        "channel[2].calibrated: expected a date, as 2026-11-25 without quotes,"
        ' found "2026-11-25"'
    ],
    (LAST, f'{LAST}\ncurrency = "dollars"'): [
        'cost.currency: expected a currency of three letters (ISO 4217), as "USD", found "dollars"'
    ],
    ("energy = 0.17", "energy = -0.17"): ["cost.energy: expected at least 0, found -0.17"],
    (LAST, f'[page]\nport = 80800\nurl = "dryhold.local"\nplain_sign_in = "no"\n{LAST}'): [
        "page.port: expected at most 65535, found 80800",
        'page.url: expected the address of the page on site, as "http://dryhold.local:8080",'
        ' found "dryhold.local"',
        'page.plain_sign_in: expected true or false, found "no"',
    ],
    (LAST, f'[[mqtt]]\nhost = "localhost"\nversion = "4"\nrepeat = "-1 s"\n{LAST}'): [
        'mqtt[1].version: expected "5" or "3.1.1", found "4"',
        'mqtt[1].repeat: expected no less than zero, found "-1 s"',
    ],
    (
        LAST,
        mail(
            'from = "saltmarsh"\nquiet = ["22:00-22:00"]\ndigest_at = "7:00"\nuser = "box"\n'
            'password_name = "Secret"',
            "[]",
        ),
    ): [
        'mail[1].password_name: expected a name of a-z, 0-9 and _, found "Secret"',
        'mail[1].from: expected a mail address, as "desk@fenwick.example", found "saltmarsh"',
        "mail[1].to: expected at least 1 in the list, found []",
        'mail[1].quiet[1]: expected two different times of day, as "22:00-06:30",'
        ' found "22:00-22:00"',
        'mail[1].digest_at: expected a time of day, as "07:00", found "7:00"',
    ],
    (LAST, f'[[method]]\nname = "quick look"\nduration = "5 min"\ndrop = "1.5 psi"\n{LAST}'): [
        'method[1].duration: expected 10 min to 7 d, found "5 min"'
    ],
    (LAST, f"[limit]\n{LAST}"): ["limit: expected no such key, found a table"],
    # --- the band and its limits
    ('"52 psi"', '"38 psi"'): [
        'supply.cut_out: expected above cut_in (38 psi), found "38 psi"'
    ],
    ('"1.5 psi"', '"15 psi"'): [
        "supply.tolerance: expected less than the band from 38 psi to 52 psi,"
        ' found "15 psi"'
    ],
    ('"34 psi"', '"39 psi"'): [
        "limits.low_pressure: expected below supply.cut_in (38 psi), outside the working band,"
        ' found "39 psi"'
    ],
    ('"58 psi"', '"50 psi"'): [
        "limits.high_pressure: expected above supply.cut_out (52 psi), outside the working band,"
        ' found "50 psi"'
    ],
    ('"30 psi"', '"40 psi"'): [
        'system[1].regulated: expected no more than supply.cut_in (38 psi), found "40 psi"'
    ],
    ('"26 psi"', '"30 psi"'): [
        'system[1].low_pressure: expected below regulated (30 psi), found "30 psi"'
    ],
    # --- channels by name and kind
    ('oxygen = "oxygen"', 'oxygen = "o2"'): [
        f"supply.oxygen: expected the name of a [[channel]] ({KNOWN}, aisle_temperature),"
        ' found "o2"'
    ],
    ('oxygen = "oxygen"', 'oxygen = "aisle_pressure"'): [
        'supply.oxygen: expected a channel of quantity "oxygen", found "aisle_pressure" of'
        ' "pressure"'
    ],
    ('name = "aisle_pressure"', 'name = "line_pressure"'): [
        "system[1].pressure: expected the name of a [[channel]] (line_pressure, oxygen, running,"
        ' room_temperature, aisle_temperature), found "aisle_pressure"',
        'channel[5].name: expected one not used before, found "line_pressure" as in channel[1]',
    ],
    ('"Freezer aisles 1-6"', '"supply"'): [
        "system[1].name: expected another name than that of the supply itself,"
        ' found "supply"'
    ],
    # --- inputs
    ('unit = "%"', 'unit = "psi"'): [
        'channel[2].unit: expected a unit of fraction (%), found "psi"'
    ],
    (RUNNING, 'quantity = "running"\ninput = "gpio:99"'): [
        'channel[3].input: expected as gpio:17, found "gpio:99"'
    ],
    (RUNNING, 'quantity = "running"\ninput = "pigeon"'): [
        'channel[3].input: expected one of ads1115, gpio, w1, simulated, found "pigeon"'
    ],
    (RUNNING, 'quantity = "running"\ninput = "ads1115:0x48/2"'): [
        "channel[3].quantity: expected barometer, oxygen, pressure, temperature, voltage on the"
        ' input ads1115, found "running"'
    ],
    (OXYGEN, oxygen()): [
        "channel[2].reads: expected two points, as { volts = [0.5, 4.5], as = [0, 100] },"
        " found nothing"
    ],
    (OXYGEN, oxygen(reads="{ milliamps = [4, 20], as = [0, 25] }")): [
        "channel[2].shunt: expected the resistance that the current crosses, as"
        ' "100 Ω", found nothing'
    ],
    (OXYGEN, oxygen(reads="{ volts = [0.5, 0.5], as = [0, 25] }")): [
        "channel[2].reads.volts: expected two different points, found [0.5, 0.5]"
    ],
    # 22 mA, the most that a 4-20 mA loop shows (NAMUR NE 43: over 21 mA is a fault), over 250 Ω.
    (OXYGEN, oxygen(shunt='"250 Ω"', reads="{ milliamps = [4, 20], as = [0, 25] }")): [
        "channel[2]: expected a divider or a shunt that leaves at most 5.3 V,"
        " found 5.5 V on the converter's pin"
    ],
    (OXYGEN, oxygen(reads="{ volts = [0, 10], as = [0, 25] }")): [
        "channel[2]: expected a divider or a shunt that leaves at most 5.3 V,"
        " found 10 V on the converter's pin"
    ],
    (OXYGEN, oxygen(reads="{ ratio = [0.1, 0.9], as = [0, 25] }")): [
        "channel[2].supplied_by: expected the voltage channel that measures this sensor's supply,"
        " found nothing"
    ],
    # --- pipes
    (VOLUME, f'{VOLUME}\npipe = [{{ size = "2", schedule = "40", length = "90 ft" }}]'): [
        "supply.volume: expected either volume or pipe, found both"
    ],
    (VOLUME, 'pipe = [{ size = "2", schedule = "44", length = "90 ft" }]'): [
        'supply.pipe[1].schedule: expected one of 10, 30, 40 that has size 2, found "44"'
    ],
    (VOLUME, 'pipe = [{ size = "2", length = "90 ft" }]'): [
        "supply.pipe[1]: expected exactly one of wall and schedule, found none"
    ],
    # Half of a 2 inch pipe's outside diameter, 60.3 mm (ASME B36.10M).
    (VOLUME, 'pipe = [{ size = "2", wall = "2 in", length = "90 ft" }]'): [
        'supply.pipe[1].wall: expected a wall between 0 and 30.15 mm, found "2 in"'
    ],
    (VOLUME, 'fittings = "10 %"'): [
        "supply.fittings: expected a pipe that the fittings belong to, found none"
    ],
    (
        VOLUME,
        'fill = { flow = "30 scfh", loss = "30 scfh", time = "20 min", from = "10 psi",'
        ' to = "10 psi" }',
    ): [
        'supply.fill.to: expected above from (10 psi), found "10 psi"',
        'supply.fill.loss: expected less than flow (30 scfh), found "30 scfh"',
    ],
    # --- what is shown, told and done
    ('pressure = "psi"', 'pressure = "furlongs"'): [
        "site.units.pressure: expected one of kPa, psi, bar, mbar, inHg, mmHg, hPa, Pa, MPa,"
        ' found "furlongs"'
    ],
    (LAST, f'[[method]]\nname = "acceptance 24 h"\nduration = "24 h"\ndrop = "1 psi"\n{LAST}'): [
        "method[1].name: expected another name than a standard method's,"
        ' found "acceptance 24 h"'
    ],
    (LAST, f'[box]\nbutton = "gpio:22"\nbeacon = "gpio:22"\nbuzzer = "gpio:1"\n{LAST}'): [
        'box.buzzer: expected a pin of the box as "gpio:22", found "gpio:1"',
        'box.beacon: expected another pin than the button\'s, found "gpio:22"',
    ],
    (LAST, f'[page]\ncertificate = "page.pem"\n{LAST}'): [
        "page.key: expected certificate and key together, found one alone"
    ],
    (LAST, f'[[mqtt]]\nhost = "broker.fenwick.example"\nuser = "saltmarsh"\n{LAST}'): [
        "mqtt[1].tls: expected true, as a password in clear may leave this machine only encrypted,"
        " found false"
    ],
    (LAST, f'[[mqtt]]\nhost = "here"\n[[mqtt]]\nhost = "here"\nport = 1883\n{LAST}'): [
        "mqtt[2].host: expected a broker not told before, found the one of mqtt[1]"
    ],
    (LAST, f'[keeping]\nevery = "2 min"\n{LAST}'): [
        'keeping.every: expected more than zero, and at most 30 s, found "2 min"'
    ],
    (LAST, f'[[mqtt]]\nhost = "localhost"\ncertificate = "box.pem"\n{LAST}'): [
        "mqtt[1].key: expected certificate and key together, found one alone",
        "mqtt[1].tls: expected true where certificate is given, found false",
    ],
    (
        LAST,
        '[[mqtt]]\nhost = "localhost"\nuser = "a"\npassword_name = "word"\n'
        + mail('from = "box@fenwick.example"\nuser = "box"\npassword_name = "word"'),
    ): [
        "mail[1].password_name: expected a name of its own, as mqtt[1] is another server and its"
        ' password would be shown to this one, found "word"'
    ],
    (
        LAST,
        mail(
            'from = "box@fenwick.example"',
            '[{ address = "desk@fenwick.example", sections = ["Attic"] },'
            ' { address = "desk@fenwick.example" }]',
        ),
    ): [
        "mail[1].to[1].sections: expected some of Freezer aisles 1-6, supply,"
        ' found "Attic"',
        'mail[1].to[2].address: expected one not used before, found "desk@fenwick.example" as in'
        " mail[1].to[1]",
    ],
    (LAST, f'[[periodic]]\nname = "lamps cleaned"\nsection = "Attic"\n{LAST}'): [
        "periodic[1].section: expected one of supply, Freezer aisles 1-6,"
        ' found "Attic"',
        "periodic[1].every: expected every or every_running for work of the site's own,"
        " found neither",
    ],
}  # fmt: skip


def changed(change: tuple[str, str]) -> dict[str, Any]:
    old, new = change
    assert old in TEXT
    return tomllib.loads(TEXT.replace(old, new, 1))


def faults_of(raw: Mapping[str, Any]) -> tuple[str, ...]:
    with pytest.raises(SettingsError) as caught:
        check(raw)
    return tuple(caught.value.faults)


@pytest.mark.parametrize("change", FAULTS, ids=lambda change: FAULTS[change][0].partition(":")[0])
def test_a_fault_is_told_with_its_place_what_was_expected_and_what_was_found(
    change: tuple[str, str],
) -> None:
    """A change of the example that makes it wrong gives these faults and no other."""
    assert sorted(faults_of(changed(change))) == sorted(FAULTS[change])


def test_a_limit_or_tolerance_that_is_not_told_is_checked_too() -> None:
    """Where the defaults leave a low limit under no pressure, or a tolerance as wide as the band,
    that is told: an alert that can never come is worse than none."""
    low = TEXT.replace('"38 psi"', '"10 psi"').replace('"52 psi"', '"20 psi"')
    low = low.replace('low_pressure = "34 psi"\n', "").replace('regulated = "30 psi"\n', "")
    (fault,) = faults_of(tomllib.loads(low.replace('"1.5 psi"', '"4 psi"')))
    assert fault == (
        "limits.low_pressure: expected a limit of its own, as three tolerances under cut_in"
        " (10 psi) leave no pressure, found nothing"
    )
    narrow = TEXT.replace('"52 psi"', '"39 psi"').replace('tolerance = "1.5 psi"\n', "")
    (fault,) = faults_of(tomllib.loads(narrow))
    assert fault == (
        "supply.tolerance: expected less than the band from 38 psi to 39 psi,"
        " found nothing, which is 10 kPa"
    )


def test_every_rule_has_a_fault_here() -> None:
    """Each rule over the whole file finds something in the table above, so none is untried."""
    tried = {rule for rule in RULES for change in FAULTS if [*rule(changed(change))]}
    assert tried == set(RULES)


def test_all_faults_are_told_at_once(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Changes all over the file give all of their faults in one go, each once, and exit status 1;
    the example as it is gives none and 0."""
    together = (
        ('id = "saltmarsh-lane"', 'id = "Saltmarsh Lane"'),
        ("contact = ", "kontact = "),
        ('pressure = "psi"', 'pressure = "furlongs"'),
        ('"52 psi"', '"38 psi"'),
        ('purity = "98 %"', 'purity = "2 %"'),
        (VOLUME, 'fittings = "10 %"'),
        ('"26 psi"', '"30 psi"'),
        ("leak_growth = 2.0", "leak_growth = 1.0"),
        ("energy = 0.17", "energy = -0.17"),
        (RUNNING, 'quantity = "running"\ninput = "pigeon"'),
        ('unit = "%"', 'unit = "psi"'),
    )
    text = TEXT
    for old, new in together:
        text = text.replace(old, new, 1)
    file = tmp_path / "site.toml"
    file.write_text(text, encoding="utf-8")
    assert main(["check", str(file)]) == 1
    wanted = [fault for change in together for fault in FAULTS[change]]
    assert sorted(capsys.readouterr().err.splitlines()) == sorted([*wanted, f"{file}: 11 faults"])
    assert main(["check", str(SITE)]) == 0


@pytest.mark.parametrize(
    ("data", "fault"),
    [
        (None, "expected a settings file, found No such file or directory"),
        (b"name = '\xff'", "expected UTF-8 text, found a bad byte at 8"),
        (b"name = ", "expected TOML, found a fault: Invalid value (at end of document)"),
        (b"a = " + b"[" * 100_000, "expected TOML, found lists within lists"),
    ],
)
def test_a_file_that_holds_no_settings(tmp_path: Path, data: bytes | None, fault: str) -> None:
    """A file that is not there, no text or no TOML is told with its path."""
    file = tmp_path / "site.toml"
    if data is not None:
        file.write_bytes(data)
    with pytest.raises(SettingsError) as caught:
        load(file)
    assert list(caught.value.faults) == [f"{file}: {fault}"]


def leaves(table: Any, path: tuple[Any, ...] = ()) -> Iterator[tuple[Any, ...]]:
    """The place of every single value."""
    rows = table.items() if isinstance(table, dict) else enumerate(table)
    for key, value in rows:
        if isinstance(value, dict | list):
            yield from leaves(value, (*path, key))
        else:
            yield (*path, key)


WHOLE = (
    TEXT
    + """
[page]
url = "http://dryhold.local"
reading = "code"
[box]
button = "gpio:22"
[[mqtt]]
host = "localhost"
user = "box"
[[mail]]
host = "post.fenwick.example"
from = "box@fenwick.example"
to = [{ address = "desk@fenwick.example", sections = ["supply"], after = "1 h" }]
[[method]]
name = "overnight"
duration = "12 h"
drop = "1 psi"
[[periodic]]
name = "lamps cleaned"
section = "supply"
every = "90 d"
"""
).replace('volume = "640 gal"', 'pipe = [{ size = "4", schedule = "10", length = "900 ft" }]')

ANY = st.one_of(
    st.none(), st.booleans(), st.integers(), st.floats(), st.text(max_size=20),
    st.lists(st.integers(), max_size=3), st.dictionaries(st.text(max_size=5), st.integers()),
    st.dates(),
)  # fmt: skip


@settings(max_examples=600)
@given(place=st.sampled_from([*leaves(tomllib.loads(WHOLE))]), value=ANY)
def test_whatever_stands_in_a_place_it_is_taken_or_told(place: tuple[Any, ...], value: Any) -> None:
    """Anything in the place of any value of a full file is either settings or told as faults, each
    with a path, what was expected and what was found, on one line."""
    raw = tomllib.loads(WHOLE)
    table: Any = raw
    for key in place[:-1]:
        table = table[key]
    table[place[-1]] = value
    faults: Sequence[str] = ()
    try:
        assert isinstance(check(raw), Settings)
    except SettingsError as error:
        faults = error.faults or ["nothing"]
    for fault in faults:
        assert re.fullmatch(r"[^ ].*: expected .+, found .+", fault)
