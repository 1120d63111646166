"""Ingest on a machine with another number of cores, from the scaling law of the grid."""

import numpy as np

from mezzmark.decide.draws import Drawn, combine, estimate_drawn
from mezzmark.facts.sizing import CorePrediction
from mezzmark.statistics.scaling import ScalingFit
from mezzmark.statistics.scaling_inference import draw_speedup, predict_throughput


def predict_hours(
    now: Drawn,
    fit: ScalingFit | None,
    *,
    core_count: int,
    measured_core_count: int,
    rng: np.random.Generator,
    confidence_level: float,
) -> CorePrediction:
    """Ingest hours a day with `core_count` cores like the measured ones, from `now`'s hours.

    Without a fit that carries intervals there is no prediction, and the warning says what to
    measure.
    """
    if fit is None or fit.covariance_source == "none":
        return CorePrediction(
            core_count=core_count,
            ingest_hours_per_day=None,
            warning="not measured: add a [grid] table with several jobs, and 3 rounds or more",
        )
    there = predict_throughput(fit, core_count, confidence_level=confidence_level)
    here = predict_throughput(fit, measured_core_count, confidence_level=confidence_level)
    speedup = Drawn(
        point=there.point / here.point,
        draws=draw_speedup(
            fit,
            core_count,
            reference_count=measured_core_count,
            rng=rng,
            draw_count=now.draws.size,
        ),
        round_count=fit.round_count,
    )
    hours = combine(lambda h, ratio: h / ratio, now, speedup)
    return CorePrediction(
        core_count=core_count,
        ingest_hours_per_day=estimate_drawn(hours, "h", confidence_level=confidence_level),
        warning=there.warning,
    )
