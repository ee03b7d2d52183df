"""README names everything a user can meet, and nothing in it is stale."""

import ast
import importlib
import re
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest
from pydantic import BaseModel

from edge.__main__ import COMMANDS
from edge.cause import ADVICE
from edge.detect import KINDS as ALERTS
from edge.sensors import KINDS as SENSORS
from edge.settings import Settings
from edge.tell import KINDS as MESSENGERS

ROOT = Path(__file__).parents[1]
README = (ROOT / "README.md").read_text()


def tables(model: type[BaseModel], name: str = "") -> Iterator[tuple[str, str]]:
    """(table, key) for every key of the settings, by the names that a file uses."""
    for field, info in model.model_fields.items():
        key = info.alias or field
        inner = [
            t
            for t in (info.annotation, *getattr(info.annotation, "__args__", ()))
            if isinstance(t, type) and issubclass(t, BaseModel)
        ]
        if inner and not name:
            yield from tables(inner[0], key)
        else:
            yield name, key
            for model_inside in inner:
                yield from tables(model_inside, f"{name}.{key}")


@pytest.mark.parametrize(("table", "key"), list(tables(Settings)))
def test_every_setting_is_in_readme(table: str, key: str) -> None:
    """Each key is named in code letters under a heading of its table, or where its parent is explained."""
    name = table.split(".")[0]
    parts = [part for part in README.split("\n\n") if f"[{name}" in part.splitlines()[0]]
    assert parts, f"no table for [{name}]"
    told = rf"`{key}`|\b{key} = |\[\[{name}\.{key}\]\]"
    assert any(re.search(told, part) for part in parts), f"[{table}] {key}"


def options_of(*words: str) -> set[str]:
    """Every long option that `dryhold words... --help` knows, its sub-commands' included."""
    shown = subprocess.run(
        [sys.executable, "-m", "edge", *words, "--help"],
        capture_output=True,
        text=True,
        check=True,
        cwd=ROOT,
    ).stdout
    inner = re.findall(r"(?m)^    ([a-z]+)(?:  |$)", shown) if " WORD ..." in shown else []
    own = set(re.findall(r"--[a-z][a-z-]+", shown.split("options:")[1])) - {"--help"}
    return own.union(*(options_of(*words, word) for word in inner))


@pytest.mark.parametrize("command", COMMANDS)
def test_every_command_and_its_options_are_in_readme(command: str) -> None:
    """README's rows for a command name every option that its --help knows, and no other."""
    rows = [line for line in README.splitlines() if line.startswith(f"| `dryhold {command} ")]
    assert rows
    told = {option for row in rows for option in re.findall(r"--[a-z][a-z-]+", row.split("` |")[0])}
    assert told == options_of(command)


@pytest.mark.parametrize("kind", [*SENSORS])
def test_every_sensor_kind_is_in_readme(kind: str) -> None:
    """The table of inputs has a row for the kind, with an address that its pattern accepts."""
    rows = [line for line in README.splitlines() if line.startswith(f"| `{kind}`")]
    assert len(rows) == 1
    examples = re.findall(rf"`{kind}:?([^`]*)`", rows[0])[1:]
    assert examples
    assert all(SENSORS[kind].address.fullmatch(address) for address in examples)


@pytest.mark.parametrize("word", [*ALERTS, *ADVICE])
def test_every_alert_and_cause_is_in_readme(word: str) -> None:
    """Each alert that is detected and each cause that is named has one row that explains it."""
    section = README.split("## Alerts")[1].split("## MQTT")[0]
    assert section.count(f"\n| `{word}` |") == 1


def test_alerts_have_the_priority_that_readme_says() -> None:
    """The priority in README is the detector's own."""
    for alert, where in ALERTS.items():
        module, _, name = where.partition(":")
        detector = getattr(importlib.import_module(module), name)
        assert f"| `{alert}` | {detector.priority} |" in README, alert


def test_every_event_kind_in_the_code_is_in_readme() -> None:
    """Every kind that some file gives an event is in the table of kinds, and the table has no other."""
    table = README.split("## Events")[1].split("## Alerts")[0]
    told = {
        kind
        for row in table.splitlines()
        if row.startswith("| `")
        for kind in re.findall(r"`([a-z_]+)`", row.split("|")[1])
    }
    made = set()
    for path in (ROOT / "edge").rglob("*.py"):
        for node in ast.walk(ast.parse(path.read_text())):
            if isinstance(node, ast.Constant) and isinstance(node.value, str):
                made |= {node.value} & told
            if isinstance(node, ast.Call) and getattr(node.func, "id", "") == "Event":
                kind = node.args[1] if len(node.args) > 1 else None
                if isinstance(kind, ast.Constant):
                    assert kind.value in told, f"{path.name}: {kind.value}"
    assert told == made


def test_every_messenger_is_in_readme() -> None:
    """Each message channel's settings table is described."""
    for kind in MESSENGERS:
        assert f"`[[{kind}]]`" in README


def test_links_lead_to_files() -> None:
    """Every relative link in the documents leads to a file of the repository."""
    for name in ("README.md", "DEVELOPERS.md", "hardware.md"):
        for target in re.findall(r"\]\((?!https?:|#)([^)#]+)", (ROOT / name).read_text()):
            assert (ROOT / target).exists(), f"{name}: {target}"


def test_developers_md_keeps_its_order() -> None:
    """Goals, flow, nothing, time, errors, names, how to add, the house, habits, glossary."""
    heads = re.findall(r"(?m)^## (.*)$", (ROOT / "DEVELOPERS.md").read_text())
    assert heads == [
        "Goals", "Flow", "Nothing", "Time", "Errors", "Names", "How to add", "The house",
        "Habits", "Glossary",
    ]  # fmt: skip


def test_the_module_map_is_true() -> None:
    """Every path that DEVELOPERS.md names is there."""
    text = (ROOT / "DEVELOPERS.md").read_text()
    for path in set(re.findall(r"`((?:edge|web|tests|systemd|\.ci)/[\w./-]*)`", text)):
        assert (ROOT / path).exists(), path
