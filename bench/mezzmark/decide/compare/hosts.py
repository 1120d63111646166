"""Several hosts, each against the first: the same cells side by side, by the method of `regress`.

Cell by cell this is `compare_runs` with the reference as baseline. Its costs become speeds (the
reciprocal), and its intervals, which are shown and decide, are simultaneous over the cells of all
hosts (Bonferroni), so that the chance of any false "faster", "slower" or "the same" on the page
stays at one minus the level. A task is the geometric mean over its common cells, taken round by
round, so that its interval comes from the rounds as for a single cell; those of all tasks and hosts
are simultaneous again."""

import math
from collections.abc import Iterator, Mapping, Sequence
from itertools import chain
from typing import Final, Literal

from mezzmark.decide.compare.evidence import Sides, choose_design, gather_evidence, pool_costs
from mezzmark.decide.compare.host_runs import BestThroughput, ComparedRun, find_best_throughput
from mezzmark.decide.compare.matching import Matching, compared_cells, group_refusals, match_cells
from mezzmark.decide.compare.regress import TOLERANCE_FRACTION, compare_runs
from mezzmark.decide.compare.verdicts import (
    CellVerdict,
    ChangedVerdict,
    Design,
    Evidence,
    Refusal,
    RegressionReport,
    judge_evidence,
)
from mezzmark.decide.estimate.observed_run import (
    MeasuredRun,
    ObservedRun,
    RunCosts,
    Runs,
    read_common_costs,
)
from mezzmark.decide.estimate.rounds import RATIO_UNIT, estimate_of
from mezzmark.decide.machine.identity import FactChange, changed_facts, host_facts
from mezzmark.decide.machine.state import MachineState, judge_machine
from mezzmark.model.cell import ALL_CLIPS, Cell
from mezzmark.model.estimate import CONFIDENCE_LEVEL, Estimate
from mezzmark.model.fact import Fact
from mezzmark.model.tasks import TASKS

Standing = Literal["faster", "slower", "the same", "cannot tell"]
"""The other host against the reference, with the error over all cells shown held at the level."""


def find_standing(cost_ratio: Estimate) -> Standing:
    """What the interval of other / reference proves: within the tolerance, or without 1."""
    low, high = cost_ratio.low or 0.0, cost_ratio.high or math.inf
    if low >= 1 / (1 + TOLERANCE_FRACTION) and high <= 1 + TOLERANCE_FRACTION:
        return "the same"
    return "slower" if low > 1 else "faster" if high < 1 else "cannot tell"


COMPARED_TASKS: Final = tuple(name for name, spec in TASKS.items() if spec.is_compared)
"""In the order in which a reader asks."""


class CellRatio(Fact):
    """One cell on both hosts. `speedup_ratio` is reference time / other time: above 1 the other is
    faster. The cells differ in threads or jobs only where both asked for all (or half) their cores.
    `found` is what `regress` says of it with the reference as baseline."""

    cell: Cell
    other_cell: Cell
    speedup_ratio: Estimate | None
    standing: Standing
    found: CellVerdict


class TaskRatio(Fact):
    """The geometric mean over a task's common cells, round by round: of these cells, no others."""

    task: str
    cell_count: int
    speedup_ratio: Estimate
    standing: Standing


class HostComparison(Fact):
    """One host against the reference. `kernel_ratio` is that of the reference kernel, plain
    arithmetic on one core. Nothing is claimed where `is_void`: the kernel changed, or a cell
    differed from itself. `unreported` are facts that neither system reported; `states` are of the
    reference and of the other."""

    other: ComparedRun
    design: Design
    cells: tuple[CellRatio, ...]
    tasks: tuple[TaskRatio, ...]
    refusals: tuple[Refusal, ...]
    differences: tuple[FactChange, ...]
    unreported: tuple[str, ...]
    kernel_ratio: Estimate | None
    is_void: bool
    states: tuple[MachineState, MachineState]
    changed_without_flagged: tuple[ChangedVerdict, ...]


class HardwareComparison(Fact):
    """Several hosts, each against the first."""

    reference: ComparedRun
    others: tuple[HostComparison, ...]
    best: tuple[BestThroughput, ...]

    @property
    def runs(self) -> tuple[ComparedRun, ...]:
        """The reference, then the others."""
        return (self.reference, *(comparison.other for comparison in self.others))

    @property
    def is_anything_comparable(self) -> bool:
        """Whether any cell of any host could be compared."""
        return any(comparison.cells for comparison in self.others)


def _is_void(report: RegressionReport) -> bool:
    """Whether nothing is claimed: a self-comparison is significant, or the machine moved."""
    return report.has_moved or any(item.is_significant for item in report.self_comparisons)


