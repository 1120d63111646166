"""What a comparison of runs says: per cell one of five verdicts, and what it rests on.

Difference and equivalence are each a family of tests over the cells, held at 1 - confidence by
Holm's method. Equivalence comes first: a change that is proved smaller than the tolerance does
not matter, however surely it is not zero. `regressed` asks for a change proved above zero, not
above the tolerance: else a true change of the tolerance's size would be missed half the time
however long one measures.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final, Literal

from mezzmark.decide.machine.identity import FactChange
from mezzmark.decide.machine.noise import CauseRange
from mezzmark.decide.machine.state import MachineState
from mezzmark.model.cell import Cell
from mezzmark.model.errors import EXIT_DONE, EXIT_INCONCLUSIVE, EXIT_NOT_COMPARABLE, EXIT_REGRESSED
from mezzmark.model.estimate import Estimate
from mezzmark.model.fact import Fact
from mezzmark.statistics.intervals import Interval
from mezzmark.statistics.paired import Change, holm_adjusted, log_margin
from mezzmark.statistics.power import detectable_change, rounds_to_find

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

POWER: Final = 0.9
"""Nine times in ten: the chance meant by "would have been found" and by "rounds needed"."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Evidence:
    """All ways to see one cell's change, each valid under another assumption; they must agree.

    The first is the change as the stopwatch saw it. A claim needs every way to support it, so it
    is wrong no more often than the way whose assumption holds (intersection-union test, Berger,
    Technometrics 24, 1982, 295-300).
    """

    changes: tuple[Change, ...]

    @property
    def regression_p(self) -> float:
        """One-sided p-value of "costs more"."""
        return max(change.p_above() for change in self.changes)

    @property
    def improvement_p(self) -> float:
        """One-sided p-value of "costs less"."""
        return max(change.p_below() for change in self.changes)

    @property
    def difference_p(self) -> float:
        """Two-sided p-value of "costs more, or less"."""
        return min(1.0, 2 * min(self.regression_p, self.improvement_p))

    def equivalence_p(self, tolerance_fraction: float) -> float:
        """p-value of "any change is smaller than the tolerance", on the scale of `difference_p`.

        Doubled, so that both one-sided tests are made at half the error level and one interval
        tells all: it leaves 1 out (changed), lies within the tolerance (equivalent), or neither.
        At the usual full level a true change of the tolerance's size would be called equivalent
        twice as often, and found 3 % less often.
        """
        return min(1.0, 2 * max(c.p_equivalent(tolerance_fraction) for c in self.changes))

    def interval(self, *, confidence_level: float) -> Interval:
        """The cost ratio as the stopwatch saw it, with limits that hold whichever way is right."""
        parts = [change.interval(confidence_level=confidence_level) for change in self.changes]
        return Interval(
            point=parts[0].point,
            low=min(part.low for part in parts),
            high=max(part.high for part in parts),
            confidence_level=confidence_level,
            count=min(part.count for part in parts),
            method=" and ".join(dict.fromkeys(part.method for part in parts)),
        )

    def detectable_fraction(self, *, error_level: float) -> float:
        """The smallest change that would have been found nine times in ten."""
        return max(
            detectable_change(
                change.standard_error, degrees=change.degrees, error_level=error_level, power=POWER
            )
            for change in self.changes
        )

    def units_needed(self, tolerance_fraction: float, *, error_level: float) -> int | None:
        """Rounds (or runs) that would settle the cell, were the change what it looks like.

        It is settled by proving either the change or its smallness, whichever is further from its
        border in the way of seeing that supports it least. None where neither has any room.
        """
        ratios = [change.log_ratio for change in self.changes]
        change_room = max(min(ratios), -max(ratios))
        small_room = log_margin(tolerance_fraction) - max(abs(ratio) for ratio in ratios)
        room = max(change_room, small_room)
        if room <= 0:
            return None
        unit_sd = max(change.standard_error * math.sqrt(change.count) for change in self.changes)
        needed = rounds_to_find(
            math.expm1(room), round_sd=unit_sd, error_level=error_level, power=POWER
        )
        return needed and max(needed, max(change.count for change in self.changes) + 1)


@dataclass(frozen=True, slots=True)
class Judgement:
    """A verdict with the p-values behind it, adjusted for the number of cells."""

    verdict: Verdict
    difference_p: float
    equivalence_p: float


def judge_evidence(
    evidence: Sequence[Evidence], *, tolerance_fraction: float, confidence_level: float
) -> tuple[Judgement, ...]:
    """One judgement for each cell, in the order given."""
    differences = holm_adjusted([item.difference_p for item in evidence]).tolist()
    equivalences = holm_adjusted([e.equivalence_p(tolerance_fraction) for e in evidence]).tolist()
    judgements = []
    for item, difference_p, equivalence_p in zip(evidence, differences, equivalences, strict=True):
        costs_more = item.regression_p < item.improvement_p
        verdict = verdict_of(
            difference_p, equivalence_p, error_level=1 - confidence_level, costs_more=costs_more
        )
        judgements.append(Judgement(verdict, difference_p, equivalence_p))
    return tuple(judgements)


