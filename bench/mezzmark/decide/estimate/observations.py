"""From a finished trial's raw nanoseconds to its figures: one number each, one trial at a time.

The trial is the sampling unit: everything above this module sees trials, never samples. What a
task's figures are, and how they are read from its measurement, stands in its row (`model.tasks`).
"""

from collections.abc import Iterable
from dataclasses import dataclass

from mezzmark.model.cell import Cell
from mezzmark.model.records import Trial
from mezzmark.model.tasks import TASKS
from mezzmark.model.tasks.spec import Work


@dataclass(frozen=True, slots=True, kw_only=True)
class Observation:
    """One finished trial as figures, and the work behind them."""

    cell: Cell
    round_index: int
    position: int = 0
    seed: int = 0
    figures: dict[str, float]
    work: Work

    @property
    def sample_count(self) -> int:
        """Moves, or files made."""
        return self.work.sample_count


def observe(trials: Iterable[Trial], *, arm: str = "") -> tuple[Observation, ...]:
    """The finished trials of an arm as figures, in order; failed trials have none and are left
    out."""
    return tuple(
        observation
        for trial in trials
        if trial.arm == arm and (observation := observe_trial(trial)) is not None
    )


def observe_trial(trial: Trial) -> Observation | None:
    """One trial's figures, or None where it brought nothing that may be shown."""
    spec = TASKS[trial.cell.task]
    if trial.outcome != "finished" or trial.measurement is None:
        return None
    view = spec.view(trial.measurement, trial.process)
    if view is None:
        return None
    values = ((figure.name, figure.of(view)) for figure in spec.figures)
    return Observation(
        cell=trial.cell,
        round_index=trial.round_index,
        position=trial.position,
        seed=trial.seed,
        figures={name: value for name, value in values if value is not None},
        work=spec.work(view),
    )
