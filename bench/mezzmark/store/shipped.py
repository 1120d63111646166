"""Scenarios and report templates that ship with mezzmark.

An installed wheel holds them under `mezzmark/shipped/`; a checkout holds them at its top.
"""

from pathlib import Path

import mezzmark
from mezzmark.model.errors import ScenarioError

_PACKAGE = Path(mezzmark.__file__).resolve().parent
_ROOTS = (_PACKAGE / "shipped", _PACKAGE.parent.parent)


def shipped_folder(name: str) -> Path:
    """The folder `scenarios` or `report_templates` as shipped. FileNotFoundError when the
    installation is incomplete, which is our mistake and not the user's."""
    for root in _ROOTS:
        if (root / name).is_dir():
            return root / name
    raise FileNotFoundError(f"mezzmark was installed without its {name} folder")


def scenario_names() -> tuple[str, ...]:
    """Names of the scenarios that ship, in order."""
    return tuple(sorted(path.stem for path in shipped_folder("scenarios").glob("*.toml")))


def find_scenario(scenario: str | Path) -> Path:
    """The file of a shipped scenario's name, or of a path; ScenarioError when there is neither.

    An existing file wins over a shipped name, so that a local change is what is measured.
    """
    path = Path(scenario)
    if path.is_file():
        return path
    shipped = shipped_folder("scenarios") / f"{scenario}.toml"
    if shipped.is_file():
        return shipped
    raise ScenarioError(
        where=str(scenario),
        what="is neither a file nor a scenario that ships with mezzmark",
        remedy=f"Give the path of a TOML file, or one of: {', '.join(scenario_names())}.",
    )
