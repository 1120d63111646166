"""From the trials of two sides to the evidence of a change, cell by cell.

How the sides were measured decides the unit of spread. In turn (interleaved): pairs of rounds,
for the machine hit both. One after the other: pairs of rounds too, but the machine may have
changed in between, so the change is also seen relative to the reference kernel, and a claim needs
both. At the same time: as one after the other, and no claim is made of it.
Several runs a side: whole runs, whose spread holds days and reboots.
"""

import math
from collections.abc import Sequence
from typing import Final

from mezzmark.decide.compare.verdicts import Design, Evidence
from mezzmark.decide.estimate.observed_run import Costs, MeasuredRun, RoundKey, RunCosts
from mezzmark.decide.estimate.rounds import MINIMUM_ROUNDS
from mezzmark.decide.machine.identity import HARDWARE, MACHINE, host_key
from mezzmark.decide.machine.overlap import runs_at_once, took_turns
from mezzmark.model.cell import Cell
from mezzmark.statistics.paired import Change, paired_change, run_level_change, unpaired_change

RUNS_AS_UNITS: Final = 4
"""Runs on both sides together from which the run is the unit. With three, one degree of freedom
makes limits of 12.7 standard errors, and a second baseline would only take away what one had."""

_AGAINST_KERNEL: Final[tuple[Design, ...]] = ("separate", "at the same time")
"""Designs in which the machine may have differed between the sides."""


def choose_design(baseline: Sequence[MeasuredRun], candidate: Sequence[MeasuredRun]) -> Design:
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


def disturbed_pairs(runs: Sequence[MeasuredRun]) -> tuple[tuple[int, int], ...]:
    """Which runs, two by two, were at work at the same time on one machine: on one side of a
    comparison as bad as on both."""
    hosts = [host_key(run.manifest.host, MACHINE) for run in runs]
    return tuple(
        (first, second) for first, second in runs_at_once(runs) if hosts[first] == hosts[second]
    )


def gather_evidence(
    cell: Cell, baseline: Sequence[RunCosts], candidate: Sequence[RunCosts], *, design: Design
) -> Evidence | None:
    """The evidence of a cell's change, or None where a side has too few rounds."""
    sides = [[run.by_cell.get(cell, {}) for run in side] for side in (baseline, candidate)]
    measured = _change(sides, design)
    if measured is None:
        return None
    relative = None
    if design in _AGAINST_KERNEL:
        sides = [[_relative(run, cell) for run in side] for side in (baseline, candidate)]
        relative = _change(sides, design)
    return Evidence(changes=(measured, relative) if relative else (measured,))


def _relative(run: RunCosts, cell: Cell) -> Costs:
    """Costs in units of the reference kernel of the same round."""
    return {
        key: cost / run.kernel[key[0]]
        for key, cost in run.by_cell.get(cell, {}).items()
        if key[0] in run.kernel
    }


def kernel_change(
    baseline: Sequence[RunCosts], candidate: Sequence[RunCosts], *, design: Design
) -> Change | None:
    """The change of the reference kernel: what the machine itself did between the sides."""
    sides = [[kernel_costs(run) for run in side] for side in (baseline, candidate)]
    return _change(sides, design)


def _change(sides: Sequence[Sequence[Costs]], design: Design) -> Change | None:
    if design == "several runs":
        first, second = ([run for run in side if len(run) >= MINIMUM_ROUNDS] for side in sides)
        if not first or not second or len(first) + len(second) < RUNS_AS_UNITS:
            return None
        alike = sorted(set(first[0]).intersection(*first, *second))
        rounds = alike if len(alike) >= MINIMUM_ROUNDS else None  # else each run's own
        before, after = (
            [[run[key] for key in rounds or run] for run in side] for side in (first, second)
        )
        return run_level_change(before, after)
    baseline, candidate = (_merge(side) for side in sides)
    common = sorted(baseline.keys() & candidate.keys())
    if len(common) >= MINIMUM_ROUNDS:
        return paired_change([baseline[key] for key in common], [candidate[key] for key in common])
    if min(len(baseline), len(candidate)) >= MINIMUM_ROUNDS:
        return unpaired_change(list(baseline.values()), list(candidate.values()))
    return None


def _merge(runs: Sequence[Costs]) -> Costs:
    """A side's rounds; where several runs did the same round, their geometric mean."""
    logs: dict[RoundKey, list[float]] = {}
    for run in runs:
        for key, cost in run.items():
            logs.setdefault(key, []).append(math.log(cost))
    return {key: math.exp(sum(values) / len(values)) for key, values in logs.items()}


def pool_costs(run: RunCosts, cells: Sequence[Cell]) -> Costs:
    """Per round the geometric mean over `cells`, in the rounds in which all of them finished.

    The key stands for the requests of all cells, so that rounds pair where all did the same work.
    """
    by_round: dict[int, list[tuple[int, float]]] = {}
    for cell in cells:
        for (round_index, requests), cost in sorted(run.by_cell.get(cell, {}).items()):
            by_round.setdefault(round_index, []).append((hash(requests), math.log(cost)))
    pooled: Costs = {}
    for index, parts in sorted(by_round.items()):
        if len(parts) == len(cells):
            seeds, logs = zip(*parts, strict=True)
            pooled[index, hash(seeds)] = math.exp(sum(logs) / len(logs))
    return pooled


def kernel_costs(run: RunCosts) -> Costs:
    """The reference kernel's costs as those of a cell."""
    return {(index, 0): cost for index, cost in run.kernel.items()}
