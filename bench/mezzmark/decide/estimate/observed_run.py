"""A run as it is read from disk: what it is called, how much of it is complete, and its trials as
figures and costs, one number each.

The trial is the sampling unit: everything above this module sees trials, never samples. What a
task's figures are, and how they are read from its measurement, stands in its row (`model.tasks`).
"""

import math
from collections import Counter
from collections.abc import Callable, Collection, Hashable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property
from itertools import chain
from typing import Any, Final, Protocol, TypeVar

from mezzmark.model.cell import Cell
from mezzmark.model.fact import grouped
from mezzmark.model.records import Trial
from mezzmark.model.run import Manifest
from mezzmark.model.tasks import TASKS
from mezzmark.model.tasks.scrub import first_blocks
from mezzmark.model.tasks.spec import Seen, TaskSpec, Work

Requests = tuple[str, int]  # The design and the seed of a trial's requests


@dataclass(frozen=True, slots=True, kw_only=True)
class Observation:
    """One finished trial as figures, and its work; it played `blocks` sets of requests."""

    cell: Cell
    round_index: int
    position: int = 0
    requests: Requests = ("", 0)
    figures: dict[str, float]
    work: Work
    blocks: int = 1
    trial: Trial | None = field(default=None, compare=False, repr=False)

    @property
    def sample_count(self) -> int:
        """Moves, or files made."""
        return self.work.sample_count

    @property
    def is_stratified(self) -> bool:
        """Whether the trial's requests were drawn together."""
        return self.requests[0] == "hypercube"

    def over(self, blocks: int) -> "Observation":
        """The same over the first `blocks` sets of requests."""
        trial = self.trial
        if trial is None or blocks >= self.blocks:
            return self
        cut = first_blocks(trial.measurement, blocks)  # type: ignore[arg-type]  # none else has any
        found = observe_trial(trial.model_copy(update={"blocks": blocks, "measurement": cut}))
        return self if found is None else replace(found, round_index=self.round_index)


def over_common_blocks(
    sides: Sequence[Iterable[Observation]], key: Callable[[Observation], Hashable]
) -> list[list[Observation]]:
    """Each side over the blocks that all observations of its key played: the same moves."""
    listed = [list(side) for side in sides]
    if len({observation.blocks for observation in chain(*listed)}) <= 1:
        return listed
    played = grouped((key(observation), observation.blocks) for observation in chain(*listed))
    fewest = {of: min(blocks) for of, blocks in played.items()}
    return [[o.over(fewest[key(o)]) for o in side] for side in listed]


def observe(trials: Iterable[Trial], *, arm: str = "") -> tuple[Observation, ...]:
    """The finished trials of an arm as figures, in order; failed ones have none."""
    by_task = grouped(
        (trial.cell.task, (place, trial))
        for place, trial in enumerate(trials)
        if trial.arm == arm and trial.is_counted and trial.measurement is not None
    )
    found: dict[int, Observation] = {}
    for task, mine in by_task.items():
        views = TASKS[task].view([Seen(trial.measurement, trial.process) for _, trial in mine])
        for (place, trial), view in zip(mine, views, strict=True):
            if view is not None:
                found[place] = _observation(TASKS[task], trial, view)
    return tuple(found[place] for place in sorted(found))


def observe_trial(trial: Trial) -> Observation | None:
    """One trial's figures, or None where it brought nothing that may be shown."""
    return next(iter(observe([trial], arm=trial.arm)), None)


def _observation(spec: TaskSpec, trial: Trial, view: Any) -> Observation:
    values = ((figure.name, figure.of(view)) for figure in spec.figures)
    return Observation(
        cell=trial.cell,
        round_index=trial.round_index,
        position=trial.position,
        requests=(trial.request_design, trial.seed),
        figures={name: value for name, value in values if value is not None},
        work=spec.work(view),
        blocks=trial.blocks,
        trial=trial,
    )


Place = tuple[int, int]  # Round and position: one trial of a run

RoundKey = tuple[int, Hashable]
"""Round and what its requests follow from: the same key on both sides did the same work."""

Costs = dict[RoundKey, float]
Found = TypeVar("Found")


class MeasuredRun(Protocol):
    """A run as it is read from disk: what it says of itself, and its trials."""

    @property
    def manifest(self) -> Manifest: ...
    @property
    def trials(self) -> Sequence[Trial]: ...


Runs = Sequence[MeasuredRun]


