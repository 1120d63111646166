"""Many runs of one host over time: where a task or a cell stepped to another level, and what of
the host changed between those runs.

A run's level is its mean log cost. Steps are found by `mezzmark.statistics.change_points`; over the
series of a family (all tasks with the reference kernel; all cells) the chance of any false step is
held by Holm's method."""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from mezzmark.decide.compare.evidence import kernel_costs, pool_costs
from mezzmark.decide.compare.matching import compared_cells, find_unlikeness, group_refusals
from mezzmark.decide.compare.verdicts import Reason, Refusal
from mezzmark.decide.estimate.observed_run import (
    MeasuredRun,
    RoundKey,
    RunCosts,
    Runs,
    read_common_costs,
    run_names,
    start_of,
)
from mezzmark.decide.estimate.rounds import MINIMUM_ROUNDS, RATIO_UNIT, estimate_of
from mezzmark.decide.machine.identity import HOST_OVER_TIME, FactChange, changed_facts, host_key
from mezzmark.model.cell import Cell
from mezzmark.model.estimate import CONFIDENCE_LEVEL, Estimate
from mezzmark.model.fact import Fact
from mezzmark.model.tasks import TASKS
from mezzmark.statistics.change_points import ChangePoint, change_p_value, find_change_points
from mezzmark.statistics.intervals import Floats, t_reach
from mezzmark.statistics.paired import Change, holm_adjusted, paired_change, unpaired_change

Costs = Mapping[RoundKey, float]


@dataclass(frozen=True, slots=True, kw_only=True)
class Levels:
    """Mean log cost of each run and its standard error; `counts` are the rounds behind each."""

    logs: Floats
    standard_errors: Floats
    counts: tuple[int, ...]


def run_levels(runs: Sequence[Costs]) -> Levels:
    """Levels of two runs or more that each have at least `MINIMUM_ROUNDS` rounds. Where all runs
    replayed the same moves in at least so many rounds, those rounds alone are taken and what a
    round's moves cost every run alike is taken out of the spread: the residuals of runs × rounds,
    whose variance the means have made smaller by (runs - 1) / runs."""
    common = sorted(set(runs[0]).intersection(*runs[1:]))
    if len(common) < MINIMUM_ROUNDS:
        return _own_rounds(runs)
    logs = np.log(np.array([[run[key] for key in common] for run in runs]))
    means = logs.mean(axis=1)
    residuals = logs - means[:, None] - logs.mean(axis=0)[None, :] + logs.mean()
    degrees = (len(common) - 1) * (len(runs) - 1) / len(runs)
    errors = np.sqrt((residuals**2).sum(axis=1) / degrees / len(common))
    return Levels(logs=means, standard_errors=errors, counts=(len(common),) * len(runs))


def _own_rounds(runs: Sequence[Costs]) -> Levels:
    logs = [np.log(np.array(list(run.values()))) for run in runs]
    means = np.array([values.mean() for values in logs])
    errors = np.array([float(values.std(ddof=1)) / math.sqrt(values.size) for values in logs])
    return Levels(logs=means, standard_errors=errors, counts=tuple(v.size for v in logs))


class HistoryRun(Fact):
    """One run of the host; `position` counts from 0 in the order of time, `name` is its folder."""

    position: int
    run_id: str
    name: str
    started_utc: str


class HistoryPoint(Fact):
    """A run's cost / that of the series' first (above 1: slower), with its own rounds' interval."""

    position: int
    cost_ratio: Estimate


class Step(Fact):
    """A change of level between the runs at `before` and `after`. `cost_ratio` is after / before,
    the place taken as known. `adjusted_p` is adjusted for all series of the family. `kernel_ratio`
    is that of the reference kernel, where it has a step there too."""

    before: int
    after: int
    cost_ratio: Estimate
    adjusted_p: float
    host_changes: tuple[FactChange, ...]
    kernel_ratio: Estimate | None = None


class HistorySeries(Fact):
    """One line of a history: a task over its common cells, or one cell. The reference kernel is the
    task `kernel` and has no cell. `last_ratio` is last / first, with the errors of both."""

    task: str
    cell: Cell | None
    cell_count: int
    points: tuple[HistoryPoint, ...]
    last_ratio: Estimate
    steps: tuple[Step, ...]


