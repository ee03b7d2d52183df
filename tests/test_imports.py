"""Imports point one way: sense, judge, keep and tell do not know each other."""

import ast
from collections.abc import Iterator, Mapping
from graphlib import CycleError, TopologicalSorter
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]

# What each part may import of this project; the longest name that fits a module rules it.
# "edge.core" covers all under it. Parts may always import from within themselves.
MAY: dict[str, tuple[str, ...]] = {
    "edge": (),
    "edge.model": (),
    "edge.errors": (),
    "edge.ports": ("edge.model",),
    "edge.record": ("edge.model",),
    "edge.advice": (),
    "edge.caution": (),
    "edge.methods": ("edge.model", "edge.core.units"),
    "edge.usual": (),
    "edge.work": (
        "edge.model",
        "edge.core",
        "edge.methods",
        "edge.record",
        "edge.settings",
        "edge.usual",
    ),
    "edge.worked": ("edge.record", "edge.usual", "edge.work"),
    "edge.core": ("edge.model", "edge.errors"),
    "edge.words": ("edge.core", "edge.settings"),
    "edge.measure": ("edge.model", "edge.core", "edge.settings", "edge.words"),
    "edge.cause": ("edge.measure",),
    "edge.detect": (
        "edge.model",
        "edge.core",
        "edge.measure",
        "edge.cause",
        "edge.hold",
        "edge.settings",
        "edge.visit",
        "edge.words",
        "edge.work",
    ),
    "edge.hold": (
        "edge.model",
        "edge.core",
        "edge.measure",
        "edge.methods",
        "edge.settings",
        "edge.words",
    ),
    "edge.visit": (
        "edge.model",
        "edge.core",
        "edge.measure",
        "edge.cause",
        "edge.record",
        "edge.settings",
        "edge.words",
    ),
    "edge.alarms": ("edge.model", "edge.advice", "edge.core", "edge.detect"),
    "edge.picture": (
        "edge.model",
        "edge.advice",
        "edge.core",
        "edge.measure.runs",
        "edge.detect",
        "edge.alarms",
    ),
    "edge.judge": (
        "edge.model",
        "edge.core",
        "edge.measure",
        "edge.hold",
        "edge.detect",
        "edge.alarms",
        "edge.picture",
        "edge.record",
        "edge.settings",
        "edge.visit",
        "edge.words",
        "edge.work",
    ),
    "edge.rules": (
        "edge.model",
        "edge.core",
        "edge.methods",
        "edge.sensors",
        "edge.usual",
    ),
    "edge.values": ("edge.core",),
    "edge.settings": ("edge.model", "edge.errors", "edge.core", "edge.rules", "edge.values"),
    "edge.plant": (),
    "edge.story": ("edge.plant",),
    "edge.attendance": (),
    "edge.clock": (),
    "edge.heartbeat": (),
    "edge.memory": (),
    "edge.health": ("edge.clock", "edge.model", "edge.ports"),
    "edge.lastgood": ("edge.errors", "edge.settings"),
    "edge.latest": ("edge.model", "edge.settings"),
    "edge.keeper": ("edge.model", "edge.errors", "edge.ports"),
    "edge.daemon": (
        "edge.model",
        "edge.core.calibration",
        "edge.errors",
        "edge.ports",
        "edge.settings",
        "edge.clock",
        "edge.heartbeat",
        "edge.keeper",
        "edge.latest",
    ),
    "edge.recording": ("edge.model", "edge.errors", "edge.core", "edge.settings"),
    "edge.redact": ("edge.settings",),
    "edge.support": (
        "edge.model",
        "edge.errors",
        "edge.redact",
        "edge.settings",
        "edge.store",
        "edge.tell.secrets",
    ),
    "edge.sensors": ("edge.model", "edge.errors", "edge.ports", "edge.core", "edge.settings"),
    "edge.sensors.simulated": (
        "edge.model",
        "edge.errors",
        "edge.plant",
        "edge.story",
        "edge.settings",
    ),
    "edge.store": (
        "edge.model",
        "edge.errors",
        "edge.ports",
        "edge.core",
        "edge.record",
        "edge.settings",
    ),
    "edge.week": (
        "edge.model",
        "edge.advice",
        "edge.core",
        "edge.settings",
        "edge.usual",
        "edge.words",
    ),
    "edge.tell": (
        "edge.model",
        "edge.advice",
        "edge.caution",
        "edge.errors",
        "edge.ports",
        "edge.core",
        "edge.settings",
        "edge.week",
        "edge.words",
    ),
    "edge.box": ("edge.errors", "edge.model", "edge.sensors.gpio", "edge.settings"),
    "edge.wiring": ("edge",),
    "edge.demo": ("edge",),
    "edge.commands": ("edge",),
    "edge.commands.access": ("edge", "web"),
    "edge.commands.label": ("edge", "web"),
    "edge.commands.page": ("edge", "web"),
    "edge.__main__": ("edge",),
    "web": (
        "edge.model",
        "edge.advice",
        "edge.caution",
        "edge.errors",
        "edge.settings",
        "edge.core.air_supply",
        "edge.core.purge",
        "edge.core.units",
        "edge.core.volume",
        "edge.hold.clause",
        "edge.methods",
        "edge.hold.offered",
        "edge.hold.where",
        "edge.record",
        "edge.recording",
        "edge.week",
        "edge.store.curves",
        "edge.store.read",
        "edge.store.requests",
        "edge.visit.steps",
    ),
}

