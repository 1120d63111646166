"""Many runs of one host over time: where a task or a cell stepped to another level, and what of
the host changed between those runs.

A run's level is its mean log cost. Steps are found by `mezzmark.statistics.change_points`; over the
series of a family (all tasks with the reference kernel; all cells) the chance of any false step is
held by Holm's method.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from mezzmark.decide.compare.host_comparison import Refusal
from mezzmark.decide.compare.host_tasks import TASK_ORDER, pool_costs
from mezzmark.decide.compare.matching import judged_cells
from mezzmark.decide.estimate.complete_rounds import run_names
from mezzmark.decide.estimate.observed_run import MeasuredRun, RoundKey, RunCosts, read_costs
from mezzmark.decide.estimate.pooling import RATIO_UNIT
from mezzmark.decide.estimate.rounds import MINIMUM_ROUNDS
from mezzmark.decide.machine.identity import describe_unlikeness, host_texts
from mezzmark.model.cell import Cell
from mezzmark.model.estimate import Estimate
from mezzmark.model.fact import Fact
from mezzmark.model.records import Trial
from mezzmark.report.prose.terms import TASK_NAMES
from mezzmark.statistics.change_points import ChangePoint, change_p_value, find_change_points
from mezzmark.statistics.intervals import t_reach
from mezzmark.statistics.multiplicity import holm_adjusted

Costs = Mapping[RoundKey, float]


@dataclass(frozen=True, slots=True, kw_only=True)
class Levels:
    """Mean log cost of each run and its standard error; `counts` are the rounds behind each."""

    logs: NDArray[np.float64]
    standard_errors: NDArray[np.float64]
    counts: tuple[int, ...]


def run_levels(runs: Sequence[Costs]) -> Levels:
    """Levels of runs that each have at least `MINIMUM_ROUNDS` rounds.

    Where all runs replayed the same moves in at least so many rounds, those rounds alone are taken
    and what a round's moves cost every run alike is taken out of the spread: the residuals of
    runs × rounds, whose variance the means have made smaller by (runs - 1) / runs. Raises
    ValueError for a run of fewer rounds.
    """
    if any(len(run) < MINIMUM_ROUNDS for run in runs):
        raise ValueError(f"every run needs at least {MINIMUM_ROUNDS} rounds")
    common = sorted(set(runs[0]).intersection(*runs[1:])) if runs else []
    if len(common) < MINIMUM_ROUNDS or len(runs) < 2:
        return _own_rounds(runs)
    logs = np.log(np.array([[run[key] for key in common] for run in runs]))
    means = logs.mean(axis=1)
    residuals = logs - means[:, None] - logs.mean(axis=0)[None, :] + logs.mean()
    degrees = (len(common) - 1) * (len(runs) - 1) / len(runs)
    variances = (residuals**2).sum(axis=1) / degrees
    return Levels(
        logs=means,
        standard_errors=np.sqrt(variances / len(common)),
        counts=(len(common),) * len(runs),
    )


def _own_rounds(runs: Sequence[Costs]) -> Levels:
    logs = [np.log(np.array(list(run.values()))) for run in runs]
    return Levels(
        logs=np.array([values.mean() for values in logs]),
        standard_errors=np.array(
            [float(values.std(ddof=1)) / math.sqrt(values.size) for values in logs]
        ),
        counts=tuple(values.size for values in logs),
    )


class HistoryRun(Fact):
    """One run of the host; `position` counts from 0 in the order of time, `name` is its folder."""

    position: int
    run_id: str
    name: str
    started_utc: str


class HistoryPoint(Fact):
    """A run's cost against the point of the first run that has the series (1.0 = same, above is
    slower); the interval is the run's own, over its rounds."""

    position: int
    cost_ratio: Estimate


class FactChange(Fact):
    """A fact of the host that differs between two neighbouring runs."""

    name: str
    before: str
    after: str


class Step(Fact):
    """A change of level between the runs at `before` and `after`.

    `cost_ratio` is the level after / the level before; its interval takes the place as known.
    `adjusted_p` is adjusted for all series of the family. `kernel_ratio` is the change of the
    reference kernel between the same runs, where it has a step there too.
    """

    before: int
    after: int
    cost_ratio: Estimate
    adjusted_p: float
    host_changes: tuple[FactChange, ...]
    kernel_ratio: Estimate | None = None


class Series(Fact):
    """One line of a history: a task over its common cells (`cell` is None), or one cell."""

    name: str
    cell: Cell | None
    cell_count: int
    points: tuple[HistoryPoint, ...]
    steps: tuple[Step, ...]


