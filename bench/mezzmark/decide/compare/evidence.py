"""From the trials of two sides to the evidence of a change, cell by cell.

How the sides were measured decides the unit of spread. In turn (interleaved): pairs of rounds,
for the machine hit both. One after the other: pairs of rounds too, and the run spread, what runs
differ by in which nothing changed, is added in quadrature: from earlier runs, or else what the two
show of it themselves, 1 % at least. Several runs a side: whole runs, whose spread holds days and
reboots, moderated over the cells of a task (Smyth 2004) and tested against the tolerance
(McCarthy & Smyth, Bioinformatics 25(6), 2009, 765-771).

The reference kernel tells that the machine changed. It enters no ratio: a piece of arithmetic that
falls into a fast or a slow state of the machine spreads more than the work it would correct.

Long because the three designs share every step but the spread."""

import math
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from itertools import combinations
from operator import attrgetter
from statistics import median
from typing import Final

import numpy as np

from mezzmark.decide.compare.matching import find_unlikeness
from mezzmark.decide.compare.verdicts import Design, Evidence, RunSpread
from mezzmark.decide.estimate.observed_run import (
    Costs,
    MeasuredRun,
    RunCosts,
    Runs,
    read_common_costs,
)
from mezzmark.decide.estimate.rounds import MINIMUM_ROUNDS
from mezzmark.decide.machine.identity import HARDWARE, MACHINE, host_key, runs_at_once, took_turns
from mezzmark.model.cell import Cell
from mezzmark.model.fact import grouped
from mezzmark.statistics import paired
from mezzmark.statistics.spread import detectable_change, moderate_variances

RUNS_AS_UNITS: Final = 4
"""Runs on both sides together from which the run is the unit. With three, one degree of freedom
makes limits of 12.7 standard errors, and a second baseline would only take away what one had."""

RUN_SPREAD: Final = 0.01
"""What runs are taken to differ by at least where no history tells: our own choice. Quiet machines
showed less for encoding and about so much for scrubbing; see `seen_run_errors`."""

KERNEL_LEVEL: Final = 0.99
"""A change of the kernel takes every verdict away, so it must be rare by chance."""

TRIAL_SPREAD: Final = 0.02
"""Of trials on a quiet machine, for what is said before anything is measured."""

ERROR_LEVEL: Final = 0.05
HISTORY_RUNS: Final = 3  # Two runs make one degree of freedom a cell


def choose_design(baseline: Runs, candidate: Runs) -> Design:
    """How the sides were measured, from their number and the times of their trials."""
    runs = (*baseline, *candidate)
    if disturbed_pairs(runs):
        return "at the same time"
    hardware = [
        {host_key(run.manifest.host, HARDWARE) for run in side} for side in (baseline, candidate)
    ]
    if hardware[0] != hardware[1] or runs_at_once(runs):
        return "two machines"
    if len(runs) >= RUNS_AS_UNITS:
        return "several runs"
    if len(baseline) == len(candidate) == 1 and took_turns(baseline[0].trials, candidate[0].trials):
        return "interleaved"
    return "separate"


def disturbed_pairs(runs: Runs) -> tuple[tuple[int, int], ...]:
    """Which runs, two by two, were at work at the same time on one machine."""
    hosts = [host_key(run.manifest.host, MACHINE) for run in runs]
    return tuple(
        (first, second) for first, second in runs_at_once(runs) if hosts[first] == hosts[second]
    )


@dataclass(frozen=True, slots=True)
class Sides:
    """Costs of both sides' runs, their design, and by task how much earlier runs differ."""

    baseline: Sequence[RunCosts]
    candidate: Sequence[RunCosts]
    design: Design
    spreads: Mapping[str, RunSpread] = field(default_factory=dict)

    @property
    def both(self) -> tuple[Sequence[RunCosts], Sequence[RunCosts]]:
        """The baseline first."""
        return self.baseline, self.candidate


def gather_evidence(cell: Cell, sides: Sides) -> Evidence | None:
    """The evidence of a cell's change, or None where a side has too few rounds."""
    costs = [[run.by_cell.get(cell, {}) for run in side] for side in sides.both]
    found = _evidence(costs, sides.design)
    if found is None or sides.design in ("interleaved", "several runs"):
        return found
    spread = sides.spreads.get(cell.task) or RunSpread(task=cell.task, sd_fraction=RUN_SPREAD)
    shares = (1 / sum(1 for run in side if run) for side in costs)
    error, degrees = spread.sd_fraction * math.sqrt(sum(shares)), spread.degrees or math.inf

    def widened(change: paired.Change) -> paired.Change:
        whole = error if spread.run_count else max(error, change.run_error)
        return replace(change, run_error=whole, run_degrees=degrees)

    return Evidence(undisturbed=widened(found.undisturbed), typical=widened(found.typical))


def lacking_runs(cell: Cell, sides: Sides) -> tuple[list[int], list[int]]:
    """By side, the places of the runs whose few rounds leave a cell without evidence."""
    lacking: tuple[list[int], list[int]] = ([], [])
    for places, side in zip(lacking, sides.both, strict=True):
        costs = [run.by_cell.get(cell, {}) for run in side]
        if sides.design == "several runs" or len(_merge(costs)) < MINIMUM_ROUNDS:
            places += [at for at, rounds in enumerate(costs) if len(rounds) < MINIMUM_ROUNDS]
    return lacking


