"""Each encoding at its best: of all settings of a task the one that was fastest."""

from collections.abc import Callable, Sequence

from mezzmark.decide.estimates import pool_clips
from mezzmark.decide.observations import Observation
from mezzmark.facts.cells import Cell, Task
from mezzmark.facts.estimates import Estimate

BestCells = dict[str, tuple[Cell, Estimate]]
"""Each encoding's best cell over all clips with its figure, the best encoding first."""


def best_cells(
    observations: Sequence[Observation],
    task: Task,
    figure: str,
    order: Callable[[Estimate], float],
    *,
    confidence_level: float,
) -> BestCells:
    """The cell of each encoding whose `figure` has the smallest `order`; names break ties."""
    mine = [o for o in observations if o.cell.task == task and not o.cell.arm]
    best: BestCells = {}
    for cell, estimates in pool_clips(mine, confidence_level=confidence_level).items():
        estimate = estimates.get(figure)
        if estimate is None:
            continue
        known = best.get(cell.encoding)
        if known is None or order(estimate) < order(known[1]):
            best[cell.encoding] = cell, estimate
    return dict(sorted(best.items(), key=lambda item: (order(item[1][1]), item[0])))


def fastest_cells(
    observations: Sequence[Observation], task: Task, *, confidence_level: float
) -> BestCells:
    """Those with the most frames a second."""
    return best_cells(
        observations,
        task,
        "throughput_fps",
        lambda estimate: -estimate.point,
        confidence_level=confidence_level,
    )