class History(Fact):
    """All runs of one host. `tasks` holds the reference kernel and each task; `cells` every cell.

    The chance of any false step is held at `error_level` over `tasks` and again over `cells`.
    """

    host_label: str
    runs: tuple[HistoryRun, ...]
    tasks: tuple[Series, ...]
    cells: tuple[Series, ...]
    refusals: tuple[Refusal, ...]
    confidence_level: float
    error_level: float


FEWEST_RUNS: Final = 3
"""From three runs on there is a course to see; a step in so few is all but never claimed."""

KERNEL_NAME: Final = "reference kernel"

_PASSING: Final = {"load before trials", "clock during trials", "stolen by the host"}
"""What every run finds otherwise; it is in the tables of the runs."""

HostKey = tuple[str, str | None, int]


@dataclass(frozen=True, slots=True)
class _Line:
    """A series before it is judged: which runs have it, at what level."""

    name: str
    cell: Cell | None
    cell_count: int
    positions: tuple[int, ...]
    levels: Levels


def host_key(run: MeasuredRun) -> HostKey:
    """What makes runs those of one host: label, processor and cores. Memory, system and software
    may change in its life."""
    host = run.manifest.host
    return host.host_label, host.cpu_model, host.logical_core_count


def start_of(run: MeasuredRun) -> str:
    """When the run's first trial began (UTC, ISO 8601)."""
    starts: list[str] = [trial.started_utc for trial in run.trials]
    return min(starts, default=run.manifest.created_utc)


def trace_history(runs: Sequence[MeasuredRun], *, confidence_level: float = 0.95) -> History:
    """The history of one host's runs. Raises ValueError for fewer than three runs or two hosts."""
    if len(runs) < FEWEST_RUNS or len({host_key(run) for run in runs}) != 1:
        raise ValueError(f"a history needs at least {FEWEST_RUNS} runs of one host")
    ordered = sorted(runs, key=lambda run: (start_of(run), run.manifest.run_id))
    names = run_names(ordered)
    costs = [read_costs(run.trials) for run in ordered]
    usable, refusals = _usable_cells(ordered, costs, names)
    cell_lines = [_line(cell.cell_id, cell, 1, by_run) for cell, by_run in usable.items()]
    task_lines = [_line(KERNEL_NAME, None, 0, _kernels(costs)), *_task_lines(usable, costs)]
    facts = [host_texts(run) for run in ordered]
    error_level = 1 - confidence_level
    tasks = _judge([line for line in task_lines if line], facts, confidence_level)
    return History(
        host_label=ordered[0].manifest.host.host_label,
        runs=tuple(
            HistoryRun(
                position=index,
                run_id=run.manifest.run_id,
                name=names[index],
                started_utc=start_of(run),
            )
            for index, run in enumerate(ordered)
        ),
        tasks=_with_kernel(tasks),
        cells=_with_kernel(
            _judge([line for line in cell_lines if line], facts, confidence_level), tasks
        ),
        refusals=refusals,
        confidence_level=confidence_level,
        error_level=error_level,
    )


def _usable_cells(
    runs: Sequence[MeasuredRun], costs: Sequence[RunCosts], names: Sequence[str]
) -> tuple[dict[Cell, dict[int, Costs]], tuple[Refusal, ...]]:
    """Cells with their costs by run, where the run measured the same as the first that has it."""
    trials: list[Trial] = [trial for run in runs for trial in run.trials]
    usable: dict[Cell, dict[int, Costs]] = {}
    reasons: dict[str, list[str]] = {}
    for cell in judged_cells(trial.cell for trial in trials):
        first: MeasuredRun | None = None
        for position, run in enumerate(runs):
            rounds = costs[position].by_cell.get(cell, {})
            problems: Sequence[str] = ()
            if len(rounds) < MINIMUM_ROUNDS:
                problems = (f"fewer than {MINIMUM_ROUNDS} finished rounds",)
            elif first is not None:
                problems = describe_unlikeness(cell, first.manifest, run.manifest)
            if problems:
                reason = f"{names[position]}: {'; '.join(problems)}"
                reasons.setdefault(reason, []).append(cell.cell_id)
                continue
            first = first or run
            usable.setdefault(cell, {})[position] = rounds
    refusals = tuple(Refusal(reason=text, cell_ids=tuple(ids)) for text, ids in reasons.items())
    return usable, refusals


def _kernels(costs: Sequence[RunCosts]) -> dict[int, Costs]:
    return {
        position: {(index, 0): cost for index, cost in run.kernel.items()}
        for position, run in enumerate(costs)
    }


