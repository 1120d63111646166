"""Did it get slower? Baseline runs against candidate runs, a verdict per cell and one over all.
Long because a comparison is one way, from the runs it may refuse to the cells it judges."""

import math
from collections import Counter
from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from statistics import median
from typing import Any, Final, Literal

from mezzmark.decide.compare import verdicts
from mezzmark.decide.compare.evidence import (
    KERNEL_LEVEL,
    RUN_SPREAD,
    Sides,
    choose_design,
    disturbed_pairs,
    gather_all,
    gather_own,
    kernel_change,
    lacking_runs,
    machine_moved,
    read_run_spreads,
)
from mezzmark.decide.compare.matching import compared_cells, find_absences, find_unlikeness
from mezzmark.decide.estimate.observed_run import (
    Place,
    RunCosts,
    Runs,
    read_common_costs,
    read_costs,
    run_names,
)
from mezzmark.decide.estimate.rounds import MINIMUM_ROUNDS, estimate_of
from mezzmark.decide.machine.identity import changed_facts
from mezzmark.decide.machine.noise import find_two_kinds, flag_trials, summarise_causes
from mezzmark.decide.machine.state import judge_machine
from mezzmark.model.cell import Cell
from mezzmark.model.errors import EXIT_INCONCLUSIVE
from mezzmark.model.tasks import TASKS
from mezzmark.statistics.intervals import check_level
from mezzmark.statistics.paired import holm_adjusted, log_margin, paired_change

TOLERANCE_FRACTION: Final = 0.05
"""A change of cost that does not matter, where nobody says otherwise."""

SELF_COMPARISON_LEVEL: Final = 0.01
"""Error level of all self-comparisons together. They are significant in one of a hundred honest
comparisons, which takes every verdict away, so it must be rare by chance."""


def compare_with_themselves(
    runs: Runs, confidence_level: float
) -> tuple[verdicts.SelfComparison, ...]:
    """Every cell that a run measured twice, compared with itself by pairs of rounds."""
    found = []
    for run in runs:
        costs, again = (read_costs(run.trials, arm=arm).by_cell for arm in ("", "null"))
        for cell in sorted(again, key=lambda cell: cell.sort_key):
            plain = costs.get(cell, {})
            common = sorted(plain.keys() & again[cell].keys())
            if len(common) >= MINIMUM_ROUNDS:
                sides = ([side[key] for key in common] for side in (plain, again[cell]))
                found.append((run.manifest.run_id, cell, paired_change(*sides)))
    adjusted = holm_adjusted([change.p_value for _, _, change in found])
    return tuple(
        verdicts.SelfComparison(
            run_id=run_id,
            cell=cell,
            cost_ratio=estimate_of(change.interval(confidence_level=confidence_level)),
            adjusted_p=float(p_value),
            is_significant=bool(p_value <= SELF_COMPARISON_LEVEL),
        )
        for (run_id, cell, change), p_value in zip(found, adjusted, strict=True)
    )


def compare_runs(
    baseline: Runs,
    candidate: Runs,
    *,
    tolerance_fraction: float,
    confidence_level: float = 0.95,
    history: Runs = (),
    family: int = 0,
    kindred: Sequence[Mapping[Cell, verdicts.Evidence]] = (),
) -> verdicts.RegressionReport:
    """The whole comparison. Raises ValueError for a side without runs or a bad tolerance. `history`
    are earlier runs of the machine, which tell how much runs differ; `family` is over how many
    cells intervals are simultaneous, where more than these; `kindred` is `run_evidence` of other
    machines. Disturbed trials stay in; cells judged otherwise without them are named."""
    if not baseline or not candidate:
        raise ValueError("a comparison needs at least one run on each side")
    log_margin(tolerance_fraction)
    check_level(confidence_level)
    runs = (*baseline, *candidate)
    names, overlaps = run_names(runs), disturbed_pairs(runs)
    self_comparisons = compare_with_themselves(runs, confidence_level)
    design = choose_design(baseline, candidate)
    spreads = read_run_spreads(history, baseline[0], [run.manifest.run_id for run in runs])
    sides = Sides(*_read_sides(baseline, candidate), design, spreads)
    kernel = kernel_change(sides)
    has_moved = machine_moved(kernel, design)
    rules = _Rules(
        reasons=dict(_reasons(baseline, candidate, names)),
        names=(names[: len(baseline)], names[len(baseline) :]),
        wrong_counts=(_count_wrong(baseline), _count_wrong(candidate)),
        players=_unlike_players(baseline, candidate),
        is_void=bool(overlaps) or has_moved or any(c.is_significant for c in self_comparisons),
        family=family,
        kindred=kindred,
        tolerance_fraction=tolerance_fraction,
        confidence_level=confidence_level,
    )
    return verdicts.RegressionReport(
        **_verdicts(baseline, candidate, sides, rules),
        design=design,
        overlaps=tuple((names[first], names[second]) for first, second in overlaps),
        tolerance_fraction=tolerance_fraction,
        confidence_level=confidence_level,
        machine_ratio=kernel and estimate_of(kernel.interval(confidence_level=KERNEL_LEVEL)),
        has_moved=has_moved,
        history_count=len(history),
        unsteady_runs=tuple(_unsteady_runs(baseline, candidate, names)),
        self_comparisons=self_comparisons,
    )


