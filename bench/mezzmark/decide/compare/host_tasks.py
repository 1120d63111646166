"""Several hosts, task by task: the geometric mean over a task's common cells, host by host.

The mean is taken round by round, so that its interval and its p-values come from the rounds as for
a single cell.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from mezzmark.decide.compare.evidence import choose_design, gather_evidence
from mezzmark.decide.compare.host_comparison import (
    BestThroughput,
    CellRatio,
    ComparedRun,
    Standing,
    TaskRatio,
)
from mezzmark.decide.compare.judgement import Evidence
from mezzmark.decide.compare.regress import cost_estimate, speedup_estimate
from mezzmark.decide.compare.verdicts import Design
from mezzmark.decide.estimate.observations import Observation, observe
from mezzmark.decide.estimate.observed_run import MeasuredRun, RoundKey, RunCosts
from mezzmark.decide.estimate.rounds import estimate_figures
from mezzmark.decide.machine.identity import describe_unlikeness
from mezzmark.model.cell import ALL_CLIPS, Cell
from mezzmark.model.estimate import Estimate
from mezzmark.model.run import Manifest
from mezzmark.model.tasks import TASKS
from mezzmark.statistics.multiplicity import holm_adjusted

TASK_ORDER: Final = tuple(name for name, spec in TASKS.items() if spec.is_compared)
"""What a reader asks first."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ComparedCells:
    """What one host is pooled from: its cells against the reference and its costs. `is_void` where
    a run found a difference between a cell and the same cell again: nothing is claimed then."""

    ratios: tuple[CellRatio, ...]
    costs: RunCosts
    design: Design
    is_void: bool


@dataclass(frozen=True, slots=True)
class _Pooled:
    host_index: int
    task: str
    cell_count: int
    evidence: Evidence


def pool_tasks(
    hosts: Sequence[ComparedCells],
    reference: RunCosts,
    *,
    confidence_level: float,
    tolerance_fraction: float,
) -> list[tuple[TaskRatio, ...]]:
    """Per host its tasks' pooled ratios; p-values adjusted over tasks and hosts together (Holm)."""
    pooled = []
    for index, host in enumerate(hosts):
        for task in TASK_ORDER:
            cells = [c for c in host.ratios if c.cell.task == task and c.speedup_ratio is not None]
            evidence = _pooled_evidence(task, cells, reference, host) if cells else None
            if evidence is not None:
                pooled.append(_Pooled(index, task, len(cells), evidence))
    differences = holm_adjusted([item.evidence.difference_p for item in pooled])
    equivalences = holm_adjusted(
        [item.evidence.equivalence_p(tolerance_fraction) for item in pooled]
    )
    results: list[list[TaskRatio]] = [[] for _ in hosts]
    for item, difference, equivalence in zip(pooled, differences, equivalences, strict=True):
        standing = judge_standing(
            float(difference),
            float(equivalence),
            error_level=1 - confidence_level,
            is_faster=item.evidence.changes[0].log_ratio < 0,
        )
        results[item.host_index].append(
            TaskRatio(
                task=item.task,
                cell_count=item.cell_count,
                speedup_ratio=speedup_estimate(item.evidence, confidence_level=confidence_level),
                standing="cannot tell" if hosts[item.host_index].is_void else standing,
                adjusted_p=float(difference),
            )
        )
    return [tuple(items) for items in results]


def judge_standing(
    difference_p: float, equivalence_p: float, *, error_level: float, is_faster: bool
) -> Standing:
    """Equivalence first, as in `decide.judgement`: a difference that small does not matter."""
    if equivalence_p <= error_level:
        return "the same"
    if difference_p > error_level:
        return "cannot tell"
    return "faster" if is_faster else "slower"


def _pooled_evidence(
    task: str, cells: Sequence[CellRatio], reference: RunCosts, host: ComparedCells
) -> Evidence | None:
    whole = Cell(task=task, clip=ALL_CLIPS, encoding="all common cells")
    sides = [
        RunCosts(by_cell={whole: pool_costs(run, names)}, kernel=run.kernel)
        for run, names in (
            (reference, [ratio.cell for ratio in cells]),
            (host.costs, [ratio.other_cell for ratio in cells]),
        )
    ]
    return gather_evidence(whole, sides[:1], sides[1:], design=host.design)


