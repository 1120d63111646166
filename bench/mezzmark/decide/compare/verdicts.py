"""What a comparison of runs says: per cell one of five verdicts, and what it rests on."""

from typing import Final, Literal

from mezzmark.model.cell import Cell
from mezzmark.model.errors import (
    EXIT_DONE,
    EXIT_INCONCLUSIVE,
    EXIT_NOT_COMPARABLE,
    EXIT_REGRESSED,
)
from mezzmark.model.estimate import Estimate
from mezzmark.model.fact import Fact

Verdict = Literal["improved", "equivalent", "regressed", "inconclusive", "not comparable"]
"""What is proved of a cell's cost:

equivalent      any change is smaller than the tolerance
regressed       it costs more, and the change may be as large as the tolerance or larger
improved        it costs less, in the same way
inconclusive    neither is proved: "cannot tell" is never "same"
not comparable  the two sides did not measure the same thing
"""

Design = Literal["interleaved", "separate", "at the same time", "several runs", "two machines"]
"""How the sides were measured, which decides what the spread is taken from.

interleaved       in turn, round by round, no round begun before the other side's had ended
separate          one after the other
at the same time  runs of one machine overlapped in time and disturbed each other: no verdict
several runs      four runs or more: the run is the unit
two machines      on different hardware
"""

EXIT_CODES: Final[dict[Verdict, int]] = {
    "improved": EXIT_DONE,
    "equivalent": EXIT_DONE,
    "regressed": EXIT_REGRESSED,
    "inconclusive": EXIT_INCONCLUSIVE,
    "not comparable": EXIT_NOT_COMPARABLE,
}


class CellVerdict(Fact):
    """One cell's verdict.

    `cost_ratio` is candidate / baseline (1.0 = same, above is worse) with its own interval, not
    widened for the number of cells; the p-values are (Holm). `detectable_fraction` is the smallest
    change that this comparison would have found nine times in ten. `units_needed` says how many
    rounds (runs, in a comparison of several) would settle an inconclusive cell; None: more of
    the same would not.
    """

    cell: Cell
    verdict: Verdict
    figure: str
    reason: str = ""
    cost_ratio: Estimate | None = None
    difference_p: float | None = None
    equivalence_p: float | None = None
    is_beyond_tolerance: bool = False
    detectable_fraction: float | None = None
    units_needed: int | None = None
    baseline_wrong_count: int = 0
    candidate_wrong_count: int = 0


class HostChange(Fact):
    """A fact of the machine or its software that differs between the sides."""

    name: str
    baseline: str
    candidate: str


class NullArm(Fact):
    """A cell measured twice in one run: the ratio of the two, which should be 1."""

    run_id: str
    cell: Cell
    cost_ratio: Estimate
    adjusted_p: float
    has_fired: bool


class RegressionReport(Fact):
    """The whole comparison. `exit_code` is that of `verdict`.

    `assumption` is what must be believed beyond the data; `machine_ratio` the reference kernel's
    cost, candidate / baseline. `changed_without_flagged` names the cells whose verdict is another
    when disturbed trials are left out (None: no trial was flagged).
    """

    verdict: Verdict
    exit_code: int
    design: Design
    assumption: str
    tolerance_fraction: float
    confidence_level: float
    cells: tuple[CellVerdict, ...]
    machine_ratio: Estimate | None
    machine_notes: tuple[str, ...]
    host_changes: tuple[HostChange, ...]
    null_arms: tuple[NullArm, ...]
    flagged_trial_count: int
    flag_reasons: tuple[str, ...]
    changed_without_flagged: tuple[str, ...] | None
    baseline_run_ids: tuple[str, ...]
    candidate_run_ids: tuple[str, ...]


def overall_verdict(verdicts: tuple[Verdict, ...]) -> Verdict:
    """The verdict on all cells: a regression first, then what could not be told, then good news.

    A cell that cannot be compared outranks one that is merely unsure: a gate must not pass, nor
    wait for more rounds, when part of what it guards was not looked at. No cells at all is
    "not comparable".
    """
    if not verdicts:
        return "not comparable"
    ranked: tuple[Verdict, ...] = ("regressed", "not comparable", "inconclusive", "improved")
    return next((verdict for verdict in ranked if verdict in verdicts), "equivalent")
