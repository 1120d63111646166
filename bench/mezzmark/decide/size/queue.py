"""The ingest machines as a queue: cards arrive through the day, wait, and are encoded.

First come, first served; on as many machines as the shop has, on more of them, and on machines of
other core counts. The queue is checked against M/M/1 and M/D/1 (Kleinrock, Queueing Systems I,
1975; Pollaczek-Khinchine) in the tests."""

import math
from bisect import bisect_left
from collections.abc import Callable, Mapping
from functools import cache
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from mezzmark.decide.estimate.draws import Drawn, combine, estimate_drawn
from mezzmark.decide.size.result import CorePrediction, meets_deadline
from mezzmark.decide.throughput.ingest import serve_in_order
from mezzmark.model.estimate import CONFIDENCE_LEVEL, Estimate
from mezzmark.model.shop import Shop
from mezzmark.statistics import scaling
from mezzmark.statistics.intervals import Floats

WARM_UP_DAYS: Final = 3
"""Days left out at the start, so that the first morning's empty queue does not flatter."""

COUNTED_DAYS: Final = 10
"""Days counted per simulation; the spread between simulations is that of the service times."""

SIMULATION_COUNT: Final = 200
"""Each has its own cards and draw of the speed; 200 leave five beyond each 95 % limit."""

MOST_MACHINES: Final = 1000
"""Ten times what a shop may name; a shop that needs more needs another kind of answer."""

HOURS_PER_DAY: Final = 24.0
SECONDS_PER_HOUR: Final = 3600.0


class QueueFigures(NamedTuple):
    """Over the counted cards; times in hours from a card's arrival to footage ready."""

    card_wait_hours: float
    card_wait_p95_hours: float
    late_cards: float


def draw_cards(
    shop: Shop, *, days: int, rng: np.random.Generator
) -> tuple[Floats, NDArray[np.intp]]:
    """Arrival hours of all cards over `days` days, in order, and each card's camera kind. A
    camera's cards arrive at independent uniform times within the shooting hours."""
    counts = [camera.card_count_per_day for camera in shop.cameras]
    kinds = np.repeat(np.arange(len(counts)), counts)
    hours = rng.uniform(shop.shooting_start_hour, shop.last_card_hour, (days, kinds.size))
    hours += HOURS_PER_DAY * np.arange(days)[:, None]
    order = np.argsort(hours, axis=None, kind="stable")
    return hours.ravel()[order], np.tile(kinds, days)[order]


def simulate_shop(
    shop: Shop, *, machine_hours_per_footage_hour: Floats, rng: np.random.Generator
) -> QueueFigures:
    """Waits of cards over `COUNTED_DAYS` days, with one ingest cost per camera kind. Where the
    machines are busy more than all day the queue never ends: waits are infinite."""
    card_hours = np.array([camera.card_hours for camera in shop.cameras])
    cards = np.array([camera.card_count_per_day for camera in shop.cameras])
    service = card_hours * machine_hours_per_footage_hour
    if float(service @ cards) / (HOURS_PER_DAY * shop.ingest_machines) >= 1:
        return QueueFigures(math.inf, math.inf, 1.0)
    arrivals, kinds = draw_cards(shop, days=WARM_UP_DAYS + COUNTED_DAYS, rng=rng)
    spent = serve_in_order(arrivals, service[kinds], worker_count=shop.ingest_machines)
    counted = spent[arrivals >= WARM_UP_DAYS * HOURS_PER_DAY]
    return QueueFigures(
        card_wait_hours=float(counted.mean()),
        card_wait_p95_hours=float(np.quantile(counted, 0.95, method="median_unbiased")),
        late_cards=float((counted > shop.turnaround_hours).mean()),
    )


def draw_queue(shop: Shop, pixel_rate: Drawn, *, rng: np.random.Generator) -> dict[str, Drawn]:
    """The queue's figures for the drawn ingest speeds, in pixels a second. The point is the mean
    over simulations at the measured point. There are as many draws as of `pixel_rate`."""
    pixels_per_hour = SECONDS_PER_HOUR * np.array([camera.pixels_per_s for camera in shop.cameras])

    def simulate(rate: float) -> QueueFigures:
        hours = pixels_per_hour / rate / SECONDS_PER_HOUR
        return simulate_shop(shop, machine_hours_per_footage_hour=hours, rng=rng)

    rates = pixel_rate.draws[: min(SIMULATION_COUNT, pixel_rate.draws.size)]
    drawn = np.array([simulate(float(rate)) for rate in rates])
    points = np.array([simulate(pixel_rate.point) for _ in rates]).mean(axis=0)
    shares = rng.integers(0, len(rates), pixel_rate.draws.size)
    return {
        figure: Drawn(
            point=float(points[column]),
            draws=drawn[shares, column],
            round_count=pixel_rate.round_count,
            withheld=pixel_rate.withheld,
        )
        for column, figure in enumerate(QueueFigures._fields)
    }