def run_evidence(baseline: Runs, candidate: Runs) -> dict[Cell, verdicts.Evidence]:
    """Where the run is the unit, what each compared cell shows by itself; else nothing."""
    if (design := choose_design(baseline, candidate)) != "several runs":
        return {}
    reasons = _reasons(baseline, candidate, run_names((*baseline, *candidate)))
    cells = [cell for cell, why in reasons if not why]
    return gather_own(cells, Sides(*_read_sides(baseline, candidate), design))


def _verdicts(baseline: Runs, candidate: Runs, sides: Sides, rules: "_Rules") -> dict[str, Any]:
    """All verdicts, what disturbed trials there are and change, and the sides."""
    flagged = [flag_trials(run.trials) for run in (*baseline, *candidate)]
    cells = without = _judge(sides, rules)
    if any(flagged):
        left = _read_sides(baseline, candidate, flagged)
        without = _judge(replace(sides, baseline=left[0], candidate=left[1]), rules)
    verdict = verdicts.overall_verdict(tuple(cell.verdict for cell in cells))
    return {
        "loads": (_load("baseline", baseline), _load("candidate", candidate)),
        "host_changes": changed_facts(baseline, candidate),
        "baseline_run_ids": tuple(run.manifest.run_id for run in baseline),
        "candidate_run_ids": tuple(run.manifest.run_id for run in candidate),
        "verdict": verdict,
        "exit_code": verdicts.EXIT_CODES[verdict],
        "cells": tuple(cells),
        "run_spreads": tuple(_spreads(cells, sides.spreads)),
        "flagged_trial_count": sum(map(len, flagged)),
        "flag_causes": summarise_causes(c for trials in flagged for c in trials.values()),
        "changed_without_flagged": _changed(cells, without) if any(flagged) else None,
    }


def _spreads(
    cells: Sequence[verdicts.CellVerdict], known: Mapping[str, verdicts.RunSpread]
) -> Iterator[verdicts.RunSpread]:
    """Of each task; where no history tells, the largest of its cells."""
    most: dict[str, float] = {}
    for cell in cells:
        if cell.run_spread is not None:
            most[cell.cell.task] = max(most.get(cell.cell.task, RUN_SPREAD), cell.run_spread)
    for task, spread in most.items():
        yield known.get(task) or verdicts.RunSpread(task=task, sd_fraction=spread)