class History(Fact):
    """All runs of a host. `tasks` are the reference kernel and each task; over these, and over
    `cells`, the chance of any false step is held at 1 - `CONFIDENCE_LEVEL`."""

    host_label: str
    runs: tuple[HistoryRun, ...]
    tasks: tuple[HistorySeries, ...]
    cells: tuple[HistorySeries, ...]
    refusals: tuple[Refusal, ...]


FEWEST_RUNS: Final = 3
"""From three runs on there is a course to see; a step in so few is all but never claimed."""

KERNEL: Final = "kernel"


@dataclass(frozen=True, slots=True)
class _Line:
    """A series before it is judged: which runs have it, at what level."""

    task: str
    cell: Cell | None
    cell_count: int
    positions: tuple[int, ...]
    levels: Levels
    last: Change


def trace_history(runs: Runs) -> History:
    """The history of one host's runs. Raises ValueError for fewer than three runs or two hosts."""
    hosts = {host_key(run.manifest.host, HOST_OVER_TIME) for run in runs}
    if len(runs) < FEWEST_RUNS or len(hosts) != 1:
        raise ValueError(f"a history needs at least {FEWEST_RUNS} runs of one host")
    ordered = sorted(runs, key=lambda run: (start_of(run), run.manifest.run_id))
    names = run_names(ordered)
    costs = read_common_costs([run.trials for run in ordered])
    usable, refusals = _usable_cells(ordered, costs, names)
    tasks = _judge(_task_lines(usable, costs), ordered)
    cell_lines = [_line(cell.task, cell, 1, by_run) for cell, by_run in usable.items()]
    cells = _judge(cell_lines, ordered)
    kernel = [step for line in tasks if line.task == KERNEL for step in line.steps]
    return History(
        host_label=ordered[0].manifest.host.host_label,
        runs=tuple(
            HistoryRun(
                position=index, run_id=run.manifest.run_id, name=name, started_utc=start_of(run)
            )
            for index, (run, name) in enumerate(zip(ordered, names, strict=True))
        ),
        tasks=tuple(_with_kernel(line, kernel) for line in tasks),
        cells=tuple(_with_kernel(line, kernel) for line in cells),
        refusals=refusals,
    )


def _usable_cells(
    runs: Runs, costs: Sequence[RunCosts], names: Sequence[str]
) -> tuple[dict[Cell, dict[int, Costs]], tuple[Refusal, ...]]:
    """Cells with their costs by run, where the run measured the same as the first that has it."""
    usable: dict[Cell, dict[int, Costs]] = {}
    refusals: list[Refusal] = []
    first: dict[Cell, MeasuredRun] = {}
    cells = compared_cells(trial.cell for run in runs for trial in run.trials)
    for position, run in enumerate(runs):
        refused: dict[Cell, tuple[Reason, ...]] = {}
        for cell in cells:
            rounds = costs[position].by_cell.get(cell, {})
            reasons: Sequence[Reason] = ()
            if len(rounds) < MINIMUM_ROUNDS:
                reasons = (Reason(kind="few_rounds", needed=MINIMUM_ROUNDS),)
            elif cell in first:
                reasons = find_unlikeness(cell, first[cell].manifest, run.manifest)
            if reasons:
                here = {"place": names[position]}
                refused[cell] = tuple(reason.model_copy(update=here) for reason in reasons)
            else:
                first.setdefault(cell, run)
                usable.setdefault(cell, {})[position] = rounds
        refusals += group_refusals(refused)
    return {cell: usable[cell] for cell in cells if cell in usable}, tuple(refusals)


def _task_lines(
    usable: Mapping[Cell, Mapping[int, Costs]], costs: Sequence[RunCosts]
) -> list[_Line | None]:
    """The reference kernel, and each task over the cells that most runs have all of."""
    kernels = {position: kernel_costs(run) for position, run in enumerate(costs)}
    lines = [_line(KERNEL, None, 0, kernels)]
    for task in TASKS:
        cells = [cell for cell in usable if cell.task == task]
        most = max((len(usable[cell]) for cell in cells), default=0)
        common = [cell for cell in cells if len(usable[cell]) == most]
        by_run = {
            position: pool_costs(run, common)
            for position, run in enumerate(costs)
            if common and all(position in usable[cell] for cell in common)
        }
        lines.append(_line(task, None, len(common), by_run))
    return lines