def verdict_of(
    difference_p: float, equivalence_p: float, *, error_level: float, costs_more: bool
) -> Verdict:
    """What adjusted p-values prove at this level; `costs_more` is the direction they speak for."""
    if equivalence_p <= error_level:
        return "equivalent"
    if difference_p > error_level:
        return "inconclusive"
    return "regressed" if costs_more else "improved"


ReasonKind = Literal[
    "few_rounds",
    "other_setting",
    "other_footage",
    "other_encoding",
    "other_file",
    "no_common_clip",
    "renamed_clips",
    "task_missing",
    "clip_missing",
    "encoding_missing",
    "setting_missing",
]


class Reason(Fact):
    """Why a cell is not compared; cells that share it have equal reasons.

    - `few_rounds`: a side has fewer than `needed` finished rounds;
    - `other_setting`: key `name` of the scenario's table `task` is `before` on one side and `after`
      on the other, each as text (nothing: not set);
    - `other_footage`: clip `name` is not the same footage; `other_encoding`: encoding `name` is
      defined differently; `other_file`: its file is another one;
    - `no_common_clip`: the sides measured the clips `before` and `after`; `renamed_clips`: the same
      footage under these names;
    - `…_missing`: `place` (a run or a host) lacks the `task`, its clip or encoding `name`, or a
      setting, of which the nearest cell there differs in `axes`.
    """

    kind: ReasonKind
    task: str = ""
    name: str = ""
    place: str = ""
    axes: tuple[str, ...] = ()
    before: tuple[str, ...] = ()
    after: tuple[str, ...] = ()
    needed: int = 0


class Refusal(Fact):
    """Cells that are not compared, for the same reasons."""

    reasons: tuple[Reason, ...]
    cells: tuple[Cell, ...]


class CellVerdict(Fact):
    """One cell's verdict.

    `cost_ratio` is candidate / baseline (1.0 = same, above is worse) with its own interval, not
    widened for the number of cells; the p-values are (Holm). `detectable_fraction` is the smallest
    change that this comparison would have found nine times in ten. `units_needed` says how many
    rounds (runs, in a comparison of several) would settle an inconclusive cell; None: more of
    the same would not. `reasons` say why there is no ratio. `withheld_verdict` is what would be
    said if runs had not overlapped and no self-comparison were significant.
    """

    cell: Cell
    verdict: Verdict
    figure: str
    reasons: tuple[Reason, ...] = ()
    cost_ratio: Estimate | None = None
    difference_p: float | None = None
    equivalence_p: float | None = None
    is_beyond_tolerance: bool = False
    detectable_fraction: float | None = None
    units_needed: int | None = None
    withheld_verdict: Verdict | None = None
    baseline_wrong_count: int = 0
    candidate_wrong_count: int = 0

    @property
    def shows_new_wrong_pictures(self) -> bool:
        """Whether the candidate showed wrong pictures where the baseline showed none: a regression
        that is counted, not timed."""
        return self.candidate_wrong_count > 0 and self.baseline_wrong_count == 0


class SelfComparison(Fact):
    """A cell measured twice in one run: the ratio of the two, which should be 1."""

    run_id: str
    cell: Cell
    cost_ratio: Estimate
    adjusted_p: float
    is_significant: bool


class RunState(Fact):
    """How steady the machine was during one run; `name` is its folder."""

    side: Literal["baseline", "candidate"]
    name: str
    state: MachineState


class ChangedVerdict(Fact):
    """A cell that would be judged otherwise without the disturbed trials."""

    cell: Cell
    verdict: Verdict
    verdict_without: Verdict


class RegressionReport(Fact):
    """The whole comparison. `exit_code` is that of `verdict`.

    `overlaps` names the runs, two by two, that were at work on one machine at the same time.
    `machine_ratio` is the reference kernel's cost, candidate / baseline; `unsteady_runs` are those
    in which the machine was not steady, or nobody knows. `changed_without_flagged` are the cells
    whose verdict is another when disturbed trials are left out (None: no trial was flagged).
    """

    verdict: Verdict
    exit_code: int
    design: Design
    overlaps: tuple[tuple[str, str], ...]
    tolerance_fraction: float
    confidence_level: float
    cells: tuple[CellVerdict, ...]
    machine_ratio: Estimate | None
    unsteady_runs: tuple[RunState, ...]
    host_changes: tuple[FactChange, ...]
    self_comparisons: tuple[SelfComparison, ...]
    flagged_trial_count: int
    flag_causes: tuple[CauseRange, ...]
    changed_without_flagged: tuple[ChangedVerdict, ...] | None
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
