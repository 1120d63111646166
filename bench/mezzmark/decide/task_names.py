"""Tasks as people call them, in running text."""

from typing import Final

from mezzmark.facts.cells import Task

TASK_NAMES: Final[dict[Task, str]] = {
    "scrub": "time to picture",
    "encode": "encoding",
    "grid": "encoding in several jobs",
    "ingest": "ingest",
    "delivery": "delivery",
}
"""Tasks that are compared; the reference kernel and fidelity are not among them."""
