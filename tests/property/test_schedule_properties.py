"""Laws of list schedules for any clips and any number of workers."""

from itertools import pairwise, product

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from mezzmark.decide.throughput.schedule import (
    list_order,
    makespan_bound_s,
    predict_makespan,
    schedule_clips,
)

DURATIONS = st.lists(st.integers(1, 60).map(float), min_size=1, max_size=14)
WORKERS = st.integers(1, 6)


@given(DURATIONS, WORKERS, st.sampled_from(["fifo", "longest-first"]))
def test_every_clip_runs_once_and_no_worker_runs_two(durations, workers, order) -> None:
    """Each clip is placed once for its own length; a worker's clips never overlap."""
    schedule = schedule_clips(durations, workers, order=order)
    assert sorted(p.clip_index for p in schedule.placements) == list(range(len(durations)))
    assert all(p.end_s - p.start_s == durations[p.clip_index] for p in schedule.placements)
    for worker in range(workers):
        mine = [p for p in schedule.placements if p.worker_index == worker]
        assert all(a.end_s <= b.start_s for a, b in pairwise(mine))


@given(DURATIONS, WORKERS)
def test_no_worker_idles_while_a_clip_waits(durations, workers) -> None:
    """Before the last clip starts, every worker is busy all the time."""
    schedule = schedule_clips(durations, workers)
    last_start = max(p.start_s for p in schedule.placements)
    busy = sum(min(p.end_s, last_start) - min(p.start_s, last_start) for p in schedule.placements)
    assert busy == pytest.approx(workers * last_start)


@settings(max_examples=60)
@given(st.lists(st.integers(1, 30).map(float), min_size=1, max_size=7), st.integers(1, 3))
def test_grahams_bounds_hold_against_the_best_schedule(durations, workers) -> None:
    """Against the best of all assignments: any list within 2 − 1/m, longest-first within
    4/3 − 1/(3m), and our lower bound never above it (Graham 1969)."""
    best = min(
        max(sum(d for d, w in zip(durations, share, strict=True) if w == v) for v in range(workers))
        for share in product(range(workers), repeat=len(durations))
    )
    assert makespan_bound_s(durations, workers) <= best
    fifo = schedule_clips(durations, workers).makespan_s
    longest = schedule_clips(durations, workers, order="longest-first").makespan_s
    assert best <= fifo <= (2 - 1 / workers) * best + 1e-9
    assert best <= longest <= (4 / 3 - 1 / (3 * workers)) * best + 1e-9


@given(DURATIONS)
def test_longest_first_falls_and_keeps_ties_in_order(durations) -> None:
    """The list falls in length; clips of one length stay in the order of arrival."""
    order = list_order(durations, order="longest-first")
    pairs = [(-durations[clip], clip) for clip in order]
    assert pairs == sorted(pairs)


def test_prediction_holds_the_schedule_of_known_durations() -> None:
    """Draws without spread give the schedule itself; with 10 % of common spread the interval is
    that of the spread."""
    durations = np.array([5.0, 4.0, 3.0, 3.0, 3.0])
    exact = predict_makespan(np.tile(durations, (200, 1)), 2, confidence_level=0.95)
    # two workers take 5+3 and 4+3, and the last clip goes where 7 ends: 10
    assert (exact.low, exact.point, exact.high) == (10.0, 10.0, 10.0)
    factors = np.linspace(0.9, 1.1, 201)
    spread = predict_makespan(durations * factors[:, None], 2, confidence_level=0.95)
    assert (spread.low, spread.high) == pytest.approx((9.05, 10.95))


def test_bad_questions_are_refused() -> None:
    """No worker, a negative or endless duration, a circle of waits and too few draws are
    ValueErrors; no clips take no time."""
    assert schedule_clips([], 2).makespan_s == 0
    assert schedule_clips([], 2).idle_fraction == 0
    with pytest.raises(ValueError):
        schedule_clips([1.0], 0)
    with pytest.raises(ValueError):
        schedule_clips([float("inf")], 1)
    with pytest.raises(ValueError, match="wait for each other"):
        schedule_clips([1.0, 1.0], 1, waits_for={0: frozenset({1}), 1: frozenset({0})})
    with pytest.raises(ValueError):
        predict_makespan(np.ones((5, 2)), 1, confidence_level=0.95)


def test_idle_share_is_what_is_left_of_the_room() -> None:
    """Clips of 4 and 2 s on two workers leave 2 of 8 worker-seconds idle."""
    assert schedule_clips([4.0, 2.0], 2).idle_fraction == pytest.approx(0.25)
