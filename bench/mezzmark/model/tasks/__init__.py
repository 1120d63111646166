"""One row a task, in a module that is loaded when it is asked for: a worker needs one alone."""

from collections import UserDict
from collections.abc import Mapping
from importlib import import_module
from typing import TYPE_CHECKING, Any, Final

if TYPE_CHECKING:
    from mezzmark.model.tasks.spec import TaskSpec

NAMES: Final = (
    *("scrub", "drag", "play", "streams", "editors"),
    *("encode", "grid", "ingest", "delivery", "decode", "fidelity", "storage", "kernel"),
)
"""In the order of reports; the row of "scrub" is SCRUB in the module `scrub`."""


class _TaskTable(UserDict[str, Any]):
    """Rows that nobody asked for yet are None."""

    def __getitem__(self, name: str) -> "TaskSpec":
        row = self.data[name]
        if row is None:
            module = import_module(f"{__name__}.{name}")
            row = self.data[name] = getattr(module, name.upper())
        spec: TaskSpec = row
        return spec


TASKS: Final = _TaskTable(dict.fromkeys(NAMES))  # Every task by its name, in the order of reports


def read_measurement(value: Any) -> Any:
    """A measurement by its task's row; ValueError for a task that is not known."""
    if not isinstance(value, Mapping):
        return value
    name = value.get("task")
    spec = TASKS.get(name) if isinstance(name, str) else None
    if spec is None:
        raise ValueError(f"there is no task {name!r}")
    return spec.measurement_model.model_validate(value)