PURE = (
    "edge.advice",
    "edge.alarms",
    "edge.cause",
    "edge.core",
    "edge.detect",
    "edge.hold",
    "edge.judge",
    "edge.measure",
    "edge.methods",
    "edge.picture",
    "edge.plant",
    "edge.record",
    "edge.redact",
    "edge.work",
    "edge.worked",
    "edge.tell.when",
    "edge.usual",
    "edge.visit",
    "edge.week",
    "edge.words",
)
"""Parts without clock, input or output."""

BANNED = {
    "asyncio", "http", "io", "logging", "os", "pathlib", "random", "select",
    "shutil", "signal", "socket", "sqlite3", "subprocess", "tempfile", "threading", "time",
    "urllib", "paho", "sqlite_utils", "flask", "gpiozero", "adafruit_ads1x15",
}  # fmt: skip
SEEDED = {"edge.plant.weather": {"random"}}  # random.Random(seed) only

FILES = sorted(
    path
    for package in ("edge", "web")
    for path in (ROOT / package).rglob("*.py")
    if "__pycache__" not in path.parts
)


def module_of(path: Path) -> str:
    parts = path.relative_to(ROOT).with_suffix("").parts
    return ".".join(parts[:-1] if parts[-1] == "__init__" else parts)


def exists(module: str) -> bool:
    base = ROOT.joinpath(*module.split("."))
    return base.with_suffix(".py").exists() or base.is_dir()


def imported(source: str) -> Iterator[str]:
    """Every module that a file imports, by its full name; of `from edge import x`, edge.x."""
    for node in ast.walk(ast.parse(source)):
        if isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, "imports are written in full"
            base = str(node.module)
            for alias in node.names:
                inner = f"{base}.{alias.name}"
                yield inner if base.split(".")[0] in ("edge", "web") and exists(inner) else base


def loaded(source: str) -> Iterator[str]:
    """Every module that a file loads late by a name that is written there."""
    for node in ast.walk(ast.parse(source)):
        if isinstance(node, ast.Call) and node.args:
            named = (
                node.func.attr if isinstance(node.func, ast.Attribute) else ast.unparse(node.func)
            )
            first = node.args[0]
            if named in ("import_module", "__import__") and isinstance(first, ast.Constant):
                yield str(first.value)


