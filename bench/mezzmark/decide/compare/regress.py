"""Did it get slower? Baseline runs against candidate runs, a verdict per cell and one over all."""

from collections.abc import Collection, Sequence
from typing import Final

from mezzmark.decide.compare.evidence import (
    choose_design,
    disturbed_pairs,
    gather_evidence,
    kernel_change,
)
from mezzmark.decide.compare.judgement import Evidence, Judgement, judge_cells
from mezzmark.decide.compare.matching import find_absences, judged_cells
from mezzmark.decide.compare.verdicts import (
    EXIT_CODES,
    CellVerdict,
    Design,
    NullArm,
    RegressionReport,
    overall_verdict,
)
from mezzmark.decide.estimate.complete_rounds import run_names
from mezzmark.decide.estimate.observed_run import MeasuredRun, Place, RunCosts, read_costs
from mezzmark.decide.estimate.pooling import RATIO_UNIT
from mezzmark.decide.estimate.rounds import MINIMUM_ROUNDS
from mezzmark.decide.machine.identity import describe_host_changes, describe_unlikeness
from mezzmark.decide.machine.noise import FlaggedTrial, flag_trials, summarise_causes
from mezzmark.model.cell import Cell
from mezzmark.model.estimate import Estimate
from mezzmark.model.tasks import TASKS
from mezzmark.model.tasks.scrub import ScrubMeasurement
from mezzmark.report.prose.regress import (
    describe_assumption,
    describe_judgement,
    describe_machine,
    describe_overlap,
)
from mezzmark.statistics.intervals import Interval, check_level
from mezzmark.statistics.multiplicity import holm_adjusted
from mezzmark.statistics.paired import log_margin, paired_change


def speedup_estimate(
    evidence: Evidence, *, confidence_level: float, factor: float = 1.0
) -> Estimate:
    """`factor` × baseline cost / candidate cost, with its interval."""
    interval = evidence.interval(confidence_level=confidence_level)
    return Estimate(
        point=factor / interval.point,
        low=factor / interval.high,
        high=factor / interval.low,
        confidence_level=confidence_level,
        unit=RATIO_UNIT,
        round_count=interval.count,
        sample_count=interval.count,
        method=interval.method,
    )


def cost_estimate(evidence: Evidence, *, confidence_level: float, factor: float = 1.0) -> Estimate:
    """`factor` × candidate cost / baseline cost, with its interval."""
    return ratio_estimate(evidence.interval(confidence_level=confidence_level), factor=factor)


def ratio_estimate(interval: Interval, *, factor: float = 1.0) -> Estimate:
    """`factor` × a ratio of costs as an estimate."""
    return Estimate(
        point=factor * interval.point,
        low=factor * interval.low,
        high=factor * interval.high,
        confidence_level=interval.confidence_level,
        unit=RATIO_UNIT,
        round_count=interval.count,
        sample_count=interval.count,
        method=interval.method,
    )


NULL_ARM_LEVEL: Final = 0.01
"""Error level of all null arms of a comparison together. They fire in one of a hundred honest
comparisons, and their firing takes every verdict away, so it must be rare by chance."""


def judge_null_arms(runs: Sequence[MeasuredRun], confidence_level: float) -> tuple[NullArm, ...]:
    """Every cell that a run measured twice, compared with itself by pairs of rounds."""
    found = []
    for run in runs:
        costs, again = (read_costs(run.trials, arm=arm).by_cell for arm in ("", "null"))
        for cell in sorted(again, key=lambda cell: cell.sort_key):
            plain = costs.get(cell, {})
            common = sorted(plain.keys() & again[cell].keys())
            if len(common) >= MINIMUM_ROUNDS:
                change = paired_change(
                    [plain[key] for key in common], [again[cell][key] for key in common]
                )
                found.append((run.manifest.run_id, cell, change))
    adjusted = holm_adjusted([2 * min(c.p_above(), c.p_below(), 0.5) for _, _, c in found])
    return tuple(
        NullArm(
            run_id=run_id,
            cell=cell,
            cost_ratio=ratio_estimate(change.interval(confidence_level=confidence_level)),
            adjusted_p=float(p_value),
            has_fired=bool(p_value <= NULL_ARM_LEVEL),
        )
        for (run_id, cell, change), p_value in zip(found, adjusted, strict=True)
    )


