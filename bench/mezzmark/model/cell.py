"""Cells and their order: what is measured, how often, and when."""

from typing import Final, Literal

from mezzmark.model.fact import Fact
from mezzmark.model.scenario import Pattern, Policy, Threading
from mezzmark.model.throughput import ClipOrder, Passes

Task = Literal["scrub", "encode", "grid", "ingest", "delivery", "fidelity", "kernel"]
"""`fidelity` is judged, not timed, and comes once. `kernel` is the fixed reference workload that
tells drift of the machine from the codec's."""

ALL_CLIPS: Final = "all clips"
"""The clip name of a cell that moves between clips (the pattern `hop`) or ingests the folder."""

KERNEL_CLIP: Final = "no clip"
"""The clip name of reference kernel cells, which use no footage."""

KERNEL_ENCODING: Final = "reference kernel"
"""The encoding name of reference kernel cells."""


class Cell(Fact):
    """Clip × encoding × task × settings. Two trials of one cell measure the same thing."""

    task: Task
    clip: str
    encoding: str
    thread_count: int = 1
    pattern: Pattern | None = None
    policy: Policy | None = None
    threading: Threading | None = None
    viewer_height_px: int | None = None
    decoder: Literal["software", "cuda"] = "software"
    arm: Literal["", "null"] = ""
    job_count: int = 1
    order: ClipOrder | None = None
    height_px: int | None = None
    passes: Passes | None = None
    is_pinned: bool = False

    @property
    def cell_id(self) -> str:
        """A readable key, the same in every run of the same cell."""
        parts = [self.task, self.clip, self.encoding]
        if self.pattern:
            parts.append(self.pattern)
        if self.policy:
            parts.append(self.policy)
        parts.append(f"{self.thread_count}t")
        if self.threading and self.thread_count > 1:
            parts.append(self.threading)
        if self.decoder != "software":
            parts.append(self.decoder)
        if self.task in ("grid", "ingest"):
            parts.append(f"{self.job_count}j")
        if self.order:
            parts.append(self.order)
        if self.height_px:
            parts.append(f"{self.height_px}p")
        if self.passes:
            parts.append("one pass" if self.passes == 1 else "two passes")
        if self.is_pinned:
            parts.append("pinned")
        if self.arm:
            parts.append(self.arm)
        return " | ".join(parts)


class PlannedTrial(Fact):
    """One cell in one round. `position` is its place in the round's shuffled order; `seed` is
    shared by all cells of the round that replay the same requests."""

    round_index: int
    position: int
    cell: Cell
    seed: int
