"""A run as it is read from disk, and its trials' headline figures as costs."""

import math
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from typing import Final, Protocol

from mezzmark.decide.estimate.observations import observe_trial
from mezzmark.model.cell import Cell
from mezzmark.model.records import Trial
from mezzmark.model.run import Manifest
from mezzmark.model.tasks import TASKS

RATE_FIGURES: Final = {"throughput_fps"}
"""Figures of which more is better; their cost is the reciprocal."""

Place = tuple[int, int]
"""Round and position: one trial of a run."""

RoundKey = tuple[int, int]
"""Round and seed of the requests: the same key on both sides did the same work."""

Costs = dict[RoundKey, float]


class MeasuredRun(Protocol):
    """A run as it is read from disk: what it says of itself, and its trials."""

    @property
    def manifest(self) -> Manifest: ...
    @property
    def trials(self) -> Sequence[Trial]: ...


def start_of(run: MeasuredRun) -> str:
    """When the run's first trial began (UTC, ISO 8601)."""
    starts: list[str] = [trial.started_utc for trial in run.trials]
    return min(starts, default=run.manifest.created_utc)


@dataclass(frozen=True, slots=True, kw_only=True)
class RunCosts:
    """Costs of one run by cell and round, and of its reference kernel by round."""

    by_cell: Mapping[Cell, Costs]
    kernel: Mapping[int, float]


def read_costs(
    trials: Sequence[Trial], *, excluded: Collection[Place] = (), arm: str = ""
) -> RunCosts:
    """Every finished trial's headline cost (time, or time per frame) in one arm; kernels averaged
    by round."""
    by_cell: dict[Cell, Costs] = {}
    kernel_logs: dict[int, list[float]] = {}
    for trial in trials:
        if trial.arm != arm or (trial.round_index, trial.position) in excluded:
            continue
        cost = trial_cost(trial)
        if cost is None:
            continue
        if trial.cell.task == "kernel":
            kernel_logs.setdefault(trial.round_index, []).append(math.log(cost))
        else:
            by_cell.setdefault(trial.cell, {})[trial.round_index, trial.seed] = cost
    kernel = {index: math.exp(sum(logs) / len(logs)) for index, logs in kernel_logs.items()}
    return RunCosts(by_cell=by_cell, kernel=kernel)


def trial_cost(trial: Trial) -> float | None:
    """The headline figure as a cost (above is worse), or None where the trial brought none."""
    observation = observe_trial(trial)
    if observation is None:
        return None
    spec = TASKS[trial.cell.task]
    value = observation.figures.get(spec.headline, 0.0)
    if value <= 0:
        return None
    return 1 / value if spec.figure(spec.headline).better == "more" else value
