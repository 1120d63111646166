"""The task table: one row a task, each in a module of its own."""

from typing import Final

from mezzmark.model.tasks.delivery import DELIVERY
from mezzmark.model.tasks.encode import ENCODE
from mezzmark.model.tasks.fidelity import FIDELITY
from mezzmark.model.tasks.grid import GRID
from mezzmark.model.tasks.ingest import INGEST
from mezzmark.model.tasks.kernel import KERNEL
from mezzmark.model.tasks.scrub import SCRUB
from mezzmark.model.tasks.spec import TaskSpec

TASKS: Final[dict[str, TaskSpec]] = {
    spec.name: spec for spec in (SCRUB, ENCODE, GRID, INGEST, DELIVERY, FIDELITY, KERNEL)
}
"""Every task by its name, in the order of reports."""
