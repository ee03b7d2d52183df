"""`dryhold size` and `dryhold purge` as a person at a shell meets them."""

import json
from pathlib import Path
from typing import Any

import pytest

from edge.__main__ import main
from edge.core.units import FOOT3, GALLON, PSI


def told(capsys: Any, *words: str) -> tuple[int, Any]:
    """Exit status and the one section that a command tells of as JSON."""
    status = main([*words, "--json"])
    return status, json.loads(capsys.readouterr().out)["sections"][0]


def test_volume_from_pipes(capsys: Any) -> None:
    """Pipes in every way of writing, with fittings, add up to the printed capacities."""
    status, found = told(
        capsys, "size", "--pipe", "4 10 300 ft", "--pipe", "2 1/2 sch 40 x 120 ft",
        "--pipe", "8 wall 0.188 in, 60 ft", "--fittings", "5 %",
    )  # fmt: skip
    printed = 0.7404 * 300 + 0.2487 * 120 + 2.776 * 60  # gal/ft, sprinkler capacity tables
    assert status == 0
    assert found["take_off"]["volume_l"] / GALLON == pytest.approx(1.05 * printed, rel=0.003)
    assert [p["size"] for p in found["take_off"]["pipes"]] == ["4", "2-1/2", "8"]


@pytest.mark.parametrize(("loss", "gallons"), [("0 scfm", 660.0), ("5 scfm", 495.0)])
def test_volume_by_a_timed_fill(capsys: Any, loss: str, gallons: float) -> None:
    """The receiver of Esposito's example, 660 and 495 gal, alone and beside a take-off that is far
    off."""
    fill = ["--fill-flow", "20 scfm", "--fill-loss", loss, "--fill-time", "6 min",
            "--fill-from", "80 psi", "--fill-to", "100 psi"]  # fmt: skip
    _, alone = told(capsys, "size", *fill)
    assert alone["measured"]["volume_l"] / GALLON == pytest.approx(gallons, rel=0.001)
    _, found = told(capsys, "size", "--volume", "350 gal", *fill)
    assert found["measured"]["volume_l"] / GALLON == pytest.approx(gallons, rel=0.001)
    assert found["compared"]["rel"] == pytest.approx(gallons / 350.0 - 1.0, rel=0.003)
    assert found["compared"]["agree"] is False
    assert found["compared"]["sigmas"] > 2.0


def test_air_supply_runs_and_cost(capsys: Any) -> None:
    """500 gal to 40 psi want 6.06 scfm; a compressor of 4 scfm is a plain no, one of 7 is not."""
    words = ["size", "--volume", "500 gal", "--pressure", "40 psi", "--production", "45 scfh",
             "--loss", "4.5 scfh", "--cut-in", "38 psi", "--cut-out", "52 psi"]  # fmt: skip
    status, found = told(capsys, *words, "--compressor", "4 scfm")
    assert status == 1
    assert found["air_supply"]["needed_l_min"] / FOOT3 == pytest.approx(6.06, abs=0.005)
    assert found["air_supply"]["enough"] is False
    assert found["cycling"]["duty"] == pytest.approx(0.1)
    assert found["cost"]["hours"] == pytest.approx(876.6)
    assert told(capsys, *words, "--compressor", "7 scfm")[0] == 0
    main([*words, "--compressor", "4 scfm"])
    said = capsys.readouterr().out
    assert "6.06 scfm" in said
    assert "does NOT" in said


def test_an_air_supply_that_the_volume_leaves_open(capsys: Any) -> None:
    """A volume that is only told (± 20 %) leaves 6.1 scfm for 500 gal open; at 6 °F the same pipe
    takes 519.67/465.67 times the gas (ideal gas law)."""
    words = ["size", "--volume", "500 gal", "--pressure", "40 psi", "--compressor", "6.1 scfm"]
    status, found = told(capsys, *words)
    supply = found["air_supply"]
    assert (status, supply["enough"], supply["sure"]) == (0, True, False)
    assert supply["takes_high_s"] / supply["takes_s"] == pytest.approx(1.2)
    main(words)
    assert "MAY OR MAY NOT" in capsys.readouterr().out
    _, cold = told(capsys, *words, "--gas", "6 °F")
    ratio = cold["air_supply"]["needed_l_min"] / supply["needed_l_min"]
    assert ratio == pytest.approx(519.67 / 465.67, rel=1e-5)
    assert cold["air_supply"]["enough"] is False


def test_purging(capsys: Any) -> None:
    """0 to 40 psig with 1 % in the supply goes 20.95, 6.36, 2.44, 1.39; 98 % never makes 98 %."""
    words = ["purge", "--volume", "1000 gal", "--pressure", "40 psi", "--loss", "10 scfh"]
    status, found = told(capsys, *words, "--nitrogen", "99 %")
    assert status == 0
    assert found["oxygen_by_cycle_pct"] == pytest.approx([20.95, 6.36, 2.44, 1.39], abs=0.006)
    assert found["sweep_s"] > 86400.0
    _, again = told(capsys, *words, "--nitrogen", "99 %", "--within", f"{found['sweep_s']:.3f} s")
    assert again["flow_for_that_l_min"] == pytest.approx(found["flow_l_min"], rel=1e-6)
    status, found = told(capsys, *words, "--nitrogen", "98 %")
    assert (status, found["never"], found["sweep_s"], found["cycles"]) == (1, True, None, None)
    main([*words, "--nitrogen", "98 %"])
    assert "NEVER with this supply" in capsys.readouterr().out


