"""Ingest on a machine with another number of cores, from the scaling law of the grid."""

from typing import Final

import numpy as np

from mezzmark.decide.draws import Drawn, combine, estimate_drawn
from mezzmark.decide.queue_draws import draw_queue
from mezzmark.decide.queueing import HOURS_PER_DAY
from mezzmark.decide.sizing_answers import keeps_up, meets_deadline, no_surer_than
from mezzmark.facts.estimates import Estimate
from mezzmark.facts.shop import Shop
from mezzmark.facts.sizing import CorePrediction
from mezzmark.statistics.scaling import ScalingFit
from mezzmark.statistics.scaling_inference import draw_speedup, predict_throughput

NOT_MEASURED: Final = "not measured: add a [grid] table with several jobs, and 3 rounds or more"


def predict_ingest(
    shop: Shop,
    encoding: str,
    fit: ScalingFit | None,
    *,
    hours: Drawn,
    pixel_rate: Drawn,
    measured_core_count: int,
    rng: np.random.Generator,
    confidence_level: float,
) -> tuple[CorePrediction, ...]:
    """Ingest on machines with each of the shop's core counts, of cores like the measured ones.

    `hours` a day and `pixel_rate` are this machine's. Without a fit that carries intervals there
    is no prediction, and the warning says what to measure.
    """
    if fit is None or fit.covariance_source == "none":
        return tuple(
            CorePrediction(core_count=count, ingest_hours_per_day=None, warning=NOT_MEASURED)
            for count in shop.core_counts
        )
    here = predict_throughput(fit, measured_core_count, confidence_level=confidence_level)
    found = []
    for count in shop.core_counts:
        there = predict_throughput(fit, count, confidence_level=confidence_level)
        draws = draw_speedup(
            fit, count, reference_count=measured_core_count, rng=rng, draw_count=hours.draws.size
        )
        speedup = Drawn(point=there.point / here.point, draws=draws, round_count=fit.round_count)
        found.append(
            _predict(
                shop,
                encoding,
                count,
                hours=combine(lambda h, s: h / s, hours, speedup),
                pixel_rate=combine(lambda r, s: r * s, pixel_rate, speedup),
                warning=there.warning,
                rng=rng,
                confidence_level=confidence_level,
            )
        )
    return tuple(found)


def _predict(
    shop: Shop,
    encoding: str,
    core_count: int,
    *,
    hours: Drawn,
    pixel_rate: Drawn,
    warning: str,
    rng: np.random.Generator,
    confidence_level: float,
) -> CorePrediction:
    """The answers for a machine that takes these `hours` a day, at this speed."""

    def estimate(drawn: Drawn, unit: str) -> Estimate:
        return estimate_drawn(drawn, unit, confidence_level=confidence_level)

    late = estimate(draw_queue(shop, pixel_rate, rng=rng)["late_cards"], "")
    busy = estimate(combine(lambda h: h / HOURS_PER_DAY, hours), "")
    in_time = meets_deadline(encoding, late, late_cards_fraction=shop.late_cards_fraction)
    return CorePrediction(
        core_count=core_count,
        ingest_hours_per_day=estimate(hours, "h"),
        warning=warning,
        late_cards=late,
        meets_deadline=no_surer_than(keeps_up(encoding, {"utilisation": busy}), in_time),
    )
