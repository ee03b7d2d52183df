"""A recording of our own across a clock that was set, judged again."""

import io
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from edge.__main__ import main
from edge.judge import Judge
from edge.model import Tick, on_grid
from edge.recording import Recording, write
from edge.settings import Settings, load
from edge.store.read import Reader
from edge.store.write import Writer

T0 = 1_764_072_000.0
SETTINGS = """
[site]
name = "Set clock"
id = "set-clock"
[supply]
pressure = "line"
running = "run"
cut_in = "262 kPa"
cut_out = "358.5 kPa"
[[channel]]
name = "line"
quantity = "pressure"
unit = "psi"
input = "simulated"
[[channel]]
name = "run"
quantity = "running"
input = "simulated"
"""


def ticks(*steps: tuple[float, float]) -> Iterator[Tick]:
    """Twenty hours of a cycling supply, every 10 s; `steps` are hours and the clock's offset from
    then on."""
    kpa, running = 330.0, False
    for i in range(20 * 360):
        running = kpa <= 262.0 or (running and kpa < 358.5)
        kpa += (400.0 if running else -40.0) / 360.0
        offset_s = next((o for h, o in reversed(steps) if i >= 360 * h), 0.0)
        yield Tick(T0 + 10.0 * i, offset_s, (on_grid(kpa), float(running)))


@pytest.fixture
def site(tmp_path: Path) -> Settings:
    (tmp_path / "site.toml").write_text(SETTINGS)
    return load(tmp_path / "site.toml")


@pytest.mark.parametrize(
    ("steps", "notes"),
    [
        (((9.0, -3600.0),), 1),  # an hour back in the middle of a rest
        (((9.0, -3600.0), (12.0, 7200.0)), 2),  # and three forward
        (((0.0, -86400.0 * 300), (6.0, 0.0)), 1),  # booted in the wrong year
        (((9.0, 0.004),), 0),  # a start with the clock as it was
    ],
)
def test_our_own_export_across_a_set_clock_is_judged_as_it_was(
    tmp_path: Path, site: Settings, capsys: Any, steps: tuple, notes: int
) -> None:
    """Whichever way the clock was set, what `export` wrote is replayed without a bad row to the
    very events of the live judge, and the settings of the clock are said on stderr."""
    made = list(ticks(*steps))
    live = Judge(site)
    events = [event.as_json() for tick in made for event in live.look(tick)]
    assert len(events) > 20
    writer = Writer(tmp_path, site, [])
    for i in range(0, len(made), 9):
        for offset in dict.fromkeys(t.offset_s for t in made[i : i + 9]):
            writer.keep([t for t in made[i : i + 9] if t.offset_s == offset], [], None)
    writer.close()
    with Reader(tmp_path) as reader:
        names = ["line", "run"]
        stepped = reader.stepped()
        spans = list(reader.slices(0.0, 4e9, 900.0))
        assert [t for a, b in spans for t in reader.steady(names, a, b)] == made
    assert stepped is (notes > 0)

    file, given = tmp_path / "export.csv", str(tmp_path / "site.toml")
    assert main(["export", "--state", str(tmp_path), "--settings", given, "-o", str(file)]) == 0
    assert ("clock was set" in capsys.readouterr().err) is stepped
    told: list[str] = []
    again, found = Judge(site), Recording(file, site, told.append)
    replayed = [event.as_json() for tick in found for event in again.look(tick)]
    assert (told, found.notes) == ([], [])
    if stepped:
        assert replayed == events
    else:
        assert [e["kind"] for e in replayed] == [e["kind"] for e in events]
    assert main(["replay", str(file), "--settings", given, "--json"]) == 0
    said = capsys.readouterr().err.splitlines()
    assert len([line for line in said if "the clock was set" in line]) == notes == len(said)


def test_a_bad_steady_second_spoils_its_own_row(tmp_path: Path, site: Settings) -> None:
    """In a recording with steady seconds a row without a good one, or with one that does not go
    forward, is named and left out, and every other row is used."""
    made = list(ticks((0.0, -3600.0)))[:6]
    text = io.StringIO()
    write(text, site, made, steady=True)
    lines = text.getvalue().splitlines()
    bad = [lines[2].replace(f"{T0 + 10:.3f}", other) for other in ("", "-5", "nan", "9e10", "7_0")]
    path = tmp_path / "bad.csv"
    path.write_text("\n".join([*lines[:4], *bad, lines[1], *lines[4:]]))
    told: list[str] = []
    assert list(Recording(path, site, told.append)) == made
    assert len(told) == 6
    assert "expected a time after the row before (steady second" in told[-1]