def gather_all(
    cells: Iterable[Cell], sides: Sides, kindred: Sequence[Mapping[Cell, Evidence]] = ()
) -> dict[Cell, Evidence]:
    """The evidence of every cell that has any. Where runs are the units their spread is moderated
    over the cells of a task that have equally many, with those of other machines in `kindred` (by
    `gather_own`) too. Of single runs a cell has at least the mean of its task's."""
    evidence = gather_own(cells, sides)
    if sides.design != "several runs":
        return _shared(evidence)
    also = [grouped((_kind(c, item), item) for c, item in one.items()) for one in kindred]
    groups = grouped((_kind(cell, item), cell) for cell, item in evidence.items())
    for kind, alike in groups.items():
        items = [evidence[cell] for cell in alike]
        others = [one[kind] for one in also if kind in one]
        undisturbed, typical = (
            _moderate(list(map(of, items)), [list(map(of, one)) for one in others])
            for of in (attrgetter("undisturbed"), attrgetter("typical"))
        )
        for cell, *both in zip(alike, undisturbed, typical, strict=True):
            evidence[cell] = Evidence(undisturbed=both[0], typical=both[1])
    return evidence


def gather_own(cells: Iterable[Cell], sides: Sides) -> dict[Cell, Evidence]:
    """As `gather_all`, each cell's spread by itself."""
    return {cell: found for cell in cells if (found := gather_evidence(cell, sides))}


def _kind(cell: Cell, item: Evidence) -> tuple[str, float, int]:
    return cell.task, item.typical.degrees, item.typical.count


def _shared(evidence: Mapping[Cell, Evidence]) -> dict[Cell, Evidence]:
    """With run errors of at least the root mean square over the cells of the task."""
    found = {}
    for cell, item in evidence.items():
        own, kindred = item.undisturbed, (e for of, e in evidence.items() if of.task == cell.task)
        pooled = math.sqrt(float(np.mean([e.undisturbed.run_error**2 for e in kindred])))
        widened = replace(own, run_error=max(own.run_error, pooled))
        found[cell] = replace(item, undisturbed=widened)
    return found


def _moderate(
    changes: Sequence[paired.Change], others: Sequence[Sequence[paired.Change]]
) -> list[paired.Change]:
    """All of the same degrees of freedom; `others` are those of other machines. With these a cell
    has at least its whole machine's, moderated: it is not judged by the others'."""
    degrees = changes[0].degrees
    machines = [np.array([c.standard_error**2 for c in one]) for one in (changes, *others)]
    moderated, whole = moderate_variances(np.concatenate(machines), degrees)
    means = [float(own.mean()) for own in machines if own.size == len(changes)]
    least = moderate_variances(np.array(means), degrees * len(changes)) if others else None
    found = []
    for change, variance in zip(changes, moderated.tolist(), strict=False):
        known = (variance, whole)
        if least and least[0][0] > variance:
            known = (float(least[0][0]), least[1])
        found.append(replace(change, standard_error=math.sqrt(known[0]), degrees=known[1]))
    return found


def read_run_spreads(
    history: Runs, like: MeasuredRun, excluded: Sequence[str]
) -> dict[str, RunSpread]:
    """For each task how much earlier runs differ, pooled over its cells: half the mean square of
    the changes between any two of them, less what their rounds explain. Counted are runs of the
    machine, versions and settings of `like` without `excluded`; no task of fewer than
    `HISTORY_RUNS`."""
    runs = [
        run
        for run in history
        if run.manifest.run_id not in excluded and _versions(run) == _versions(like)
    ]
    found = zip(runs, read_common_costs([run.trials for run in runs]), strict=True)
    return spreads_of(
        grouped(
            (cell, rounds)
            for run, costs in found
            for cell, rounds in costs.by_cell.items()
            if not find_unlikeness(cell, like.manifest, run.manifest)
        )
    )


def spreads_of(by_cell: Mapping[Cell, Sequence[Costs]]) -> dict[str, RunSpread]:
    """As `read_run_spreads`, from each cell's costs in the runs that are alike in it."""
    variances: dict[str, list[float]] = {}
    counts: dict[str, list[int]] = {}
    for cell, runs in by_cell.items():
        alike = [rounds for rounds in runs if len(rounds) >= MINIMUM_ROUNDS]
        if len(alike) >= HISTORY_RUNS:
            found = [_evidence([[a], [b]], "interleaved") for a, b in combinations(alike, 2)]
            changes = [item.undisturbed for item in found if item]
            squares = [c.log_ratio**2 - c.standard_error**2 for c in changes]
            variances.setdefault(cell.task, []).append(float(np.mean(squares)) / 2)
            counts.setdefault(cell.task, []).append(len(alike))
    return {
        task: RunSpread(
            task=task,
            sd_fraction=math.sqrt(max(0.0, float(np.mean(variances[task])))),
            degrees=sum(found) - len(found),
            run_count=min(found),
        )
        for task, found in sorted(counts.items())
    }


