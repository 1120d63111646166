"""How long rounds take, and how long a run takes with them: pure, from what was measured so far."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from mezzmark.model.cell import Cell, PlannedTrial
from mezzmark.model.records import Trial
from mezzmark.model.scenario import Scenario
from mezzmark.runner.events import RoundsForecast

GIVE_UP_AFTER = 3
"""Trials of a cell that all failed before it is left out: one may be chance, and three show in the
report that it was not; every further one could cost a whole timeout."""

_NS = 1e-9


class Progress:
    """Trials so far and what follows from them; `note` adds one.

    `walls_s` is the time of all trials, `earlier_s` that of those given at the start.
    """

    def __init__(self, trials: Iterable[Trial] = ()) -> None:
        self.trials: list[Trial] = []
        self.walls_s = 0.0
        self._walls_ns: dict[Cell, list[int]] = {}
        self._failures: dict[Cell, int] = {}
        self._finished: set[Cell] = set()
        for trial in trials:
            self.note(trial)
        self.earlier_s = self.walls_s

    def note(self, trial: Trial) -> None:
        """Take a trial into account."""
        self.trials.append(trial)
        self.walls_s += trial.wall_ns * _NS
        self._walls_ns.setdefault(trial.cell, []).append(trial.wall_ns)
        if trial.outcome == "finished":
            self._finished.add(trial.cell)
        else:
            self._failures[trial.cell] = self._failures.get(trial.cell, 0) + 1

    def done_places(self) -> set[tuple[int, int]]:
        """(round index, position) of every trial on disk."""
        return {(trial.round_index, trial.position) for trial in self.trials}

    def is_given_up(self, cell: Cell) -> bool:
        """Whether a cell has failed so often, and never finished, that it is left out."""
        return cell not in self._finished and self._failures.get(cell, 0) >= GIVE_UP_AFTER

    def expected_s(self, planned: Sequence[PlannedTrial]) -> float | None:
        """Seconds these trials will take, by the mean of each cell, or of all cells where one was
        never measured; None while there is no trial at all."""
        if not self._walls_ns:
            return None
        every_ns = [wall for walls in self._walls_ns.values() for wall in walls]
        mean_ns = sum(every_ns) / len(every_ns)
        total_ns = 0.0
        for trial in planned:
            if self.is_given_up(trial.cell):
                continue
            walls_ns = self._walls_ns.get(trial.cell)
            total_ns += sum(walls_ns) / len(walls_ns) if walls_ns else mean_ns
        return total_ns * _NS


@dataclass(frozen=True, slots=True, kw_only=True)
class TimeLeft:
    """Seconds to the end of the rounds that are measured whatever the budget, and to the end of
    all rounds or of the budget, whichever is first."""

    minimum_s: float
    whole_s: float


def expected_s(
    progress: Progress, planned: Sequence[PlannedTrial], *, elapsed_s: float
) -> float | None:
    """What these trials will take, with what passes between trials in its share so far."""
    trials_s = progress.expected_s(planned)
    if trials_s is None or progress.walls_s <= 0:
        return trials_s
    return trials_s * max(1.0, elapsed_s / progress.walls_s)


def time_left(
    scenario: Scenario, *, round_index: int, rest_s: float, round_s: float, elapsed_s: float
) -> TimeLeft:
    """`rest_s` is what is left of the round that is under way, `round_s` what a whole one takes."""
    rounds_due = max(0, scenario.minimum_rounds - 1 - round_index)
    minimum_s = rest_s + rounds_due * round_s
    whole_s = rest_s + (scenario.rounds - 1 - round_index) * round_s
    if scenario.time_budget_s is not None:
        whole_s = min(whole_s, max(scenario.time_budget_s - elapsed_s, minimum_s))
    return TimeLeft(
        minimum_s=minimum_s if round_index < scenario.minimum_rounds else 0.0, whole_s=whole_s
    )


def forecast_rounds(
    scenario: Scenario, *, rounds_done: int, round_s: float, elapsed_s: float
) -> RoundsForecast:
    """What the minimum and the whole will have taken, from the start of the run."""
    minimum = max(scenario.minimum_rounds, rounds_done)
    most = scenario.rounds
    if scenario.time_budget_s is not None and round_s > 0:
        affordable = int(max(0.0, scenario.time_budget_s - elapsed_s) // round_s)
        most = min(most, max(minimum, rounds_done + affordable))
    minimum_s = elapsed_s + (minimum - rounds_done) * round_s
    budget_s = scenario.time_budget_s
    is_felt = budget_s is not None and (most < scenario.rounds or minimum_s > budget_s)
    return RoundsForecast(
        round_s=round_s,
        minimum_rounds=minimum,
        minimum_s=minimum_s,
        most_rounds=most,
        most_s=elapsed_s + (most - rounds_done) * round_s,
        time_budget_s=budget_s if is_felt else None,
    )
