"""What is known of a run while it goes on: costs of cells, cells given up, time spent."""

from collections.abc import Iterable, Sequence

from mezzmark.facts.cells import Cell, PlannedTrial
from mezzmark.facts.records import Trial

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
