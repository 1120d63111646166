"""Trials of two kinds: whole trials fast or slow, as the machine's states make them, so that a
typical trial between them is seldom met. Both levels are told, with their shares."""

from collections.abc import Iterable

import numpy as np

from mezzmark.decide.estimate.observed_run import RunCosts
from mezzmark.model.cell import Cell
from mezzmark.model.fact import Fact
from mezzmark.model.tasks import TASKS
from mezzmark.statistics.variance import split_in_two


class TwoKinds(Fact):
    """Geometric means of a cell's fast and slow trials, in the unit of its leading figure, and how
    many of `count` trials are fast."""

    cell: Cell
    fast: float
    slow: float
    fast_count: int
    count: int
    unit: str


def find_two_kinds(cell: Cell, runs: Iterable[RunCosts]) -> TwoKinds | None:
    """Of a cell's trials in all these runs; None where they are not surely of two kinds."""
    logs = np.sort(np.log([cost for run in runs for cost in run.by_cell.get(cell, {}).values()]))
    if not (at := split_in_two(logs)):
        return None
    figure = TASKS[cell.task].figure(TASKS[cell.task].headline)
    sign = 1 if figure.better == "less" else -1
    fast, slow = (float(np.exp(sign * part.mean())) for part in (logs[:at], logs[at:]))
    return TwoKinds(
        cell=cell, fast=fast, slow=slow, fast_count=at, count=logs.size, unit=figure.unit
    )
