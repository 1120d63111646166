"""Many runs of one host over time: where a task or a cell stepped to another level, and what of
the host changed between those runs.

A run's level is its mean log cost. Steps are found by `mezzmark.statistics.change_points`; over the
series of a family (all tasks with the reference kernel; all cells) the chance of any false step is
held by Holm's method.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from mezzmark.decide.comparability import describe_unlikeness
from mezzmark.decide.estimates import RATIO_UNIT
from mezzmark.decide.evidence import MeasuredRun, RunCosts, read_costs
from mezzmark.decide.hardware_facts import host_texts
from mezzmark.decide.hardware_match import judged_cells
from mezzmark.decide.hardware_tasks import TASK_ORDER, pool_costs
from mezzmark.decide.history_levels import Costs, Levels, run_levels
from mezzmark.decide.rounds import MINIMUM_ROUNDS
from mezzmark.decide.run_names import run_names
from mezzmark.decide.task_names import TASK_NAMES
from mezzmark.facts.cells import Cell
from mezzmark.facts.estimates import Estimate
from mezzmark.facts.hardware import Refusal
from mezzmark.facts.history import FactChange, History, HistoryPoint, HistoryRun, Series, Step
from mezzmark.facts.records import Trial
from mezzmark.statistics.change_points import ChangePoint, change_p_value, find_change_points
from mezzmark.statistics.intervals import t_reach
from mezzmark.statistics.multiplicity import holm_adjusted

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
