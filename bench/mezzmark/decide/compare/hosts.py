"""Several hosts, each against the first: the same cells side by side, by the method of `regress`.

Cell by cell this is `compare_runs` with the reference as baseline. Its costs become speeds (the
reciprocal), and its p-values, held over the cells of one comparison (Holm), are multiplied by the
number of comparisons shown (Bonferroni), so that the chance of any false "faster", "slower" or "the
same" on the page stays at one minus the level. Intervals each hold for their own cell.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from mezzmark.decide.compare.evidence import choose_design
from mezzmark.decide.compare.host_bearing import weigh_differences
from mezzmark.decide.compare.host_comparison import (
    BestThroughput,
    CellRatio,
    ComparedRun,
    HardwareComparison,
    HostComparison,
    Refusal,
    Standing,
    TaskRatio,
)
from mezzmark.decide.compare.host_tasks import (
    ComparedCells,
    find_best_throughput,
    judge_standing,
    pool_tasks,
)
from mezzmark.decide.compare.matching import Matching, Pair, judged_cells, match_cells
from mezzmark.decide.compare.regress import compare_runs
from mezzmark.decide.compare.verdicts import CellVerdict, Design, RegressionReport
from mezzmark.decide.estimate.observed_run import MeasuredRun, read_costs
from mezzmark.decide.machine.state import judge_machine
from mezzmark.model.cell import Cell
from mezzmark.model.estimate import Estimate
from mezzmark.model.records import Trial
from mezzmark.model.run import Manifest
from mezzmark.report.prose.numbers import count_text, shown_name

TOLERANCE: Final = 0.05
"""Machines nearer to each other than this are called the same; what `regress` takes by default."""


MOST_NAMED: Final = 3
"""Cells named in a caution; their number is always told."""


@dataclass(frozen=True, slots=True)
class _Relabelled:
    """A run some of whose cells go by other names."""

    manifest: Manifest
    trials: tuple[Trial, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class _Found:
    """One host before the number of comparisons on the page is known."""

    label: ComparedRun
    matching: Matching
    reports: tuple[tuple[tuple[Pair, ...], RegressionReport], ...]
    design: Design

    @property
    def has_fired(self) -> bool:
        """Whether a run found a difference between a cell and the same cell again."""
        return any(arm.has_fired for _, report in self.reports for arm in report.null_arms)


def compare_hosts(
    runs: Sequence[MeasuredRun],
    labels: Sequence[ComparedRun],
    *,
    confidence_level: float = 0.95,
    tolerance_fraction: float = TOLERANCE,
) -> HardwareComparison:
    """Each run against the first; `labels` in the same order. Raises ValueError for fewer than two
    runs."""
    if len(runs) < 2 or len(runs) != len(labels):
        raise ValueError("a comparison needs two runs or more, and a label for each")
    found = [
        _find(runs[0], run, labels[0], label, confidence_level, tolerance_fraction)
        for run, label in zip(runs[1:], labels[1:], strict=True)
    ]
    share = (1 - confidence_level) / max(1, sum(len(item.reports) for item in found))
    costs = [read_costs(run.trials) for run in runs]
    cells = [_cell_ratios(item, share=share, error_level=1 - confidence_level) for item in found]
    tasks = pool_tasks(
        [
            ComparedCells(
                ratios=ratios, costs=run_costs, design=item.design, is_void=item.has_fired
            )
            for item, ratios, run_costs in zip(found, cells, costs[1:], strict=True)
        ],
        costs[0],
        confidence_level=confidence_level,
        tolerance_fraction=tolerance_fraction,
    )
    best = find_best_throughput(runs, labels, costs, confidence_level=confidence_level)
    others = tuple(
        _comparison(runs[0], labels[0].label, run, item, item_cells, item_tasks, best)
        for run, item, item_cells, item_tasks in zip(runs[1:], found, cells, tasks, strict=True)
    )
    return HardwareComparison(
        reference=labels[0],
        others=others,
        best=best,
        confidence_level=confidence_level,
        tolerance_fraction=tolerance_fraction,
    )


def _find(
    reference: MeasuredRun,
    other: MeasuredRun,
    reference_label: ComparedRun,
    label: ComparedRun,
    confidence_level: float,
    tolerance_fraction: float,
) -> _Found:
    manifests = (reference.manifest, other.manifest)
    cells = [judged_cells(trial.cell for trial in run.trials) for run in (reference, other)]
    matching = match_cells(cells[0], cells[1], manifests, (reference_label.label, label.label))
    reports = []
    for pairs in (matching.equal, matching.by_part):
        if pairs:
            report = compare_runs(
                [_only(reference, {pair.reference: pair.reference for pair in pairs})],
                [_only(other, {pair.other: pair.reference for pair in pairs})],
                tolerance_fraction=tolerance_fraction,
                confidence_level=confidence_level,
            )
            reports.append((pairs, report))
    design = choose_design([reference], [other])
    return _Found(label=label, matching=matching, reports=tuple(reports), design=design)


def _only(run: MeasuredRun, names: dict[Cell, Cell]) -> _Relabelled:
    """The run with these cells under their new names, its reference kernel, and null arms of cells
    that keep their name."""
    kept = []
    for trial in run.trials:
        name = names.get(trial.cell)
        if name is not None and not trial.arm:
            kept.append(trial.model_copy(update={"cell": name}))
        elif trial.cell.task == "kernel" or (trial.arm and name == trial.cell):
            kept.append(trial)
    return _Relabelled(run.manifest, tuple(kept))


def _cell_ratios(found: _Found, *, share: float, error_level: float) -> tuple[CellRatio, ...]:
    """Every cell that could be compared, equal cells before those that play the same part."""
    ratios = []
    for pairs, report in found.reports:
        partners = {pair.reference: pair.other for pair in pairs}
        has_fired = any(arm.has_fired for arm in report.null_arms)
        for verdict in report.cells:
            if verdict.verdict == "not comparable":
                continue
            ratios.append(
                CellRatio(
                    cell=verdict.cell,
                    other_cell=partners[verdict.cell],
                    figure=verdict.figure,
                    speedup_ratio=_inverse(verdict.cost_ratio),
                    standing="cannot tell" if has_fired else _standing(verdict, share),
                    adjusted_p=_adjusted(verdict.difference_p, error_level / share),
                    remark=_remark(verdict),
                )
            )
    return tuple(ratios)


def _adjusted(p_value: float | None, comparison_count: float) -> float | None:
    return None if p_value is None else min(1.0, p_value * comparison_count)


def _standing(verdict: CellVerdict, share: float) -> Standing:
    if verdict.equivalence_p is None or verdict.difference_p is None or not verdict.cost_ratio:
        return "cannot tell"
    return judge_standing(
        verdict.difference_p,
        verdict.equivalence_p,
        error_level=share,
        is_faster=verdict.cost_ratio.point < 1,
    )


def _remark(verdict: CellVerdict) -> str:
    if verdict.cost_ratio is None:
        return verdict.reason
    wrong = (verdict.baseline_wrong_count, verdict.candidate_wrong_count)
    return f"wrong pictures: {wrong[0]} and {wrong[1]}" if any(wrong) else ""


def _inverse(cost_ratio: Estimate | None) -> Estimate | None:
    if cost_ratio is None or cost_ratio.low is None or cost_ratio.high is None:
        return None
    return cost_ratio.model_copy(
        update={
            "point": 1 / cost_ratio.point,
            "low": 1 / cost_ratio.high,
            "high": 1 / cost_ratio.low,
        }
    )


def _comparison(
    reference: MeasuredRun,
    reference_label: str,
    other: MeasuredRun,
    found: _Found,
    cells: tuple[CellRatio, ...],
    tasks: tuple[TaskRatio, ...],
    best: Sequence[BestThroughput],
) -> HostComparison:
    report = found.reports[0][1] if found.reports else None
    differences, unknown = weigh_differences(
        reference,
        other,
        [(ratio.cell, ratio.other_cell) for ratio in cells],
        _best_of(found.label.label, best),
    )
    return HostComparison(
        other=found.label,
        design=found.design,
        assumption=report.assumption if report else "",
        cells=cells,
        tasks=tasks,
        refusals=(*found.matching.refusals, *_unlike(found)),
        differences=differences,
        unknown=unknown,
        kernel_ratio=_inverse(report.machine_ratio) if report else None,
        cautions=_cautions(found, ((reference_label, reference), (found.label.label, other))),
    )


def _best_of(label: str, best: Sequence[BestThroughput]) -> list[Cell]:
    """The best settings that this host and the reference are compared at."""
    works = {
        (row.cell.task, row.cell.clip, row.cell.encoding) for row in best if row.label == label
    }
    return [row.cell for row in best if (row.cell.task, row.cell.clip, row.cell.encoding) in works]


def _unlike(found: _Found) -> list[Refusal]:
    """Cells that both runs have and that did not measure the same thing, by reason."""
    reasons: dict[str, list[str]] = {}
    for _, report in found.reports:
        for verdict in report.cells:
            if verdict.verdict == "not comparable":
                reasons.setdefault(verdict.reason, []).append(verdict.cell.cell_id)
    return [Refusal(reason=reason, cell_ids=tuple(ids)) for reason, ids in reasons.items()]


def _cautions(found: _Found, runs: Sequence[tuple[str, MeasuredRun]]) -> tuple[str, ...]:
    """What to know before relying on a comparison; `runs` are both with the labels of their
    hosts."""
    texts = []
    if found.has_fired:
        texts.append(
            "A run found a difference between a cell and the same cell again: no difference "
            f"to {shown_name(found.label.label)} is claimed."
        )
    for label, run in runs:
        state = judge_machine(run.manifest.host, run.trials)
        texts += [f"{shown_name(label)}: {text}" for text in state.warnings]
    for _, report in found.reports:
        if changed := report.changed_without_flagged:
            more = len(changed) - MOST_NAMED
            texts.append(
                f"{count_text(report.flagged_trial_count, 'trial')} were disturbed; without them "
                f"{count_text(len(changed), 'cell')} would be judged otherwise: "
                f"{'; '.join(changed[:MOST_NAMED])}{f'; and {more} more' if more > 0 else ''}."
            )
    return tuple(dict.fromkeys(texts))