def find_machines_needed(
    shop: Shop, pixel_rate: Drawn, figures: Mapping[str, Estimate], *, seed: int
) -> Estimate:
    """The fewest machines, from the shop's own number upwards, that keep up and keep late cards to
    what the shop allows. `figures` are those with the shop's own number: `late_cards` and
    `utilisation`. The upper end is the number that is enough at the slow end of the measured speed.
    It is infinite where no number up to MOST_MACHINES is enough, mostly because one card alone
    takes too long. All numbers are tried on the same cards (`seed`)."""
    late, busy = figures["late_cards"], figures["utilisation"]
    slow_rate = float(np.quantile(pixel_rate.draws, (1 - CONFIDENCE_LEVEL) / 2))

    @cache
    def late_with(count: int) -> Estimate:
        if count == shop.ingest_machines:
            return late
        there = shop.model_copy(update={"ingest_machines": count})
        queue = draw_queue(there, pixel_rate, rng=np.random.default_rng(seed))
        return estimate_drawn(queue["late_cards"], "")

    def fewest(end: Callable[[Estimate], float]) -> float:
        def is_enough(count: int) -> bool:
            # Both, as the answer for the shop's own number needs both: their draws differ.
            keeps_up = end(busy) * shop.ingest_machines / count < 1
            return keeps_up and end(late_with(count)) <= shop.late_cards_fraction

        most = _enough_for_no_waiting(shop, slow_rate)
        return _fewest(is_enough, fewest=shop.ingest_machines, most=most)

    has_interval = late.low is not None and late.high is not None
    changes = {"unit": "machines", "method": "queues simulated with more and more machines"}
    found = {
        "point": fewest(lambda estimate: estimate.point),
        "low": fewest(lambda estimate: estimate.low or 0.0) if has_interval else None,
        "high": fewest(lambda estimate: estimate.high or 0.0) if has_interval else None,
    }
    return late.model_copy(update=found | changes)


def _fewest(is_enough: Callable[[int], bool], *, fewest: int, most: int) -> float:
    """The smallest count that is enough, or infinity; steps double, for most lie near `fewest`."""
    if is_enough(fewest):
        return fewest
    if most <= fewest or not is_enough(most):
        return math.inf
    too_few, step = fewest, 1
    while too_few + step < most and not is_enough(too_few + step):
        too_few, step = too_few + step, step * 2
    enough = min(too_few + step, most)
    between = range(too_few + 1, enough)
    return too_few + 1 + bisect_left(between, True, key=is_enough)


def _enough_for_no_waiting(shop: Shop, slowest_rate: float) -> int:
    """So many that cards never wait: a day's for each day of the longest card, and one more."""
    longest_hours = max(c.card_hours * c.pixels_per_s / slowest_rate for c in shop.cameras)
    days = math.ceil(min(longest_hours / HOURS_PER_DAY, MOST_MACHINES)) + 1
    return min(shop.card_count_per_day * days, MOST_MACHINES)


def predict_ingest(
    shop: Shop,
    fit: scaling.ScalingFit | None,
    *,
    hours: Drawn,
    pixel_rate: Drawn,
    measured_core_count: int,
    rng: np.random.Generator,
) -> tuple[CorePrediction, ...]:
    """Ingest on machines with each of the shop's core counts, of cores like the measured ones.
    `hours` a day and `pixel_rate` are this machine's. Without a fit that carries intervals, and
    beyond `MOST_RANGE_RATIO` times its cores, there is no prediction."""
    if fit is None or fit.covariance_source == "none":
        return tuple(CorePrediction(core_count=count) for count in shop.core_counts)
    here = scaling.predict_throughput(fit, measured_core_count, confidence_level=CONFIDENCE_LEVEL)
    found = []
    most = max(fit.core_counts)
    for count in shop.core_counts:
        if count > scaling.MOST_RANGE_RATIO * most:
            found.append(CorePrediction(core_count=count, grid_core_count=most, is_far=True))
            continue
        there = scaling.predict_throughput(fit, count, confidence_level=CONFIDENCE_LEVEL)
        draws = scaling.draw_speedup(
            fit, count, reference_count=measured_core_count, rng=rng, draw_count=hours.draws.size
        )
        speedup = Drawn(point=there.point / here.point, draws=draws, round_count=fit.round_count)
        hours_there = combine(lambda h, s: h / s, hours, speedup)
        rate_there = combine(lambda r, s: r * s, pixel_rate, speedup)
        figures = {
            "late_cards": estimate_drawn(draw_queue(shop, rate_there, rng=rng)["late_cards"], ""),
            "utilisation": estimate_drawn(combine(lambda h: h / HOURS_PER_DAY, hours_there), ""),
        }
        found.append(
            CorePrediction(
                core_count=count,
                ingest_hours_per_day=estimate_drawn(hours_there, "h"),
                late_cards=figures["late_cards"],
                meets_deadline=meets_deadline(shop, figures),
                grid_core_count=most,
                is_far=there.is_far,
            )
        )
    return tuple(found)
