"""An ingest as measured, beside what was predicted for it."""

from mezzmark.facts.base import Fact
from mezzmark.facts.cells import Cell
from mezzmark.facts.estimates import Estimate


class IngestPrediction(Fact):
    """Makespan of one ingest cell, in seconds. `lower_bound_s` is what no schedule of the
    predicted clip times could beat; None where the grid does not allow a prediction."""

    cell: Cell
    measured: Estimate
    predicted: Estimate | None
    lower_bound_s: float | None

    @property
    def miss_fraction(self) -> float | None:
        """How far the prediction is off, as a share of what was measured; above 0 is too long."""
        if self.predicted is None or self.measured.point <= 0:
            return None
        return self.predicted.point / self.measured.point - 1