def circle(sources: Mapping[str, str]) -> list[str]:
    """The files of one circle of imports, wherever in a file they stand; none where there is none."""
    graph = {
        module: {name for name in (*imported(source), *loaded(source)) if name in sources}
        - {module}
        for module, source in sources.items()
    }
    try:
        TopologicalSorter(graph).prepare()
    except CycleError as error:
        return list(error.args[1])
    return []


def within(module: str, part: str) -> bool:
    return module == part or module.startswith(part + ".")


def rule_of(module: str) -> str:
    return max((part for part in MAY if within(module, part)), key=len)


def faults_in(module: str, source: str) -> list[str]:
    part = rule_of(module)
    allowed = (part, *MAY[part])
    if part.count(".") > 1:  # a file with a rule of its own still belongs to its package
        allowed = (*allowed, part.rpartition(".")[0])
    faults = []
    for name in imported(source):
        if name.split(".")[0] in ("edge", "web"):
            if name != "edge" and not any(within(name, a) for a in allowed):
                faults.append(f"{module} imports {name}")
        elif any(within(module, pure) for pure in PURE):
            top = name.split(".")[0]
            if top in BANNED - SEEDED.get(module, set()):
                faults.append(f"{module} imports {name}, though it must be pure")
    return faults


@pytest.mark.parametrize("path", FILES, ids=module_of)
def test_imports_point_one_way(path: Path) -> None:
    """Each file imports only what the map of its part allows, and pure parts no clock and no I/O."""
    module = module_of(path)
    assert module == "edge" or rule_of(module) != "edge", f"{module} has no place in the map"
    assert faults_in(module, path.read_text()) == []


def test_the_check_sees_every_way_of_importing() -> None:
    """A wrong import is seen as `import a.b`, as `from a import b`, inside a function, and in a pure part."""
    assert faults_in("edge.core.units", "import edge.daemon")
    assert faults_in("edge.core.units", "from edge import daemon")
    assert faults_in("edge.core.units", "from edge.daemon import Daemon")
    assert faults_in("edge.sensors.gpio", "def f():\n    from edge import store")
    assert faults_in("edge.store.write", "from edge.tell import mqtt")
    assert faults_in("web.views", "from edge.store import write")
    assert faults_in("edge.core.units", "import time")
    assert faults_in("edge.plant", "from edge.core import units")
    assert not faults_in("web.views", "from edge.store import read\nimport time")


def test_no_files_import_each_other() -> None:
    """No file of edge or web comes back to itself by way of what it imports, late imports included."""
    assert circle({module_of(path): path.read_text() for path in FILES}) == []


@pytest.mark.parametrize(
    "back",
    [
        "from web import paper",
        "from web.paper import style",
        "def f():\n    from web import paper",
        "def f():\n    importlib.import_module('web.paper')",
    ],
)
def test_the_check_sees_a_circle_however_it_is_closed(back: str) -> None:
    """Three files in a ring are found by an import at the top, in a function and by name; in a row they are none."""
    row = {"web.paper": "from web import faces", "web.faces": "import web.shown", "web.shown": ""}
    assert circle(row) == []
    assert set(circle({**row, "web.shown": back})) == set(row)


def test_pure_parts_never_ask_for_the_time_of_day() -> None:
    """No pure file calls now(), today() or utcnow(), by whatever module."""
    for path in FILES:
        if any(within(module_of(path), pure) for pure in PURE):
            for node in ast.walk(ast.parse(path.read_text())):
                if isinstance(node, ast.Call) and isinstance(node.func, ast.Attribute):
                    assert node.func.attr not in ("now", "today", "utcnow"), path


def test_nothing_heavy_is_imported_at_run_time() -> None:
    """No file of the product imports numpy, scipy or pandas: the daemon must stay small."""
    for path in FILES:
        tops = {name.split(".")[0] for name in imported(path.read_text())}
        assert not tops & {"numpy", "scipy", "pandas"}, path
