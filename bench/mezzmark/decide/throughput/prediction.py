"""The makespan of an ingest, predicted from the grid, beside the one that was measured."""

from collections.abc import Mapping, Sequence
from typing import Final

import numpy as np
from numpy.typing import NDArray

from mezzmark.decide.estimate.draws import draw_estimate
from mezzmark.decide.estimate.pooling import summarise_cells
from mezzmark.decide.estimate.rounds import estimate_values
from mezzmark.decide.throughput.grid import clip_seconds
from mezzmark.decide.throughput.schedule import makespan_bound_s, predict_makespan, schedule_clips
from mezzmark.model.cell import Cell
from mezzmark.model.estimate import Estimate, Withheld
from mezzmark.model.fact import Fact
from mezzmark.model.records import Trial
from mezzmark.model.tasks.ingest import IngestMeasurement


class IngestPrediction(Fact):
    """Makespan of one ingest cell, in seconds. `lower_bound_s` is what no schedule of the
    predicted clip times could beat; None where the grid does not allow a prediction."""

    cell: Cell
    measured: Estimate
    predicted: Estimate | None
    lower_bound_s: float | None

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
        cell = summary.cell
        if summary.arm or cell.setting["clip_order"] is None:
            continue
        measured = summary.estimates.get("makespan_s")
        if measured is None:
            continue
        seconds = clip_seconds(
            trials,
            cell.encoding,
            job_count=cell.setting["jobs"],
            thread_count=cell.setting["threads"],
        )
        prediction = None
        bound_s = None
        if (
            cell.setting["delivery_height"] is None
            and frame_counts
            and frame_counts.keys() <= seconds.keys()
        ):
            draws, points, withheld = _draws(seconds, frame_counts, confidence_level, rng)
            bound_s = makespan_bound_s(points, cell.setting["jobs"])
            interval = predict_makespan(
                draws,
                cell.setting["jobs"],
                order=cell.setting["clip_order"],
                confidence_level=confidence_level,
            )
            prediction = Estimate(
                point=schedule_clips(
                    points, cell.setting["jobs"], order=cell.setting["clip_order"]
                ).makespan_s,
                low=None if withheld else interval.low,
                high=None if withheld else interval.high,
                confidence_level=confidence_level,
                unit="s",
                round_count=min(len(seconds[clip]) for clip in frame_counts),
                sample_count=PREDICTION_DRAWS,
                method=interval.method,
                withheld=withheld,
            )
        found.append(
            IngestPrediction(
                cell=cell, measured=measured, predicted=prediction, lower_bound_s=bound_s
            )
        )
    return tuple(found)


def last_ingest(trials: Sequence[Trial]) -> dict[str, IngestMeasurement]:
    """The last finished trial of each ingest cell, by the cell's name; for the Gantt figure."""
    return {
        trial.cell.cell_id: trial.measurement
        for trial in trials
        if isinstance(trial.measurement, IngestMeasurement) and not trial.arm
    }


def _draws(
    seconds: Mapping[str, NDArray[np.float64]],
    frame_counts: Mapping[str, int],
    confidence_level: float,
    rng: np.random.Generator,
) -> tuple[NDArray[np.float64], list[float], tuple[Withheld, ...]]:
    """Seconds of each clip as draws × clips and as points, and why there is no interval."""
    columns, points = [], []
    reasons: dict[Withheld, None] = {}
    for clip, frame_count in frame_counts.items():
        estimate = estimate_values(
            [float(value) * frame_count for value in seconds[clip]],
            "s",
            len(seconds[clip]),
            confidence_level,
        )
        drawn = draw_estimate(estimate, rng=rng, draw_count=PREDICTION_DRAWS)
        columns.append(drawn.draws)
        reasons |= dict.fromkeys(drawn.withheld)
        points.append(estimate.point)
    return np.column_stack(columns), points, tuple(reasons)
