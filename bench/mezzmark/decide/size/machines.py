"""With how many machines like the measured one enough cards are ready in time."""

import math
from collections.abc import Callable
from typing import Final

import numpy as np

from mezzmark.decide.estimate.draws import Drawn, combine, estimate_drawn
from mezzmark.decide.size.answers import keeps_up, meets_deadline, no_surer_than
from mezzmark.decide.size.queue import HOURS_PER_DAY, draw_queue
from mezzmark.decide.size.result import CorePrediction
from mezzmark.model.estimate import Estimate
from mezzmark.model.shop import Shop
from mezzmark.statistics.scaling import ScalingFit
from mezzmark.statistics.scaling_inference import draw_speedup, predict_throughput

MOST_MACHINES: Final = 1000
"""Ten times what a shop may name; a shop that needs more needs another kind of answer."""


def find_machines_needed(
    shop: Shop,
    pixel_rate: Drawn,
    late: Estimate,
    *,
    busy: Estimate,
    seed: int,
    confidence_level: float,
) -> Estimate:
    """The fewest machines, from the shop's own number upwards, that keep up and keep late cards to
    what the shop allows.

    `late` is the share of late cards with the shop's own number, `busy` that of 24 h which ingest
    takes. The upper end is the number that is enough at the slow end of the measured speed. It is
    infinite where no number up to MOST_MACHINES is enough, mostly because one card alone takes too
    long. All numbers are tried on the same cards (`seed`).
    """
    known = {shop.ingest_machines: late}
    slow_rate = float(np.quantile(pixel_rate.draws, (1 - confidence_level) / 2))

    def late_with(count: int) -> Estimate:
        if count not in known:
            rng = np.random.default_rng(seed)
            known[count] = _late_cards(shop, count, pixel_rate, rng, confidence_level)
        return known[count]

    def is_enough(count: int, end: Callable[[Estimate], float]) -> bool:
        # Both, as the answer for the shop's own number needs both: their draws differ.
        keeps_up = end(busy) * shop.ingest_machines / count < 1
        return keeps_up and end(late_with(count)) <= shop.late_cards_fraction

    def fewest(end: Callable[[Estimate], float]) -> float:
        return _fewest(
            lambda count: is_enough(count, end),
            fewest=shop.ingest_machines,
            most=_enough_for_no_waiting(shop, slow_rate),
        )

    has_interval = late.low is not None and late.high is not None
    return Estimate(
        point=fewest(lambda estimate: estimate.point),
        low=fewest(lambda estimate: estimate.low or 0.0) if has_interval else None,
        high=fewest(lambda estimate: estimate.high or 0.0) if has_interval else None,
        confidence_level=confidence_level,
        unit="machines",
        round_count=late.round_count,
        sample_count=late.sample_count,
        method="queues simulated with more and more machines",
        withheld=late.withheld,
    )


def _late_cards(
    shop: Shop,
    machine_count: int,
    pixel_rate: Drawn,
    rng: np.random.Generator,
    confidence_level: float,
) -> Estimate:
    there = shop.model_copy(update={"ingest_machines": machine_count})
    queue = draw_queue(there, pixel_rate, rng=rng)
    return estimate_drawn(queue["late_cards"], "", confidence_level=confidence_level)


def _fewest(is_enough: Callable[[int], bool], *, fewest: int, most: int) -> float:
    """The smallest count that is enough, or infinity where `most` is not; steps double first,
    since the answer mostly lies near `fewest`."""
    if is_enough(fewest):
        return fewest
    if most <= fewest or not is_enough(most):
        return math.inf
    too_few, step = fewest, 1
    while too_few + step < most and not is_enough(too_few + step):
        too_few, step = too_few + step, step * 2
    enough = min(too_few + step, most)
    while enough - too_few > 1:
        middle = (too_few + enough) // 2
        too_few, enough = (too_few, middle) if is_enough(middle) else (middle, enough)
    return enough


def _enough_for_no_waiting(shop: Shop, slowest_rate: float) -> int:
    """So many machines that every card finds one free: all cards of a day, for each day that the
    longest card may take, and one day more."""
    longest_hours = max(
        camera.card_hours * camera.pixels_per_s / slowest_rate for camera in shop.cameras
    )
    cards = sum(camera.card_count_per_day for camera in shop.cameras)
    days = math.ceil(min(longest_hours / HOURS_PER_DAY, MOST_MACHINES)) + 1
    return min(cards * days, MOST_MACHINES)


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