def _versions(run: MeasuredRun) -> tuple[object, ...]:
    host = run.manifest.host
    return host_key(host, MACHINE), host.library_versions, run.manifest.mezzmark_version


def findable_fraction(
    cells: Sequence[Cell], round_count: int, *, run_count: int, tolerance_fraction: float
) -> float:
    """The slowing of one of these cells that so many runs a side call regressed nine times in ten,
    where runs differ by `RUN_SPREAD` and trials by `TRIAL_SPREAD`."""
    fewest = min(Counter(cell.task for cell in cells).values())
    own = TRIAL_SPREAD / math.sqrt(paired.undisturbed_count(round_count))
    beyond = detectable_change(
        math.sqrt(2 / run_count) * math.hypot(own, RUN_SPREAD),
        degrees=2 * (run_count - 1) * fewest or math.inf,
        error_level=ERROR_LEVEL / len(cells),
    )
    return (1 + tolerance_fraction) * (1 + beyond) - 1


def kernel_change(sides: Sides) -> paired.Change | None:
    """The change of the reference kernel's undisturbed level: that of the machine itself."""
    if any(not run.kernel for side in sides.both for run in side):
        return None
    kernel = Cell(task="kernel", clip="", encoding="")
    before, after = ([run.only(kernel, kernel_costs(run)) for run in side] for side in sides.both)
    found = gather_evidence(kernel, Sides(before, after, sides.design))
    return None if found is None else found.undisturbed


def machine_moved(kernel: paired.Change | None, design: Design) -> bool:
    """Whether the reference kernel surely changed between sides measured at different times."""
    if kernel is None or design not in ("separate", "several runs"):
        return False
    interval = kernel.interval(confidence_level=KERNEL_LEVEL)
    return interval.low > 1 or interval.high < 1


def _evidence(sides: Sequence[Sequence[Costs]], design: Design) -> Evidence | None:
    """By the units of the design; of rounds, with what the runs show of their own spread."""
    if design == "several runs":
        first, second = ([run for run in side if len(run) >= MINIMUM_ROUNDS] for side in sides)
        if not first or not second or len(first) + len(second) < RUNS_AS_UNITS:
            return None
        alike = sorted(set(first[0]).intersection(*first, *second))
        rounds = alike if len(alike) >= MINIMUM_ROUNDS else None  # else each run's own
        # What the moves of a round cost all runs by themselves is taken out: it must not pick the
        # rounds that count as undisturbed.
        usual = {key: median(run[key] for run in (*first, *second)) for key in rounds or ()}
        before, after = (
            [[run[key] / usual.get(key, 1.0) for key in rounds or run] for run in side]
            for side in (first, second)
        )
        return Evidence(
            undisturbed=paired.run_level_change(before, after, is_undisturbed=True),
            typical=paired.run_level_change(before, after),
        )
    baseline, candidate = map(_merge, sides)
    common = sorted(baseline.keys() & candidate.keys())
    is_paired = len(common) >= MINIMUM_ROUNDS
    common = common if is_paired else []
    if not is_paired and min(len(baseline), len(candidate)) < MINIMUM_ROUNDS:
        return None
    before_costs, after_costs = (
        [side[key] for key in common or sorted(side, key=lambda key: key[0])]
        for side in (baseline, candidate)
    )
    undisturbed = paired.undisturbed_change(before_costs, after_costs, is_paired=is_paired)
    typical = (paired.paired_change if is_paired else paired.unpaired_change)(
        before_costs, after_costs
    )
    if design != "interleaved":
        of_level, of_all = paired.seen_run_errors(before_costs, after_costs, is_paired=is_paired)
        undisturbed = replace(undisturbed, run_error=of_level)
        typical = replace(typical, run_error=of_all)
    return Evidence(undisturbed=undisturbed, typical=typical)


def _merge(runs: Sequence[Costs]) -> Costs:
    """A side's rounds; where several runs did the same round, their geometric mean."""
    logs = grouped((key, math.log(cost)) for run in runs for key, cost in run.items())
    return {key: math.exp(sum(values) / len(values)) for key, values in logs.items()}


def pool_costs(run: RunCosts, cells: Sequence[Cell]) -> Costs:
    """Per round the geometric mean over `cells`, in the rounds in which all of them finished. The
    key stands for the requests of all cells, so that rounds pair where all did the same work."""
    by_round = grouped(
        (round_index, (hash(requests), math.log(cost)))
        for cell in cells
        for (round_index, requests), cost in sorted(run.by_cell.get(cell, {}).items())
    )
    pooled: Costs = {}
    for index, parts in sorted(by_round.items()):
        if len(parts) == len(cells):
            seeds, logs = zip(*parts, strict=True)
            pooled[index, hash(seeds)] = math.exp(sum(logs) / len(logs))
    return pooled


def kernel_costs(run: RunCosts) -> Costs:
    """The reference kernel's costs as those of a cell."""
    return {(index, 0): cost for index, cost in run.kernel.items()}
