"""mezzmark: what footage costs to work with, measured on your own machine.

Every command is a function here with the same argument names:
`measure`, `report`, `inspect`, `encodings`, …; see `mezzmark.api`.
"""

from typing import Any

__version__ = "0.1.0"

__all__ = [
    "__version__",
    "choose",
    "demo",
    "describe_scenario",
    "encodings",
    "export",
    "inspect",
    "measure",
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

        return getattr(api, name)
    raise AttributeError(f"module 'mezzmark' has no attribute {name!r}")