def test_bypass_fill(capsys: Any) -> None:
    """36 psig in bypass and 4 psi at 1.5 % leave 19.5 % oxygen."""
    _, found = told(
        capsys, "purge", "--volume", "1000 gal", "--pressure", "40 psi", "--bypass-to", "36 psi"
    )
    assert found["oxygen_after_bypass_fill_pct"] == pytest.approx(19.5, abs=0.05)


def test_from_settings(capsys: Any, saltmarsh: Path, tmp_path: Path) -> None:
    """A settings file gives every section, its pipes, its timed fill and the compressor."""
    text = saltmarsh.read_text().replace(
        'volume = "640 gal"\n',
        'pipe = [{ size = "4", schedule = "10", length = "800 ft" }]\nfittings = "4 %"\n'
        'fill = { flow = "6 scfm", time = "20 min", from = "0 psi", to = "20 psi" }\n',
    )
    site = tmp_path / "site.toml"
    site.write_text(text)
    assert main(["size", "--settings", str(site), "--json"]) == 0
    line, aisles = json.loads(capsys.readouterr().out)["sections"]
    assert line["take_off"]["volume_l"] / GALLON == pytest.approx(310.0)
    assert line["air_supply"] is None  # the half hour is the systems'
    assert aisles["take_off"]["volume_l"] / GALLON == pytest.approx(0.7404 * 800 * 1.04, rel=0.005)
    assert aisles["measured"]["volume_l"] / GALLON == pytest.approx(660.0, rel=0.01)
    assert aisles["compared"]["agree"] is True
    assert aisles["air_supply"]["to_kpa"] == pytest.approx(30.0 * PSI)
    assert main(["purge", "--settings", str(site), "--loss", "4 scfh", "--json"]) == 0
    purged = json.loads(capsys.readouterr().out)["sections"]
    assert [s["section"] for s in purged] == ["supply", "Freezer aisles 1-6"]


def test_what_leaks_and_what_is_vented_sweep_together(capsys: Any) -> None:
    """A leak of 2 and a vent of 1 scfh exchange the gas as fast as a leak of 3."""
    pipe = ["purge", "--volume", "1000 gal", "--pressure", "40 psi"]
    _, apart = told(capsys, *pipe, "--loss", "2 scfh", "--vent", "1 scfh")
    _, together = told(capsys, *pipe, "--loss", "3 scfh")
    assert apart["sweep_s"] == pytest.approx(together["sweep_s"])


def test_nothing_is_not_taken_for_not_given(capsys: Any, saltmarsh: Path) -> None:
    """A compressor that gives nothing is nothing, though the settings tell of another; a pressure
    of nothing is refused."""
    site = ["--settings", str(saltmarsh), "--section", "Freezer aisles 1-6"]
    status, found = told(capsys, "size", *site, "--compressor", "0 scfm")
    assert status == 1
    assert found["air_supply"]["compressor_l_min"] == 0.0
    for command in ("size", "purge"):
        assert main([command, *site, "--pressure", "0 psi"]) == 2
        assert "--pressure: expected more than zero" in capsys.readouterr().err


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["size"], "expected --settings, --pipe or --volume, found none of them"),
        (["size", "--pipe", "four inch"], '--pipe 1: expected "SIZE SCHEDULE LENGTH"'),
        (["size", "--pipe", "7 40 10 ft"], "--pipe 1, size: expected a nominal size"),
        (["size", "--pipe", "4 41 3 m"], '--pipe 1, schedule: expected one of 10, 30, 40'),
        (["size", "--volume", "3 L", "--pressure", "5"], '--pressure: expected a unit after'),
        (["size", "--volume", "3 L", "--loss", "-1 scfh"], "--loss: expected 0 or more"),
        (["size", "--volume", "3 L", "--fill-flow", "1 scfm"], "--fill-time, --fill-from"),
        (["purge", "--volume", "3 L"], "--pressure: expected what the pipe stands at"),
        (["purge", "--volume", "3 L", "--pressure", "1 bar", "--target", "198 %"], "--target: e"),
        (["purge", "--volume", "3 L", "--pressure", "1 bar", "--section", "a"], "--section: e"),
    ],
)  # fmt: skip
def test_faults(capsys: Any, words: list[str], said: str) -> None:
    """What is missing or wrong is told with its place, what was expected and what was found."""
    assert main(words) == 2
    complaint = capsys.readouterr().err
    assert said in complaint
    assert ", found " in complaint
