"""An estimate: point, interval and counts; never a bare number."""

from mezzmark.model.cell import Cell
from mezzmark.model.fact import Fact


class Estimate(Fact):
    """A figure with its interval at `confidence_level`.

    `low` and `high` are None where the data cannot carry an interval; `withheld` then says why,
    in words, with how many more rounds are needed.
    """

    point: float
    low: float | None
    high: float | None
    confidence_level: float
    unit: str
    round_count: int
    sample_count: int
    method: str
    withheld: str = ""

    @property
    def half_width(self) -> float | None:
        """Half the interval's width, or None without an interval."""
        if self.low is None or self.high is None:
            return None
        return (self.high - self.low) / 2

    @property
    def relative_half_width(self) -> float | None:
        """Half the interval's width over the point, or None without an interval."""
        if self.half_width is None or self.point == 0:
            return None
        return self.half_width / abs(self.point)


class CellSummary(Fact):
    """A cell's estimates by figure name (`p50_ms`, `p95_ms`, `throughput_fps`, …) and counts."""

    cell: Cell
    arm: str = ""
    estimates: dict[str, Estimate]
    trial_count: int
    failed_trial_count: int
    sample_count: int
    wrong_count: int
    unproved_count: int
    alike_count: int = 0
    reasons: tuple[str, ...] = ()