_NULL_ARM_FIRED: Final = (
    "a run found a difference between a cell and the same cell again: its differences cannot be "
    "trusted"
)
_AT_ONCE: Final = "the runs were at work at the same time and disturbed each other"


def compare_runs(
    baseline: Sequence[MeasuredRun],
    candidate: Sequence[MeasuredRun],
    *,
    tolerance_fraction: float,
    confidence_level: float = 0.95,
) -> RegressionReport:
    """The whole comparison. Raises ValueError for a side without runs or a bad tolerance.

    Disturbed trials stay in; the verdicts are made again without them, and the report names the
    cells that would change.
    """
    if not baseline or not candidate:
        raise ValueError("a comparison needs at least one run on each side")
    log_margin(tolerance_fraction)
    check_level(confidence_level)
    null_arms = judge_null_arms((*baseline, *candidate), confidence_level)
    sides = _Sides(baseline, candidate, null_arms, tolerance_fraction, confidence_level)
    cells = sides.verdicts()
    verdict = overall_verdict(tuple(cell.verdict for cell in cells))
    flagged = sides.flagged
    kernel = kernel_change(*sides.costs(), design=sides.design)
    return RegressionReport(
        verdict=verdict,
        exit_code=EXIT_CODES[verdict],
        design=sides.design,
        assumption=describe_overlap(sides.names, disturbed_pairs((*baseline, *candidate)))
        or describe_assumption(sides.design, has_kernel=kernel is not None),
        tolerance_fraction=tolerance_fraction,
        confidence_level=confidence_level,
        cells=tuple(cells),
        machine_ratio=None
        if kernel is None
        else ratio_estimate(kernel.interval(confidence_level=confidence_level)),
        machine_notes=describe_machine(baseline, candidate, sides.names),
        host_changes=describe_host_changes(
            [run.manifest for run in baseline], [run.manifest for run in candidate]
        ),
        null_arms=null_arms,
        flagged_trial_count=sum(len(trials) for trials in flagged.values()),
        flag_reasons=summarise_causes([trial for run in flagged.values() for trial in run]),
        changed_without_flagged=sides.changed_without_flagged(),
        baseline_run_ids=tuple(run.manifest.run_id for run in baseline),
        candidate_run_ids=tuple(run.manifest.run_id for run in candidate),
    )