def start_of(run: MeasuredRun) -> str:
    """When the run's first trial began (UTC, ISO 8601)."""
    starts: list[str] = [trial.started_utc for trial in run.trials]
    return min(starts, default=run.manifest.created_utc)


@dataclass(frozen=True, slots=True, kw_only=True)
class RunCosts:
    """Costs of one run by cell and round, and of its reference kernel by round."""

    by_cell: Mapping[Cell, Costs]
    kernel: Mapping[int, float]

    def only(self, cell: Cell, costs: Costs) -> "RunCosts":
        """One cell with these costs, beside the reference kernel of this run."""
        return RunCosts(by_cell={cell: costs}, kernel=self.kernel)


@dataclass(frozen=True, eq=False)
class ObservedRun:
    """A run with what is read from its trials, each computed when first asked for, and once.
    `known` are observations made already; `run_dir` is the folder it was read from."""

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

    def once(self, key: Hashable, make: Callable[[], Found]) -> Found:
        """What `make` gave for this key the first time: for what other rooms read from a run."""
        if key not in self._kept:
            self._kept[key] = make()
        found: Found = self._kept[key]
        return found


def read_costs(trials: Sequence[Trial], *, arm: str = "") -> RunCosts:
    """As `costs_of`, from the trials of one arm."""
    return costs_of(observe(trials, arm=arm))


def read_common_costs(
    runs: Sequence[Iterable[Trial]], *, excluded: Sequence[Collection[Place]] = ()
) -> list[RunCosts]:
    """As `read_costs` of each run, over the blocks that all of them played in a cell and round."""
    sides = over_common_blocks(
        [observe(trials) for trials in runs], lambda o: (o.cell, o.round_index, o.requests)
    )
    without = excluded or [()] * len(sides)
    return [costs_of(side, excluded=out) for side, out in zip(sides, without, strict=True)]


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
            by_cell.setdefault(observation.cell, {})[index, observation.requests] = cost
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


BITS_PER_HOUR_TO_GB: Final = 3600 / 8 / 1e9


def truncated_round(run: MeasuredRun) -> int | None:
    """The index of the last round where the run was stopped within it; None where all are complete.
    A run that ended by itself says why, and has finished every round that it began. Of any other,
    the last round is truncated where a cell of the round before lacks its trial. Cells that never
    finished one may have been given up and do not count; nor does fidelity, made once."""
    if run.manifest.stop_reason:
        return None
    timed = [t for t in run.trials if t.cell.task != "fidelity" and t.arm != "pilot"]
    rounds = sorted({trial.round_index for trial in timed})
    if len(rounds) < 2:
        return None
    able = {trial.cell for trial in timed if trial.outcome == "finished"}
    before, last = (
        Counter(t.cell for t in timed if t.round_index == index and t.cell in able)
        for index in rounds[-2:]
    )
    return rounds[-1] if before - last else None


def complete_round_count(run: MeasuredRun) -> int:
    """Rounds that were begun, without a last one that was truncated, or the only one."""
    timed = [t for t in run.trials if t.cell.task != "fidelity" and t.arm != "pilot"]
    begun = {trial.round_index for trial in timed}
    is_cut = truncated_round(run) is not None or (len(begun) == 1 and _is_cut(run, timed))
    return len(begun) - is_cut


def _is_cut(run: MeasuredRun, only_round: Sequence[Trial]) -> bool:
    """Whether a run was stopped within its only round so far: a round ends with the reference
    kernel, of which it has two or more. One that was cut right after its middle one is not seen."""
    kernels = [trial.position for trial in only_round if trial.cell.task == "kernel"]
    last = max(trial.position for trial in only_round)
    is_open = len(kernels) == 1 or last not in kernels
    return not run.manifest.stop_reason and bool(kernels) and is_open


ID_DIGITS: Final = 8  # Digits of a run's id that tell it from any other a person has


def run_names(runs: Runs) -> list[str]:
    """As `run_name`, with digits of the id where two runs share that."""
    plain = [run_name(run) for run in runs]
    return [
        name if plain.count(name) == 1 else f"{name} ({run.manifest.run_id[:ID_DIGITS]})"
        for name, run in zip(plain, runs, strict=True)
    ]


def run_name(run: MeasuredRun) -> str:
    """One run's folder as it was typed, or the first digits of its id."""
    folder = getattr(run, "run_dir", None)
    return run.manifest.run_id[:ID_DIGITS] if folder is None else str(folder)