def _load(side: Literal["baseline", "candidate"], runs: Runs) -> verdicts.SideLoad:
    trials = [trial for run in runs for trial in run.trials]

    def middle_and_most(told: Iterable[float | None]) -> tuple[float, float] | None:
        values = [value for value in told if value is not None]
        return (median(values), max(values)) if values else None

    return verdicts.SideLoad(
        side=side,
        before=middle_and_most(trial.host_before.load_average_1m for trial in trials),
        waiting=middle_and_most(trial.host_during.cpu_pressure for trial in trials),
        steal=middle_and_most(trial.host_during.steal_fraction for trial in trials),
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class _Rules:
    """What verdicts follow from besides costs: why a cell is not compared (empty: it is), names of
    the runs and wrong pictures by side, both best players where they differ, and whether no time
    can be trusted."""

    reasons: Mapping[Cell, tuple[verdicts.Reason, ...]]
    names: tuple[Sequence[str], Sequence[str]]
    wrong_counts: tuple[Counter[Cell], ...]
    players: Mapping[Cell, tuple[tuple[str, ...], ...]]
    is_void: bool
    tolerance_fraction: float
    confidence_level: float
    family: int
    kindred: Sequence[Mapping[Cell, verdicts.Evidence]]


def _read_sides(
    baseline: Runs, candidate: Runs, flagged: Sequence[Collection[Place]] = ()
) -> tuple[list[RunCosts], list[RunCosts]]:
    """Costs of the runs of both sides over their common blocks, without `flagged` trials."""
    runs = (*baseline, *candidate)
    read = read_common_costs([run.trials for run in runs], excluded=flagged)
    return read[: len(baseline)], read[len(baseline) :]


def _reasons(
    baseline: Runs, candidate: Runs, names: Sequence[str]
) -> Iterator[tuple[Cell, tuple[verdicts.Reason, ...]]]:
    """Each cell of either side in table order, with why it is not compared."""
    runs = (*baseline, *candidate)
    cells = compared_cells(trial.cell for run in runs for trial in run.trials)
    absences = find_absences(baseline, candidate, cells, names)
    first = runs[0].manifest
    for cell in cells:
        if cell in absences:
            yield cell, (absences[cell],)
            continue
        unlike = [r for run in runs[1:] for r in find_unlikeness(cell, first, run.manifest)]
        yield cell, tuple(dict.fromkeys(unlike))


def _judge(sides: Sides, rules: _Rules) -> list[verdicts.CellVerdict]:
    compared = [cell for cell, reasons in rules.reasons.items() if not reasons]
    evidence = gather_all(compared, sides, rules.kindred)
    judgements = verdicts.judge_evidence(
        list(evidence.values()),
        tolerance_fraction=rules.tolerance_fraction,
        confidence_level=rules.confidence_level,
        family=rules.family,
    )
    judged = dict(zip(evidence, judgements, strict=True))
    share = (1 - rules.confidence_level) / max(1, len(evidence), rules.family)
    return [
        _judged(cell, evidence[cell], judged[cell], rules, sides, share)
        if cell in judged
        else _unjudged(cell, reasons or (_few_rounds(cell, rules, sides),))
        for cell, reasons in rules.reasons.items()
    ]


def _changed(
    cells: Sequence[verdicts.CellVerdict], without: Sequence[verdicts.CellVerdict]
) -> tuple[verdicts.ChangedVerdict, ...]:
    return tuple(
        verdicts.ChangedVerdict(cell=kept.cell, verdict=kept.verdict, verdict_without=left.verdict)
        for kept, left in zip(cells, without, strict=True)
        if kept.verdict != left.verdict
    )


def _few_rounds(cell: Cell, rules: _Rules, sides: Sides) -> verdicts.Reason:
    """Of a cell without evidence, with the runs that lack rounds."""
    before, after = (
        tuple(names[at] for at in places)
        for names, places in zip(rules.names, lacking_runs(cell, sides), strict=True)
    )
    needed = MINIMUM_ROUNDS
    return verdicts.Reason(kind="few_rounds", needed=needed, before=before, after=after)


def _unjudged(cell: Cell, reasons: tuple[verdicts.Reason, ...]) -> verdicts.CellVerdict:
    needed = max(reason.needed for reason in reasons)
    return verdicts.CellVerdict(
        cell=cell,
        verdict="inconclusive" if needed else "not comparable",
        figure=TASKS[cell.task].headline,
        reasons=reasons,
        units_needed=needed or None,
    )


def _judged(
    cell: Cell,
    evidence: verdicts.Evidence,
    judgement: verdicts.Judgement,
    rules: _Rules,
    sides: Sides,
    share: float,
) -> verdicts.CellVerdict:
    """`share` of the error level is this cell's."""
    tolerance, verdict = rules.tolerance_fraction, judgement.verdict
    per_run = math.sqrt(sum(1 / len(side) for side in sides.both))
    is_open = verdicts.EXIT_CODES[verdict] == EXIT_INCONCLUSIVE
    found = verdicts.CellVerdict(
        cell=cell,
        verdict=verdict,
        figure=TASKS[cell.task].headline,
        cost_ratio=estimate_of(judgement.interval),
        typical_ratio=estimate_of(judgement.typical),
        is_slower_in_part=verdict != "regressed" and judgement.typical.low > 1 + tolerance,
        detectable_fraction=evidence.detectable_fraction(error_level=share),
        units_needed=evidence.units_needed(tolerance, error_level=share) if is_open else None,
        baseline_wrong_count=rules.wrong_counts[0][cell],
        candidate_wrong_count=rules.wrong_counts[1][cell],
        run_spread=evidence.undisturbed.run_error / per_run or None,
        two_kinds=tuple(find_two_kinds(cell, side) for side in sides.both),
        players=rules.players.get(cell, ()),
    )
    if found.shows_new_wrong_pictures:
        return found.model_copy(update={"verdict": "regressed"})
    if rules.is_void and verdict != "inconclusive":
        changes = {"verdict": "inconclusive", "withheld_verdict": verdict}
        return found.model_copy(update=changes)
    return found


def _count_wrong(runs: Runs) -> Counter[Cell]:
    counts: Counter[Cell] = Counter()
    for trial in (t for run in runs for t in run.trials if t.measurement and not t.arm):
        counts[trial.cell] += TASKS[trial.cell.task].proofs(trial.measurement).count("wrong")
    return counts


def _unlike_players(*sides: Runs) -> dict[Cell, tuple[tuple[str, ...], ...]]:
    """Who played each cell of the best player on either side, where that is not the same."""
    played: dict[Cell, tuple[set[str], ...]] = {}
    for place, side in enumerate(sides):
        for trial in (trial for run in side for trial in run.trials):
            if trial.player and not trial.arm:
                played.setdefault(trial.cell, (set(), set()))[place].add(trial.player)
    unlike = {cell: both for cell, both in played.items() if both[0] != both[1]}
    return {cell: tuple(tuple(sorted(names)) for names in both) for cell, both in unlike.items()}


def _unsteady_runs(
    baseline: Runs, candidate: Runs, names: Sequence[str]
) -> Iterator[verdicts.RunState]:
    for index, (run, name) in enumerate(zip((*baseline, *candidate), names, strict=True)):
        state = judge_machine(run)
        if not state.is_steady:
            side = "baseline" if index < len(baseline) else "candidate"
            yield verdicts.RunState(side=side, name=name, state=state)
