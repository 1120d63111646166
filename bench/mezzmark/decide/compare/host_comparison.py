"""What several hosts' runs say beside each other: ratios, refusals, differences and prices."""

from typing import Literal

from mezzmark.model.cell import Cell
from mezzmark.model.estimate import Estimate
from mezzmark.model.fact import Fact

Standing = Literal["faster", "slower", "the same", "cannot tell"]
"""The other host against the reference, with the error over all cells shown held at the level."""

Weight = Literal["matters", "may matter", "does not matter", "not known"]
"""What a difference between hosts does to a task's figures."""


class Price(Fact):
    """What a host costs; `unit` is the user's word for the money, empty where none was given."""

    amount: float
    unit: str = ""


class ComparedRun(Fact):
    """One run of the comparison under the label that is unique in it. `core_count` are the cores
    that its work could use."""

    run_id: str
    label: str
    started_utc: str
    core_count: int
    price: Price | None = None


class CellRatio(Fact):
    """One cell on both hosts. `speedup_ratio` is reference time / other time: above 1 the other is
    faster. The cells differ in threads or jobs only where both asked for all (or half) their cores.
    `adjusted_p` is adjusted for every cell of every host shown."""

    cell: Cell
    other_cell: Cell
    figure: str
    speedup_ratio: Estimate | None
    standing: Standing
    adjusted_p: float | None = None
    remark: str = ""


class TaskRatio(Fact):
    """The geometric mean over a task's common cells, round by round: of these cells, no others."""

    task: str
    cell_count: int
    speedup_ratio: Estimate
    standing: Standing
    adjusted_p: float


class Refusal(Fact):
    """Why cells of either run are not compared."""

    reason: str
    cell_ids: tuple[str, ...]


class Bearing(Fact):
    """What one difference does to one task, and why."""

    task: str
    weight: Weight
    reason: str


class Difference(Fact):
    """A fact that differs between two hosts, or is known of one of them only."""

    name: str
    reference: str
    other: str
    bearings: tuple[Bearing, ...]


class HostComparison(Fact):
    """One host against the reference. `kernel_ratio` is that of the reference kernel, a fixed piece
    of plain arithmetic on one core."""

    other: ComparedRun
    design: str
    assumption: str
    cells: tuple[CellRatio, ...]
    tasks: tuple[TaskRatio, ...]
    refusals: tuple[Refusal, ...]
    differences: tuple[Difference, ...]
    unknown: tuple[str, ...]
    kernel_ratio: Estimate | None
    cautions: tuple[str, ...] = ()

    @property
    def refused_count(self) -> int:
        """Cells of either run that are not compared."""
        return len({cell_id for refusal in self.refusals for cell_id in refusal.cell_ids})


class BestThroughput(Fact):
    """A host at its own best setting for one clip, encoding and task.

    `per_fps` is price / frames per second; `per_hour` is the price for each hour of footage that
    goes through in an hour; both None without a price. `against_reference` is how many times the
    reference's cost per unit this host's is (below 1: more for the money)."""

    label: str
    cell: Cell
    throughput: Estimate
    speedup_ratio: Estimate | None
    per_fps: Estimate | None = None
    per_hour: Estimate | None = None
    against_reference: Estimate | None = None


class HardwareComparison(Fact):
    """Several hosts, each against the first."""

    reference: ComparedRun
    others: tuple[HostComparison, ...]
    best: tuple[BestThroughput, ...]
    confidence_level: float
    tolerance_fraction: float

    @property
    def runs(self) -> tuple[ComparedRun, ...]:
        """The reference, then the others."""
        return (self.reference, *(comparison.other for comparison in self.others))

    @property
    def is_anything_comparable(self) -> bool:
        """Whether any cell of any host could be compared."""
        return any(comparison.cells for comparison in self.others)
