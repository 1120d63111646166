"""The makespan of an ingest, predicted from the grid, beside the one that was measured."""

from collections.abc import Mapping, Sequence
from typing import Final

import numpy as np
from numpy.typing import NDArray

from mezzmark.decide.estimate.draws import draw_estimate
from mezzmark.decide.estimate.pooling import summarise_cells
from mezzmark.decide.estimate.rounds import estimate_values
from mezzmark.decide.throughput.grid import clip_seconds
from mezzmark.decide.throughput.schedule import find_makespan_s, predict_makespan
from mezzmark.model.cell import Cell
from mezzmark.model.estimate import Estimate
from mezzmark.model.fact import Fact
from mezzmark.model.records import Trial
from mezzmark.model.tasks.ingest import ClipOrder, IngestMeasurement


class IngestPrediction(Fact):
    """Makespan of one ingest cell, in seconds; `predicted` is None where the grid does not allow
    a prediction."""

    cell: Cell
    measured: Estimate
    predicted: Estimate | None

    @property
    def miss_fraction(self) -> float | None:
        """How far the prediction is off, as a share of what was measured; above 0 is too long."""
        if self.predicted is None or self.measured.point <= 0:
            return None
        return self.predicted.point / self.measured.point - 1


PREDICTION_DRAWS: Final = 400
"""Ten draws beyond each 95 % limit; each draw is one schedule."""


def predict_ingests(
    trials: Sequence[Trial],
    frame_counts: Mapping[str, int],
    *,
    confidence_level: float,
    rng: np.random.Generator,
) -> tuple[IngestPrediction, ...]:
    """Every measured ingest cell beside what the grid of the same split predicts for it.

    `frame_counts` are the clips' lengths. Where the grid lacks a clip or the split there is no
    prediction. Ingests that resize are not predicted: the grid does not resize.
    """
    found = []
    ingests = [trial for trial in trials if trial.cell.task == "ingest"]
    for summary in summarise_cells(ingests, confidence_level=confidence_level):
        cell, measured = summary.cell, summary.estimates.get("makespan_s")
        if summary.arm or cell.setting["clip_order"] is None or measured is None:
            continue
        jobs, threads = cell.setting.split
        seconds = clip_seconds(trials, cell.encoding, job_count=jobs, thread_count=threads)
        predicted = None
        is_resized = cell.setting["delivery_height"] is not None
        if not is_resized and frame_counts and frame_counts.keys() <= seconds.keys():
            durations = [
                estimate_values(
                    [float(value) * frame_count for value in seconds[clip]],
                    "s",
                    len(seconds[clip]),
                    confidence_level,
                )
                for clip, frame_count in frame_counts.items()
            ]
            predicted = _predict(cell, durations, confidence_level, rng)
        found.append(IngestPrediction(cell=cell, measured=measured, predicted=predicted))
    return tuple(found)


def last_ingest(trials: Sequence[Trial]) -> dict[str, IngestMeasurement]:
    """The last finished trial of each ingest cell, by the cell's name; for the Gantt figure."""
    return {
        trial.cell.cell_id: trial.measurement
        for trial in trials
        if isinstance(trial.measurement, IngestMeasurement) and not trial.arm
    }


def _predict(
    cell: Cell, durations: Sequence[Estimate], confidence_level: float, rng: np.random.Generator
) -> Estimate:
    """The makespan of clips that take so many seconds each, in the cell's split and order."""
    order: ClipOrder = cell.setting["clip_order"] or "fifo"
    drawn = [draw_estimate(clip, rng=rng, draw_count=PREDICTION_DRAWS) for clip in durations]
    withheld = tuple(dict.fromkeys(reason for clip in drawn for reason in clip.withheld))
    draws: NDArray[np.float64] = np.column_stack([clip.draws for clip in drawn])
    interval = predict_makespan(
        draws, cell.setting["jobs"], order=order, confidence_level=confidence_level
    )
    points = [clip.point for clip in durations]
    return Estimate(
        point=find_makespan_s(points, cell.setting["jobs"], order=order),
        low=None if withheld else interval.low,
        high=None if withheld else interval.high,
        confidence_level=confidence_level,
        unit="s",
        round_count=min(clip.round_count for clip in durations),
        sample_count=PREDICTION_DRAWS,
        method=interval.method,
        withheld=withheld,
    )
