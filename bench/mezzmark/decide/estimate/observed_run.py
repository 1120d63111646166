"""A run as it is read from disk, observed once; and its trials' headline figures as costs."""

import math
from collections.abc import Callable, Collection, Hashable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property
from typing import Any, Protocol, TypeVar

from mezzmark.decide.estimate.observations import Observation, observe, observe_trial
from mezzmark.decide.estimate.pooling import pooled_bitrates_bps
from mezzmark.model.cell import Cell
from mezzmark.model.records import Trial
from mezzmark.model.run import Manifest
from mezzmark.model.tasks import TASKS

Place = tuple[int, int]
"""Round and position: one trial of a run."""

RoundKey = tuple[int, int]
"""Round and seed of the requests: the same key on both sides did the same work."""

Costs = dict[RoundKey, float]

Found = TypeVar("Found")


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


@dataclass(frozen=True, eq=False)
class ObservedRun:
    """A run with what is read from its trials, each computed when first asked for, and once.

    `known` are the observations of these trials where someone has them already; `run_dir` is the
    folder it was read from, if any.
    """

    manifest: Manifest
    trials: tuple[Trial, ...]
    known: tuple[Observation, ...] | None = None
    run_dir: object = None
    _kept: dict[Hashable, Any] = field(default_factory=dict, repr=False)

    @staticmethod
    def of(run: MeasuredRun) -> "ObservedRun":
        """The run itself where it is an observed one."""
        if isinstance(run, ObservedRun):
            return run
        folder = getattr(run, "run_dir", None)
        return ObservedRun(run.manifest, tuple(run.trials), run_dir=folder)

    @cached_property
    def observations(self) -> tuple[Observation, ...]:
        """Every finished trial of the main arm as figures."""
        return observe(self.trials) if self.known is None else self.known

    @cached_property
    def costs(self) -> RunCosts:
        """Headline costs of the main arm."""
        return costs_of(self.observations)

    @cached_property
    def bitrates_bps(self) -> dict[str, float]:
        """Bits per second of each encoding over all its clips."""
        return pooled_bitrates_bps(self.manifest)

    def once(self, key: Hashable, make: Callable[[], Found]) -> Found:
        """What `make` gave for this key the first time: for what other rooms read from a run."""
        if key not in self._kept:
            self._kept[key] = make()
        found: Found = self._kept[key]
        return found


def read_costs(
    trials: Sequence[Trial], *, excluded: Collection[Place] = (), arm: str = ""
) -> RunCosts:
    """As `costs_of`, from the trials of one arm."""
    return costs_of(observe(trials, arm=arm), excluded=excluded)


def costs_of(observations: Iterable[Observation], *, excluded: Collection[Place] = ()) -> RunCosts:
    """Every finished trial's headline cost (time, or time per frame); kernels averaged by round."""
    by_cell: dict[Cell, Costs] = {}
    kernel_logs: dict[int, list[float]] = {}
    for observation in observations:
        index, cost = observation.round_index, _cost(observation)
        if cost is None or (index, observation.position) in excluded:
            continue
        if observation.cell.task == "kernel":
            kernel_logs.setdefault(index, []).append(math.log(cost))
        else:
            by_cell.setdefault(observation.cell, {})[index, observation.seed] = cost
    kernel = {index: math.exp(sum(logs) / len(logs)) for index, logs in kernel_logs.items()}
    return RunCosts(by_cell=by_cell, kernel=kernel)


def trial_cost(trial: Trial) -> float | None:
    """The headline figure as a cost (above is worse), or None where the trial brought none."""
    observation = observe_trial(trial)
    return None if observation is None else _cost(observation)


def _cost(observation: Observation) -> float | None:
    spec = TASKS[observation.cell.task]
    value = observation.figures.get(spec.headline, 0.0)
    if value <= 0:
        return None
    return 1 / value if spec.figure(spec.headline).better == "more" else value
