"""The arrow of imports points downwards only, and each library stays in its layer."""

import ast
from pathlib import Path

import pytest

import mezzmark

PACKAGE = Path(mezzmark.__file__).parent
RANK = {
    "facts": 0,
    "statistics": 0,
    "own_files": 0,
    "host": 1,
    "host_clock": 1,
    "host_linux": 1,
    "engines": 1,
    "worker": 2,
    "store": 2,
    "decide": 2,
    "runner": 3,
    "report": 6,
    "api": 7,
    "pytest_suite": 7,
    "cli": 8,
}
"""A module may import its own layer and those of lower rank; facts never imports statistics. The
runner appends to the store and stops by what decide says of the precision, so both lie below."""

PURE_LAYERS = ("facts", "statistics", "decide")
WORLD = {"av", "pandas", "os", "time", "pathlib", "subprocess", "seaborn", "matplotlib", "jinja2"}
HOME = {
    "av": {"engines"},
    "pandas": {"report", "store"},
    "seaborn": {"report"},
    "matplotlib": {"report"},
    "jinja2": {"report"},
    "typer": {"cli"},
    "rich": {"cli"},
}


def _imports(path: Path) -> set[str]:
    names: set[str] = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            names |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom) and node.module:
            names |= {node.module} | {f"{node.module}.{alias.name}" for alias in node.names}
    return names


def _layer(path: Path) -> str:
    return path.relative_to(PACKAGE).parts[0].removesuffix(".py")


MODULES = sorted(p for p in PACKAGE.rglob("*.py") if "shipped" not in p.parts)


@pytest.mark.parametrize("path", MODULES, ids=lambda p: str(p.relative_to(PACKAGE)))
def test_imports_point_downwards_and_libraries_stay_home(path: Path) -> None:
    """No module imports a higher layer, and av, pandas, … are imported in their own layer only."""
    layer = _layer(path)
    for name in _imports(path):
        top = name.split(".")[0]
        if layer in PURE_LAYERS:
            assert top not in WORLD, f"{layer} is pure but imports {name}"
        if top in HOME:
            assert layer in HOME[top], f"{name} may be imported in {HOME[top]} only"
        if name.startswith("mezzmark.") and layer in RANK:
            target = name.split(".")[1]
            if target in RANK:
                assert RANK[target] <= RANK[layer], f"{layer} imports {name}, a higher layer"


def test_every_module_belongs_to_a_layer() -> None:
    """A new top-level module must be given its place in the order."""
    known = set(RANK) | {"__init__", "__main__", "shipped"}
    assert {_layer(path) for path in MODULES} <= known
