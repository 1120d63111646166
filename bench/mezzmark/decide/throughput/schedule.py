"""Which worker takes which clip or card, and when the last one is done.

List scheduling: whenever a worker is free it takes the first of the list that has arrived. In
`fifo` order the list is the order of arrival; in `longest-first` it is by falling length. Graham
(SIAM J. Appl. Math. 17(2), 1969) proved that no list takes more than 2 − 1/m times the best
makespan on m workers, and longest-first not more than 4/3 − 1/(3m) times.
"""

import heapq
from collections.abc import Sequence
from typing import Final

import numpy as np
from numpy.typing import NDArray

from mezzmark.model.tasks.ingest import ClipOrder
from mezzmark.statistics.intervals import Interval, check_level

MINIMUM_DRAWS: Final = 200
"""Fewer draws leave a 95 % limit to the five outermost of them."""

_Floats = NDArray[np.float64]


def serve_in_order(arrivals: _Floats, services: _Floats, *, worker_count: int = 1) -> _Floats:
    """Time from each arrival to its completion, served in order of arrival.

    `arrivals` must not fall; both are in one unit, which the answer has too. Raises ValueError.
    """
    if arrivals.shape != services.shape or (np.diff(arrivals) < 0).any():
        raise ValueError("arrivals must be in order, with one service time each")
    if worker_count < 1 or not ((services >= 0) & np.isfinite(services)).all():
        raise ValueError("serving needs a worker, and service times that are finite and at least 0")
    free_at = [0.0] * worker_count
    spent = np.empty_like(arrivals)
    for index, (arrival, service) in enumerate(
        zip(arrivals.tolist(), services.tolist(), strict=True)
    ):
        done = max(arrival, free_at[0]) + service
        heapq.heapreplace(free_at, done)
        spent[index] = done - arrival
    return spent


def find_makespan_s(
    durations_s: Sequence[float] | _Floats, worker_count: int, *, order: ClipOrder = "fifo"
) -> float:
    """When the last of clips that take `durations_s` seconds each is done; 0 for no clips.

    Raises ValueError for no worker or a duration that is negative or without end.
    """
    durations = np.asarray(durations_s, dtype=np.float64)
    if order == "longest-first":
        durations = -np.sort(-durations)
    spent = serve_in_order(np.zeros_like(durations), durations, worker_count=worker_count)
    return float(spent.max(initial=0.0))


def predict_makespan(
    duration_draws_s: _Floats,
    worker_count: int,
    *,
    order: ClipOrder = "fifo",
    confidence_level: float,
) -> Interval:
    """The makespan when each row of `duration_draws_s` (draws × clips) might be the truth.

    The point is the median over the draws. Raises ValueError for fewer than `MINIMUM_DRAWS`.
    """
    check_level(confidence_level)
    if duration_draws_s.ndim != 2 or duration_draws_s.shape[0] < MINIMUM_DRAWS:
        raise ValueError(f"a prediction needs draws × clips with at least {MINIMUM_DRAWS} draws")
    spans_s = [find_makespan_s(row, worker_count, order=order) for row in duration_draws_s]
    tail = (1 - confidence_level) / 2
    low, point, high = np.quantile(spans_s, (tail, 0.5, 1 - tail))
    return Interval(
        point=float(point),
        low=float(low),
        high=float(high),
        confidence_level=confidence_level,
        count=len(spans_s),
        method=f"{order} schedule of {len(spans_s)} draws of the clips' seconds",
    )