def compare_hosts(runs: Runs, labels: Sequence[ComparedRun]) -> HardwareComparison:
    """Each run against the first; `labels` in that order. ValueError for fewer than two."""
    if len(runs) < 2 or len(runs) != len(labels):
        raise ValueError("a comparison needs two runs or more, and a label for each")
    cells = [compared_cells(trial.cell for trial in run.trials) for run in runs]
    matchings = [
        match_cells(
            cells[0], mine, (runs[0].manifest, run.manifest), (labels[0].label, label.label)
        )
        for mine, run, label in zip(cells[1:], runs[1:], labels[1:], strict=True)
    ]
    family = sum(len(m.equal) + len(m.same_share) for m in matchings)
    others = [
        _comparison(runs[0], run, label, matching, family)
        for run, label, matching in zip(runs[1:], labels[1:], matchings, strict=True)
    ]
    costs = read_common_costs([run.trials for run in runs])
    tasks = _task_ratios(others, costs)
    return HardwareComparison(
        reference=labels[0],
        others=tuple(
            one.model_copy(update={"tasks": mine}) for one, mine in zip(others, tasks, strict=True)
        ),
        best=find_best_throughput(runs, labels, costs),
    )


def _only(run: MeasuredRun, names: dict[Cell, Cell]) -> ObservedRun:
    """These cells under their new names, the kernel, and second trials of cells not renamed."""
    kept = []
    for trial in run.trials:
        name = names.get(trial.cell)
        if name is not None and not trial.arm:
            kept.append(trial.model_copy(update={"cell": name}))
        elif trial.cell.task == "kernel" or (trial.arm and name == trial.cell):
            kept.append(trial)
    return ObservedRun(run.manifest, tuple(kept))


def _cell_ratios(partners: Mapping[Cell, Cell], report: RegressionReport) -> Iterator[CellRatio]:
    for verdict in report.cells:
        if verdict.verdict != "not comparable":
            cost = verdict.cost_ratio
            yield CellRatio(
                cell=verdict.cell,
                other_cell=partners[verdict.cell],
                speedup_ratio=cost and cost.inverted(RATIO_UNIT),
                standing="cannot tell" if not cost or _is_void(report) else find_standing(cost),
                found=verdict,
            )


def _task_ratios(
    hosts: Sequence[HostComparison], costs: Sequence[RunCosts]
) -> list[tuple[TaskRatio, ...]]:
    """By host, simultaneous over tasks and hosts; `costs` of the reference and of each host."""
    pooled: list[tuple[int, str, int, Evidence]] = []
    for index, host in enumerate(hosts):
        for task in COMPARED_TASKS:
            mine = [c for c in host.cells if c.cell.task == task and c.speedup_ratio]
            if evidence := _pooled_evidence(task, mine, costs[0], costs[index + 1], host.design):
                pooled.append((index, task, len(mine), evidence))
    judgements = judge_evidence(
        [evidence for *_, evidence in pooled],
        tolerance_fraction=TOLERANCE_FRACTION,
        confidence_level=CONFIDENCE_LEVEL,
    )
    results: list[list[TaskRatio]] = [[] for _ in hosts]
    for (index, task, count, _), judgement in zip(pooled, judgements, strict=True):
        cost = estimate_of(judgement.interval)
        found = TaskRatio(
            task=task,
            cell_count=count,
            speedup_ratio=cost.inverted(RATIO_UNIT),
            standing="cannot tell" if hosts[index].is_void else find_standing(cost),
        )
        results[index].append(found)
    return [tuple(items) for items in results]


def _pooled_evidence(
    task: str, cells: Sequence[CellRatio], reference: RunCosts, other: RunCosts, design: Design
) -> Evidence | None:
    if not cells:
        return None
    whole = Cell(task=task, clip=ALL_CLIPS, encoding="all common cells")
    mine = reference.only(whole, pool_costs(reference, [ratio.cell for ratio in cells]))
    theirs = other.only(whole, pool_costs(other, [ratio.other_cell for ratio in cells]))
    return gather_evidence(whole, Sides([mine], [theirs], design))


def _comparison(
    reference: MeasuredRun, other: MeasuredRun, label: ComparedRun, matching: Matching, family: int
) -> HostComparison:
    """But for its tasks; equal cells before those of the same share of cores."""
    parts = [partners for partners in (matching.equal, matching.same_share) if partners]
    reports = [
        compare_runs(
            [_only(reference, {cell: cell for cell in partners})],
            [_only(other, {there: cell for cell, there in partners.items()})],
            tolerance_fraction=TOLERANCE_FRACTION,
            family=family,
        )
        for partners in parts
    ]
    kernel = reports[0].machine_ratio if reports else None
    unlike = {c.cell: c.reasons for r in reports for c in r.cells if c.verdict == "not comparable"}
    here, there = host_facts(reference), host_facts(other)
    changes = changed_facts([reference], [other], with_passing=True)
    return HostComparison(
        other=label,
        design=choose_design([reference], [other]),
        cells=tuple(chain.from_iterable(map(_cell_ratios, parts, reports))),
        tasks=(),
        refusals=(*matching.refusals, *group_refusals(unlike)),
        differences=tuple(change for change in changes if change.name != "host_label"),
        unreported=tuple(name for name in here if here[name] is None and there.get(name) is None),
        kernel_ratio=kernel and kernel.inverted(RATIO_UNIT),
        is_void=any(map(_is_void, reports)),
        states=(judge_machine(reference), judge_machine(other)),
        changed_without_flagged=tuple(c for r in reports for c in r.changed_without_flagged or ()),
    )
