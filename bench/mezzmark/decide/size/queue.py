"""The ingest machine as a queue: cards arrive through the day, wait, and are encoded.

First come, first served, on one or more machines. Checked against M/M/1 and M/D/1 (Kleinrock,
Queueing Systems I, 1975; Pollaczek-Khinchine) in the tests.
"""

import heapq
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from mezzmark.decide.estimate.draws import Drawn
from mezzmark.decide.size.streams import SECONDS_PER_HOUR
from mezzmark.model.shop import Shop

WARM_UP_DAYS: Final = 3
"""Days left out at the start, so that the first morning's empty queue does not flatter."""

COUNTED_DAYS: Final = 10
"""Days counted per simulation; the spread between simulations is that of the service times."""

HOURS_PER_DAY: Final = 24.0

_Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class QueueFigures:
    """Means over the counted cards; times in hours from a card's arrival to footage ready."""

    mean_wait_hours: float
    p95_wait_hours: float
    late_fraction: float
    utilisation: float


def simulate_queue(arrivals: _Floats, services: _Floats, *, machine_count: int = 1) -> _Floats:
    """Time from each arrival to its completion, served in order of arrival.

    `arrivals` must not fall; both are in one unit, which the answer has too. Raises ValueError.
    """
    if arrivals.shape != services.shape or (np.diff(arrivals) < 0).any():
        raise ValueError("arrivals must be in order, with one service time each")
    if machine_count < 1 or (services < 0).any():
        raise ValueError("a queue needs a machine and service times of at least 0")
    free_at = [0.0] * machine_count
    spent = np.empty_like(arrivals)
    for index, (arrival, service) in enumerate(
        zip(arrivals.tolist(), services.tolist(), strict=True)
    ):
        done = max(arrival, free_at[0]) + service
        heapq.heapreplace(free_at, done)
        spent[index] = done - arrival
    return spent


def draw_cards(
    shop: Shop, *, days: int, rng: np.random.Generator
) -> tuple[_Floats, NDArray[np.intp]]:
    """Arrival hours of all cards over `days` days, in order, and each card's camera kind.

    A camera's cards arrive at independent uniform times within the shooting hours.
    """
    kinds = np.repeat(
        np.arange(len(shop.cameras)),
        [camera.card_count_per_day for camera in shop.cameras],
    )
    hours = rng.uniform(shop.shooting_start_hour, shop.shooting_end_hour, (days, kinds.size))
    hours += HOURS_PER_DAY * np.arange(days)[:, None]
    order = np.argsort(hours, axis=None, kind="stable")
    return hours.ravel()[order], np.tile(kinds, days)[order]


def simulate_shop(
    shop: Shop, *, machine_hours_per_footage_hour: _Floats, rng: np.random.Generator
) -> QueueFigures:
    """Waits of cards over `COUNTED_DAYS` days, with one ingest cost per camera kind.

    Where the machines are busy more than all day the queue never ends: waits are infinite.
    """
    card_hours = np.array([camera.card_hours for camera in shop.cameras])
    cards = np.array([camera.card_count_per_day for camera in shop.cameras])
    service = card_hours * machine_hours_per_footage_hour
    utilisation = float(service @ cards) / (HOURS_PER_DAY * shop.ingest_machines)
    if utilisation >= 1:
        return QueueFigures(
            mean_wait_hours=np.inf,
            p95_wait_hours=np.inf,
            late_fraction=1.0,
            utilisation=utilisation,
        )
    arrivals, kinds = draw_cards(shop, days=WARM_UP_DAYS + COUNTED_DAYS, rng=rng)
    spent = simulate_queue(arrivals, service[kinds], machine_count=shop.ingest_machines)
    counted = spent[arrivals >= WARM_UP_DAYS * HOURS_PER_DAY]
    return QueueFigures(
        mean_wait_hours=float(counted.mean()),
        p95_wait_hours=float(np.quantile(counted, 0.95, method="median_unbiased")),
        late_fraction=float((counted > shop.turnaround_hours).mean()),
        utilisation=utilisation,
    )


SIMULATION_COUNT: Final = 200
"""Each simulation has its own cards and its own draw of the speed; 200 leave five beyond each
95 % limit."""

FIGURES: Final = {
    "utilisation": "utilisation",
    "card_wait_hours": "mean_wait_hours",
    "card_wait_p95_hours": "p95_wait_hours",
    "late_cards": "late_fraction",
}
"""Figure of the sizing → attribute of the simulation."""


def draw_queue(shop: Shop, pixel_rate: Drawn, *, rng: np.random.Generator) -> dict[str, Drawn]:
    """Waits of cards for the drawn ingest speeds, in pixels a second.

    The point is the mean over simulations at the measured point. The draws are shared out over
    as many as `pixel_rate` has, so that they combine with others.
    """
    pixels_per_hour = SECONDS_PER_HOUR * np.array([camera.pixels_per_s for camera in shop.cameras])

    def simulate(rate: float) -> list[float]:
        figures = simulate_shop(
            shop,
            machine_hours_per_footage_hour=pixels_per_hour / rate / SECONDS_PER_HOUR,
            rng=rng,
        )
        return [getattr(figures, attribute) for attribute in FIGURES.values()]

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
        for column, figure in enumerate(FIGURES)
    }
