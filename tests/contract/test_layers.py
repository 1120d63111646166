"""The arrow of imports: a room imports the rooms its row names, and each library has a home."""

import ast
from pathlib import Path

import pytest

import mezzmark

PACKAGE = Path(mezzmark.__file__).parent

PURE = {"model", "statistics"}
ALLOWED: dict[str, set[str]] = {
    "model": {"statistics.quantiles"},
    "statistics": set(),
    "own_files": {"model"},
    "host": {"model"},
    "engines.media": {"model", "host", "own_files"},
    "engines.footage": {"model", "own_files", "engines.media", "engines.encode"},
    "engines.play": {"model", "host", "own_files", "engines.media", "engines.encode.process_pool"},
    "engines.encode": {"model", "host", "own_files", "engines.media", "engines.play"},
    "engines.picture": {
        *("model", "host", "own_files"),
        *("engines.media", "engines.play", "engines.encode"),
    },
    "engines": {"model"},
    "worker": {"model", "host", "own_files", "engines"},
    "store": {"model", "host", "own_files"},
    "decide.estimate": PURE,
    "decide.machine": PURE | {"decide.estimate"},
    "decide.picture": PURE | {"decide.estimate"},
    "decide.throughput": PURE | {"decide.estimate"},
    "decide.compare": PURE | {"decide.estimate", "decide.machine"},
    "decide.choose": PURE | {"decide.estimate", "decide.picture", "decide.machine"},
    "decide.size": PURE | {"decide.estimate", "decide.throughput", "decide.machine.identity"},
    "runner": {
        *PURE,
        *("host", "own_files", "store", "worker", "engines"),
        *("decide.estimate", "decide.compare.self_test"),
    },
    "fleet": {
        *(*PURE, "host", "own_files", "store", "runner", "engines"),
        "decide.size.over_hosts",
    },
    "report.view": PURE | {"decide"},
    "report.prose": PURE | {"decide", "report.view"},
    "report.tables": PURE | {"decide", "report.prose", "report.view"},
    "report.figures": PURE | {"decide", "report.prose", "report.view", "report.tables"},
    "report.sections": {
        *PURE,
        *("decide", "report.prose", "report.view", "report.tables", "report.figures"),
    },
    "report.export": PURE | {"decide.estimate", "store", "report.prose.numbers"},
    "report": PURE | {"decide", "store", "own_files", "report"},
    "api": {
        *("model", "host", "own_files", "engines", "store", "runner", "fleet", "decide", "report")
    },
    "pytest_suite": {
        *("model", "host", "engines.media", "store", "runner"),
        *("decide.estimate", "report.export"),
    },
    "cli": {"model", "api", "report.prose", "report.tables", "runner.events", "own_files", "host"},
}
"""Room → rooms (or single modules) it may import, besides itself."""

WORLD = {"av", "pandas", "os", "time", "pathlib", "subprocess", "seaborn", "matplotlib", "jinja2"}
"""What a pure room has no business with."""

HOME = {
    "av": {"engines"},
    "pandas": {"report", "store"},
    "seaborn": {"report"},
    "matplotlib": {"report"},
    "jinja2": {"report"},
    "typer": {"cli"},
    "rich": {"cli", "report"},
    "distributed": {"fleet"},
    "dask": {"fleet"},
}


def imports_of(text: str) -> set[str]:
    """Every dotted name that a module imports, at its top or in a function."""
    names: set[str] = set()
    for node in ast.walk(ast.parse(text)):
        if isinstance(node, ast.Import):
            names |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom) and node.module == "mezzmark":
            names |= {f"mezzmark.{alias.name}" for alias in node.names}
        elif isinstance(node, ast.ImportFrom) and node.module:
            full = {f"{node.module}.{alias.name}" for alias in node.names}
            modules = {name for name in full if name.removeprefix("mezzmark.") in MODULES}
            names |= modules or {node.module}
    return names


def room_of(dotted: str) -> str:
    """The row that a module (dotted, without the package's name) belongs to."""
    parts = dotted.split(".")
    return next(room for n in range(len(parts), 0, -1) if (room := ".".join(parts[:n])) in ALLOWED)


def complaints(dotted: str, text: str) -> list[str]:
    """What a module imports against the table."""
    room = room_of(dotted)
    top = room.split(".")[0]
    found = []
    for name in sorted(imports_of(text)):
        library = name.split(".")[0]
        if top in (*PURE, "decide") and library in WORLD:
            found.append(f"{room} is pure and imports {name}")
        if library in HOME and top not in HOME[library]:
            found.append(f"{name} lives in {HOME[library]} and is imported in {room}")
        if library != "mezzmark" or name in ("mezzmark", "mezzmark.__version__"):
            continue
        target = name.removeprefix("mezzmark.")
        allowed = {room, *ALLOWED[room]}
        if not any(target == one or target.startswith(f"{one}.") for one in allowed):
            found.append(f"{room} may not import {target}")
    return found


MODULES = {
    ".".join(path.relative_to(PACKAGE).with_suffix("").parts).removesuffix(".__init__"): path
    for path in sorted(PACKAGE.rglob("*.py"))
    if "shipped" not in path.parts and path.name != "__main__.py"
}
MODULES.pop("__init__", None)


@pytest.mark.parametrize("dotted", MODULES)
def test_a_module_imports_only_what_its_row_allows(dotted: str) -> None:
    """Rooms import the rooms that the table names, and each library stays at home."""
    if dotted in ("decide", "report", "engines"):
        assert imports_of(MODULES[dotted].read_text(encoding="utf-8")) == set()
        return
    assert complaints(dotted, MODULES[dotted].read_text(encoding="utf-8")) == []


@pytest.mark.parametrize(
    ("dotted", "text"),
    [
        ("decide.choose.planted", "from mezzmark.report.page import write_report"),
        ("decide.estimate.planted", "from mezzmark.decide.choose.choice import Choice"),
        ("decide.size.planted", "def late():\n    from mezzmark.store.run_store import read_run"),
        ("engines.play.planted", "from mezzmark.decide.estimate.ranking import Ranking"),
        ("model.planted", "import pandas"),
        ("runner.planted", "import av"),
        ("report.prose.planted", "from mezzmark.runner.run import run_scenario"),
    ],
)
def test_a_planted_violation_is_found(dotted: str, text: str) -> None:
    """The table is strict: an import against an arrow, sideways, or of a library away from home."""
    assert complaints(dotted, text) != []