class _Sides:
    """The two sides of a comparison with all that is asked of them more than once."""

    def __init__(
        self,
        baseline: Sequence[MeasuredRun],
        candidate: Sequence[MeasuredRun],
        null_arms: Sequence[NullArm],
        tolerance_fraction: float,
        confidence_level: float,
    ) -> None:
        self.runs = (tuple(baseline), tuple(candidate))
        self.tolerance_fraction = tolerance_fraction
        self.confidence_level = confidence_level
        self.names = run_names((*baseline, *candidate))
        self.design: Design = choose_design(baseline, candidate)
        self._doubt = _find_doubt(self.design, null_arms)
        self._absences = find_absences(*self.runs, self._cells(), self.names)
        self.flagged: dict[int, tuple[FlaggedTrial, ...]] = {
            index: flag_trials(run.trials) for index, run in enumerate((*baseline, *candidate))
        }

    def costs(self, *, without_flagged: bool = False) -> tuple[list[RunCosts], list[RunCosts]]:
        """Costs of every run, baseline side first."""
        read = []
        for index, run in enumerate((*self.runs[0], *self.runs[1])):
            places: Collection[Place] = ()
            if without_flagged:
                places = {(t.round_index, t.position) for t in self.flagged[index]}
            read.append(read_costs(run.trials, excluded=places))
        return read[: len(self.runs[0])], read[len(self.runs[0]) :]

    def verdicts(self, *, without_flagged: bool = False) -> list[CellVerdict]:
        """One verdict per cell of either side, null arms and kernels aside, in table order."""
        costs = self.costs(without_flagged=without_flagged)
        done: dict[Cell, CellVerdict] = {}
        evidence: dict[Cell, Evidence] = {}
        for cell in self._cells():
            problems = self._problems(cell)
            found = None
            if not problems:
                found = gather_evidence(cell, *costs, design=self.design)
            if problems:
                done[cell] = self._plain(cell, "; ".join(problems), is_comparable=False)
            elif found is None:
                done[cell] = self._plain(cell, _TOO_FEW, is_comparable=True)
            else:
                evidence[cell] = found
        judgements = judge_cells(
            list(evidence.values()),
            tolerance_fraction=self.tolerance_fraction,
            confidence_level=self.confidence_level,
        )
        for cell, judgement in zip(evidence, judgements, strict=True):
            done[cell] = _taken_back(self._judged(cell, judgement), self._doubt)
        return [done[cell] for cell in self._cells()]

    def changed_without_flagged(self) -> tuple[str, ...] | None:
        """Cells whose verdict would be another without the disturbed trials."""
        if not any(self.flagged.values()):
            return None
        pairs = zip(self.verdicts(), self.verdicts(without_flagged=True), strict=True)
        return tuple(
            f"{kept.cell.cell_id}: {kept.verdict} → {left.verdict}"
            for kept, left in pairs
            if kept.verdict != left.verdict
        )

    def _cells(self) -> list[Cell]:
        cells = {trial.cell for side in self.runs for run in side for trial in run.trials}
        return judged_cells(cells)

    def _problems(self, cell: Cell) -> tuple[str, ...]:
        if cell in self._absences:
            return (self._absences[cell],)
        first = self.runs[0][0].manifest
        others = (*self.runs[0][1:], *self.runs[1])
        texts = [t for run in others for t in describe_unlikeness(cell, first, run.manifest)]
        return tuple(dict.fromkeys(texts))

    def _plain(self, cell: Cell, reason: str, *, is_comparable: bool) -> CellVerdict:
        return CellVerdict(
            cell=cell,
            verdict="inconclusive" if is_comparable else "not comparable",
            figure=TASKS[cell.task].headline,
            reason=reason,
            units_needed=MINIMUM_ROUNDS if is_comparable else None,
        )

    def _judged(self, cell: Cell, judgement: Judgement) -> CellVerdict:
        wrong = [sum(_wrong_count(run, cell) for run in side) for side in self.runs]
        verdict = judgement.verdict
        reason = describe_judgement(
            judgement, tolerance_fraction=self.tolerance_fraction, design=self.design
        )
        if wrong[1] > 0 and wrong[0] == 0:
            verdict = "regressed"
            reason = f"shows wrong pictures ({wrong[1]}), the baseline none; " + reason
        return CellVerdict(
            cell=cell,
            verdict=verdict,
            figure=TASKS[cell.task].headline,
            reason=reason,
            cost_ratio=ratio_estimate(judgement.interval),
            difference_p=judgement.difference_p,
            equivalence_p=judgement.equivalence_p,
            is_beyond_tolerance=judgement.is_beyond_tolerance,
            detectable_fraction=judgement.detectable_fraction,
            units_needed=judgement.units_needed,
            baseline_wrong_count=wrong[0],
            candidate_wrong_count=wrong[1],
        )


_TOO_FEW: Final = f"fewer than {MINIMUM_ROUNDS} finished rounds on a side"


def _wrong_count(run: MeasuredRun, cell: Cell) -> int:
    return sum(
        trial.measurement.proof.count("wrong")
        for trial in run.trials
        if trial.cell == cell and not trial.arm and isinstance(trial.measurement, ScrubMeasurement)
    )


def _find_doubt(design: Design, null_arms: Sequence[NullArm]) -> str:
    """Why no difference in time can be trusted; empty where nothing speaks against it."""
    if design == "at the same time":
        return _AT_ONCE
    return _NULL_ARM_FIRED if any(arm.has_fired for arm in null_arms) else ""


def _taken_back(cell: CellVerdict, doubt: str) -> CellVerdict:
    """The cell without its verdict, but for wrong pictures: those are counted, not timed."""
    if not doubt or cell.verdict in ("not comparable", "inconclusive"):
        return cell
    if cell.candidate_wrong_count and not cell.baseline_wrong_count:
        return cell
    return cell.model_copy(
        update={
            "verdict": "inconclusive",
            "reason": f"would be {cell.verdict}, but {doubt}",
            "units_needed": None,
        }
    )