def _line(
    task: str, cell: Cell | None, cell_count: int, by_run: Mapping[int, Costs]
) -> _Line | None:
    """A line through the runs with enough rounds; None for fewer than three."""
    positions = tuple(p for p, rounds in sorted(by_run.items()) if len(rounds) >= MINIMUM_ROUNDS)
    if len(positions) < FEWEST_RUNS:
        return None
    runs = [by_run[p] for p in positions]
    return _Line(task, cell, cell_count, positions, run_levels(runs), last_change(runs))


def last_change(runs: Sequence[Costs]) -> Change:
    """The last run against the first, over the rounds that their levels are of."""
    common = sorted(set(runs[0]).intersection(*runs[1:]))
    if len(common) < MINIMUM_ROUNDS:
        return unpaired_change(list(runs[0].values()), list(runs[-1].values()))
    return paired_change(*([run[key] for key in common] for run in (runs[0], runs[-1])))


def _judge(found: Sequence[_Line | None], runs: Runs) -> tuple[HistorySeries, ...]:
    """Every line with its steps; a line's own level is what Holm leaves it of the family's."""
    lines = [line for line in found if line]
    p_values = [change_p_value(line.levels.logs, line.levels.standard_errors) for line in lines]
    series = []
    for line, p_value, adjusted in zip(lines, p_values, holm_adjusted(p_values), strict=True):
        factor = float(adjusted) / p_value if p_value > 0 else float(len(lines))
        steps: tuple[ChangePoint, ...] = ()
        if adjusted <= 1 - CONFIDENCE_LEVEL:
            levels = (line.levels.logs, line.levels.standard_errors)
            own_level = (1 - CONFIDENCE_LEVEL) / factor
            steps = find_change_points(*levels, error_level=own_level)
        series.append(
            HistorySeries(
                task=line.task,
                cell=line.cell,
                cell_count=line.cell_count,
                points=_points(line),
                last_ratio=estimate_of(line.last.interval(confidence_level=CONFIDENCE_LEVEL)),
                steps=tuple(_step(line, c, factor, runs) for c in steps),
            )
        )
    return tuple(series)


def _points(line: _Line) -> tuple[HistoryPoint, ...]:
    logs = line.levels.logs - line.levels.logs[0]
    points = []
    for position, log, error, count in zip(
        line.positions, logs, line.levels.standard_errors, line.levels.counts, strict=True
    ):
        half = t_reach(count, confidence_level=CONFIDENCE_LEVEL) * error
        ratio = _ratio((log, log - half, log + half), count, "t on logs")
        points.append(HistoryPoint(position=position, cost_ratio=ratio))
    return tuple(points)


def _step(line: _Line, change: ChangePoint, factor: float, runs: Runs) -> Step:
    before, after = line.positions[change.index - 1], line.positions[change.index]
    logs = (change.change, *change.limits(confidence_level=CONFIDENCE_LEVEL))
    return Step(
        before=before,
        after=after,
        cost_ratio=_ratio(logs, len(line.positions), "t on levels of runs"),
        adjusted_p=min(1.0, change.p_value * factor),
        host_changes=changed_facts([runs[before]], [runs[after]]),
    )


def _with_kernel(line: HistorySeries, kernel: Sequence[Step]) -> HistorySeries:
    """Each step beside which the reference kernel stepped too is given the kernel's ratio."""
    if line.task == KERNEL:
        return line
    ratios = {(step.before, step.after): step.cost_ratio for step in kernel}
    steps = tuple(
        step.model_copy(update={"kernel_ratio": ratios.get((step.before, step.after))})
        for step in line.steps
    )
    return line.model_copy(update={"steps": steps})


def _ratio(logs: tuple[float, float, float], count: int, method: str) -> Estimate:
    """Point, low and high, given as logs."""
    point, low, high = (float(np.exp(value)) for value in logs)
    counts = {"round_count": count, "sample_count": count}
    return Estimate(point=point, low=low, high=high, unit=RATIO_UNIT, method=method, **counts)
