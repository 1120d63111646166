"""mezzmark: what footage costs to work with, measured on your own machine.

Every command is a function here with the same argument names:
`measure`, `report`, `inspect`, `encodings`, …; see `mezzmark.api`.
"""

import sys
from importlib import import_module
from types import ModuleType
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from mezzmark.api import *  # for editors; the functions load when first used

__version__ = "0.1.0"

__all__ = [
    "__version__",
    "choose",
    "demo",
    "describe_scenario",
    "describe_shop",
    "encodings",
    "export",
    "fleet_check",
    "fleet_ingest",
    "fleet_list",
    "fleet_measure",
    "inspect",
    "measure",
    "measure_series",
    "publish",
    "read_runs",
    "regress",
    "report",
    "rig",
    "scenario_schema",
    "scenario_text",
    "shipped_scenarios",
    "size",
]


def __getattr__(name: str) -> Any:
    # The functions load when first used, so that `import mezzmark` costs nothing.
    if name in __all__:
        from mezzmark import api

        if "IPython" in sys.modules:
            import_module("mezzmark.report.notebook")
        return getattr(api, name)
    raise AttributeError(f"module 'mezzmark' has no attribute {name!r}")


def __dir__() -> list[str]:
    return [*__all__, *(name for name in globals() if name.startswith("__"))]


class _Package(ModuleType):
    """Keeps `mezzmark.report` the function. Python sets a subpackage as an attribute of its parent
    when it is first imported, and the subpackage `report` would take the function's place."""

    def __setattr__(self, name: str, value: object) -> None:
        if not (name in __all__ and isinstance(value, ModuleType)):
            super().__setattr__(name, value)


sys.modules[__name__].__class__ = _Package
