"""Laws of list schedules for any clips and any number of workers."""

from itertools import product

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from mezzmark.decide.throughput.ingest import (
    find_makespan_s,
    predict_makespan,
    serve_in_order,
)
from mezzmark.model.estimate import Estimate, Withheld

DURATIONS = st.lists(st.integers(1, 60).map(float), min_size=1, max_size=14)
WORKERS = st.integers(1, 6)


@given(DURATIONS, WORKERS)
def test_no_worker_idles_while_a_clip_waits(durations: list[float], workers: int) -> None:
    """Up to the start of the last clip that begins, all workers are busy all the time."""
    ends = serve_in_order(np.zeros(len(durations)), np.array(durations), worker_count=workers)
    starts = ends - durations
    busy = sum(min(end, starts.max()) - start for start, end in zip(starts, ends, strict=True))
    assert busy == pytest.approx(workers * starts.max())


@settings(max_examples=60)
@given(st.lists(st.integers(1, 30).map(float), min_size=1, max_size=7), st.integers(1, 3))
def test_grahams_bounds_hold_against_the_best_schedule(
    durations: list[float], workers: int
) -> None:
    """Against the best of all assignments: any list within 2 − 1/m, longest-first within
    4/3 − 1/(3m) (Graham 1969)."""
    best = min(
        max(sum(d for d, w in zip(durations, share, strict=True) if w == v) for v in range(workers))
        for share in product(range(workers), repeat=len(durations))
    )
    fifo = find_makespan_s(durations, workers)
    longest = find_makespan_s(durations, workers, order="longest-first")
    assert best <= fifo <= (2 - 1 / workers) * best + 1e-9
    assert best <= longest <= (4 / 3 - 1 / (3 * workers)) * best + 1e-9


def predict(durations: list[Estimate], workers: int) -> Estimate:
    rng = np.random.default_rng(3)
    return predict_makespan(durations, workers, rng=rng)


def test_prediction_holds_the_schedule_of_known_durations() -> None:
    """Durations without spread give the schedule itself; one clip alone keeps its own interval."""
    constant = {"withheld": (Withheld(kind="constant"),), "round_count": 4}
    known = [Estimate.exact(s, "s").model_copy(update=constant) for s in (5.0, 4.0, 3.0, 3.0, 3.0)]
    exact = predict(known, 2)
    # two workers take 5+3 and 4+3, and the last clip goes where 7 ends: 10
    assert (exact.low, exact.point, exact.high) == (10.0, 10.0, 10.0)
    interval = {"point": 10.0, "low": 9.0, "high": 100 / 9, "withheld": (), "round_count": 9}
    alone = predict([known[0].model_copy(update=interval)], 2)
    assert (alone.point, alone.round_count) == (10.0, 9)
    assert (alone.low, alone.high) == pytest.approx((9.0, 100 / 9), rel=0.03)


def test_bad_questions_are_refused() -> None:
    """No worker, a negative or endless duration and arrivals that fall are ValueErrors; no
    clips take no time."""
    assert find_makespan_s([], 2) == 0
    for durations, workers in (([1.0], 0), ([-1.0], 1), ([float("inf")], 1)):
        with pytest.raises(ValueError):
            find_makespan_s(durations, workers)
    with pytest.raises(ValueError):
        serve_in_order(np.array([1.0, 0.0]), np.ones(2))
