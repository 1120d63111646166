"""What the package stands on is what it says: imports, declared dependencies, the lock file; and a
program that uses it is checked by its types."""

import ast
import re
import subprocess
import sys
import tomllib
from importlib.metadata import packages_distributions
from pathlib import Path

import pytest
from packaging.requirements import Requirement
from packaging.utils import canonicalize_name

ROOT = Path(__file__).parents[2]
PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
RUNS_ON = (*PROJECT["dependencies"], *PROJECT["optional-dependencies"]["fleet"])
EXTRAS = ("parquet", "pytest")
PART_OF_PYDANTIC = "pydantic-core"


def _named(requirements: list[str] | tuple[str, ...]) -> dict[str, Requirement]:
    found = (Requirement(text) for text in requirements)
    return {canonicalize_name(one.name): one for one in found if one.name != "mezzmark"}


def _imported() -> set[str]:
    modules = set()
    for path in (ROOT / "bench" / "mezzmark").rglob("*.py"):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Import):
                modules |= {alias.name.partition(".")[0] for alias in node.names}
            elif isinstance(node, ast.ImportFrom) and node.module and not node.level:
                modules.add(node.module.partition(".")[0])
    installed = packages_distributions()
    others = modules - set(sys.stdlib_module_names) - {"mezzmark"}
    return {canonicalize_name(installed[name][0]) for name in others}


def test_every_import_is_a_dependency_and_every_dependency_is_imported() -> None:
    """What the package imports from others is declared in pyproject.toml, and nothing else is."""
    extras = [text for name in EXTRAS for text in PROJECT["optional-dependencies"][name]]
    assert _imported() - {PART_OF_PYDANTIC} == {*_named([*RUNS_ON, *extras])}


def test_the_lock_file_meets_every_bound() -> None:
    """Each declared dependency, extras of tests and development too, is locked at a version that
    its bounds allow."""
    lock = (ROOT / ".ci" / "requirements.lock").read_text(encoding="utf-8")
    pins = re.findall(r"^([\w.-]+)==(\S+)", lock, re.MULTILINE)
    locked = {canonicalize_name(name): version for name, version in pins}
    for extra in PROJECT["optional-dependencies"].values():
        for name, asked in _named([*RUNS_ON, *extra]).items():
            assert asked.specifier.contains(locked[name]), (name, locked[name])


@pytest.mark.slow
def test_a_users_program_is_checked_by_its_types(tmp_path: Path) -> None:
    """The README's program passes mypy's strict rules, with all types of results imported from
    where the functions are, and one with a wrong argument does not."""
    pytest.importorskip("mypy")
    text = (ROOT / "README.md").read_text(encoding="utf-8")
    [program] = re.findall(r"```python\n(.*?)```", text, re.DOTALL)
    # Types of pandas, where installed, refuse a list of quantiles.
    program = re.sub(r".*groupby.*\n", "", program)
    library = (ROOT / "bench" / "mezzmark" / "api.py").read_text(encoding="utf-8")
    types = re.findall(r"import (\w+) as \1$", library, re.MULTILINE)
    assert "Choice" in types
    program = f"from mezzmark.api import {', '.join(types)}\n{program}"
    for source, status in ((program, 0), (f"{program}\nmezzmark.size(run, shop=1)\n", 1)):
        path = tmp_path / "program.py"
        path.write_text(source, encoding="utf-8")
        rules = ("--strict", "--follow-imports=silent", "--no-error-summary")
        cache = f"--cache-dir={tmp_path / 'cache'}"
        found = subprocess.run(
            [sys.executable, "-m", "mypy", *rules, cache, str(path)],
            capture_output=True,
            text=True,
            check=False,
            cwd=tmp_path,
            env={"MYPYPATH": str(ROOT / "bench"), "PATH": ""},
        )
        assert found.returncode == status, found.stdout + found.stderr
    assert 'Argument "shop" to "size"' in found.stdout