def _task_lines(
    usable: Mapping[Cell, Mapping[int, Costs]], costs: Sequence[RunCosts]
) -> list[_Line | None]:
    """Each task over the cells that as many runs as possible have all of."""
    lines = []
    for task in TASK_ORDER:
        cells = [cell for cell in usable if cell.task == task]
        most = max((len(usable[cell]) for cell in cells), default=0)
        common = [cell for cell in cells if len(usable[cell]) == most]
        positions = set[int]().union(*(usable[cell] for cell in common))
        by_run = {
            position: pool_costs(costs[position], common)
            for position in sorted(positions)
            if all(position in usable[cell] for cell in common)
        }
        lines.append(_line(TASK_NAMES[task], None, len(common), by_run))
    return lines


def _line(
    name: str, cell: Cell | None, cell_count: int, by_run: Mapping[int, Costs]
) -> _Line | None:
    """A line through the runs with enough rounds; None for fewer than three."""
    positions = tuple(p for p, rounds in sorted(by_run.items()) if len(rounds) >= MINIMUM_ROUNDS)
    if len(positions) < FEWEST_RUNS:
        return None
    return _Line(name, cell, cell_count, positions, run_levels([by_run[p] for p in positions]))


def _judge(
    lines: Sequence[_Line], facts: Sequence[Mapping[str, str | None]], confidence_level: float
) -> tuple[Series, ...]:
    """Every line with its steps; a line's own level is what Holm leaves it of the family's."""
    p_values = [change_p_value(line.levels.logs, line.levels.standard_errors) for line in lines]
    series = []
    for line, p_value, adjusted in zip(lines, p_values, holm_adjusted(p_values), strict=True):
        factor = float(adjusted) / p_value if p_value > 0 else float(len(lines))
        found: tuple[ChangePoint, ...] = ()
        if adjusted <= 1 - confidence_level:
            found = find_change_points(
                line.levels.logs,
                line.levels.standard_errors,
                error_level=(1 - confidence_level) / factor,
            )
        series.append(
            Series(
                name=line.name,
                cell=line.cell,
                cell_count=line.cell_count,
                points=_points(line, confidence_level),
                steps=tuple(_step(line, c, factor, facts, confidence_level) for c in found),
            )
        )
    return tuple(series)


def _points(line: _Line, confidence_level: float) -> tuple[HistoryPoint, ...]:
    logs = line.levels.logs - line.levels.logs[0]
    points = []
    for position, log, error, count in zip(
        line.positions, logs, line.levels.standard_errors, line.levels.counts, strict=True
    ):
        half = t_reach(count, confidence_level=confidence_level) * error
        points.append(
            HistoryPoint(
                position=position,
                cost_ratio=_ratio(
                    log, log - half, log + half, confidence_level, count, "t on logs"
                ),
            )
        )
    return tuple(points)


def _step(
    line: _Line,
    change: ChangePoint,
    factor: float,
    facts: Sequence[Mapping[str, str | None]],
    confidence_level: float,
) -> Step:
    before, after = line.positions[change.index - 1], line.positions[change.index]
    low, high = change.limits(confidence_level=confidence_level)
    return Step(
        before=before,
        after=after,
        cost_ratio=_ratio(
            change.change, low, high, confidence_level, len(line.positions), "t on levels of runs"
        ),
        adjusted_p=min(1.0, change.p_value * factor),
        host_changes=changed_facts(facts[before], facts[after]),
    )


def changed_facts(
    before: Mapping[str, str | None], after: Mapping[str, str | None]
) -> tuple[FactChange, ...]:
    """What the runs recorded differently of the host, what passes from run to run left out."""
    return tuple(
        FactChange(
            name=name,
            before=before.get(name) or "not known",
            after=after.get(name) or "not known",
        )
        for name in dict.fromkeys((*before, *after))
        if name not in _PASSING and before.get(name) != after.get(name)
    )


def _with_kernel(series: Sequence[Series], tasks: Sequence[Series] = ()) -> tuple[Series, ...]:
    """Each step beside which the reference kernel stepped too is given the kernel's ratio."""
    kernels = {
        (step.before, step.after): step.cost_ratio
        for line in (tasks or series)
        if line.name == KERNEL_NAME
        for step in line.steps
    }
    return tuple(
        line
        if line.name == KERNEL_NAME
        else line.model_copy(
            update={
                "steps": tuple(
                    step.model_copy(update={"kernel_ratio": kernels.get((step.before, step.after))})
                    for step in line.steps
                )
            }
        )
        for line in series
    )


def _ratio(
    log: float, low: float, high: float, confidence_level: float, count: int, method: str
) -> Estimate:
    return Estimate(
        point=float(np.exp(log)),
        low=float(np.exp(low)),
        high=float(np.exp(high)),
        confidence_level=confidence_level,
        unit=RATIO_UNIT,
        round_count=count,
        sample_count=count,
        method=method,
    )