def pool_costs(run: RunCosts, cells: Sequence[Cell]) -> dict[RoundKey, float]:
    """Per round the geometric mean over `cells`, in the rounds in which all of them finished.

    The key stands for the requests of all cells, so that rounds pair where all did the same work.
    """
    by_round: dict[int, list[tuple[int, float]]] = {}
    for cell in cells:
        for (round_index, seed), cost in sorted(run.by_cell.get(cell, {}).items()):
            by_round.setdefault(round_index, []).append((seed, math.log(cost)))
    return {
        (index, hash(tuple(seed for seed, _ in parts))): math.exp(
            sum(log for _, log in parts) / len(parts)
        )
        for index, parts in sorted(by_round.items())
        if len(parts) == len(cells)
    }


_FREE: Final = {"threads": 1, "jobs": 1, "clip_order": None}
"""Settings each host may choose for itself; all others are part of the work."""


def find_best_throughput(
    runs: Sequence[MeasuredRun],
    labels: Sequence[ComparedRun],
    costs: Sequence[RunCosts],
    *,
    confidence_level: float,
) -> tuple[BestThroughput, ...]:
    """For each piece of work that the reference and another host did alike: every such host's best.

    Which setting is best is read from the same rounds, so the best looks a little better than it
    is; on all hosts alike.
    """
    best = [_best_by_work(run, confidence_level) for run in runs]
    rows: list[BestThroughput] = []
    for work in sorted(best[0], key=lambda cell: cell.sort_key):
        sharing = [
            index
            for index in range(1, len(runs))
            if work in best[index]
            and not describe_unlikeness(work, runs[0].manifest, runs[index].manifest)
        ]
        for index in [0, *sharing] if sharing else []:
            rows.append(_row(work, index, runs, labels, costs, best, confidence_level))
    return tuple(rows)


def _best_by_work(run: MeasuredRun, confidence_level: float) -> dict[Cell, tuple[Cell, Estimate]]:
    groups: dict[Cell, list[Observation]] = {}
    for observation in observe(run.trials):
        cell = observation.cell
        if TASKS[cell.task].is_best_setting:
            groups.setdefault(cell, []).append(observation)
    best: dict[Cell, tuple[Cell, Estimate]] = {}
    for cell in sorted(groups, key=lambda cell: cell.sort_key):
        estimates = estimate_figures(groups[cell], confidence_level=confidence_level)
        estimate = estimates.get("throughput_fps")
        work = cell.but(setting=cell.setting.but(**_FREE))
        if estimate and (work not in best or estimate.point > best[work][1].point):
            best[work] = cell, estimate
    return best


def _row(
    work: Cell,
    index: int,
    runs: Sequence[MeasuredRun],
    labels: Sequence[ComparedRun],
    costs: Sequence[RunCosts],
    best: Sequence[dict[Cell, tuple[Cell, Estimate]]],
    confidence_level: float,
) -> BestThroughput:
    cell, throughput = best[index][work]
    price, base = labels[index].price, labels[0].price
    rate = footage_rate(work, runs[0].manifest)
    speedup = dearness = None
    if index:
        evidence = gather_evidence(
            work,
            [_renamed(costs[0], best[0][work][0], work)],
            [_renamed(costs[index], cell, work)],
            design=choose_design(runs[:1], [runs[index]]),
        )
        if evidence is not None:
            speedup = speedup_estimate(evidence, confidence_level=confidence_level)
            if price and base:
                factor = price.amount / base.amount
                dearness = cost_estimate(evidence, confidence_level=confidence_level, factor=factor)
    return BestThroughput(
        label=labels[index].label,
        cell=cell,
        throughput=throughput,
        speedup_ratio=speedup,
        per_fps=_per_unit(price.amount, throughput, price.unit) if price else None,
        per_hour=_per_unit(price.amount * rate, throughput, price.unit) if price and rate else None,
        against_reference=dearness,
    )


def _renamed(run: RunCosts, cell: Cell, name: Cell) -> RunCosts:
    return RunCosts(by_cell={name: run.by_cell.get(cell, {})}, kernel=run.kernel)


def footage_rate(work: Cell, manifest: Manifest) -> float | None:
    """Frames in a second of the footage; None where clips of one folder differ in rate."""
    rates = {
        clip.original.frame_rate for clip in manifest.clips if work.clip in (ALL_CLIPS, clip.clip)
    }
    rate = rates.pop() if len(rates) == 1 else None
    return float(rate) if rate else None


def _per_unit(price: float, throughput: Estimate, unit: str) -> Estimate:
    """Price / throughput; the price is taken as exact."""
    return throughput.model_copy(
        update={
            "point": price / throughput.point,
            "low": None if throughput.high is None else price / throughput.high,
            "high": None if throughput.low is None else price / throughput.low,
            "unit": unit,
            "method": f"price / throughput; {throughput.method}",
        }
    )
