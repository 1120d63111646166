"""Several hosts, task by task: the geometric mean over a task's common cells, host by host.

The mean is taken round by round, so that its interval and its p-values come from the rounds as for
a single cell.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from mezzmark.decide.evidence import RoundKey, RunCosts, gather_evidence
from mezzmark.decide.judgement import Evidence
from mezzmark.decide.speedups import speedup_estimate
from mezzmark.decide.verdicts import Design
from mezzmark.facts.cells import ALL_CLIPS, Cell, Task
from mezzmark.facts.hardware import CellRatio, Standing, TaskRatio
from mezzmark.statistics.multiplicity import holm_adjusted

TASK_ORDER: Final[tuple[Task, ...]] = ("scrub", "encode", "grid", "ingest", "delivery")
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
    task: Task
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
    task: Task, cells: Sequence[CellRatio], reference: RunCosts, host: ComparedCells
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
