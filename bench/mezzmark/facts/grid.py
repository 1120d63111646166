"""What is found in an encode grid."""

from mezzmark.facts.base import Fact
from mezzmark.facts.estimates import Estimate


class SplitFigures(Fact):
    """One split of jobs × threads. `efficiency` is its throughput over that of one job of one
    thread, per thread: 1 where every thread adds as much as the first; None without that cell."""

    job_count: int
    thread_count: int
    figures: dict[str, Estimate]
    efficiency: Estimate | None


class GridFindings(Fact):
    """One encoding's grid. Splits are (jobs, threads).

    `lead` is best over runner-up in throughput, paired by round; `is_lead_certain` when its
    interval lies above 1. `speedup_limit` is how many times one job of one thread the machine
    could do at best, `limit_fraction` the best split's share of that.
    """

    encoding: str
    core_count: int
    splits: tuple[SplitFigures, ...]
    best: tuple[int, int]
    runner_up: tuple[int, int] | None
    lead: Estimate | None
    is_lead_certain: bool
    speedup_limit: float | None
    limit_fraction: Estimate | None
