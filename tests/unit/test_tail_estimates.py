"""The p95 and p99 of a cell: all moves of all rounds, with their interval or what it lacks."""

import numpy as np
import pytest

from fixtures.fabricated_run import Fabrication, fabricate_manifest, fabricate_run
from mezzmark.decide.estimate.observed_run import observe
from mezzmark.decide.estimate.over_clips import pool_clips
from mezzmark.decide.estimate.pooling import summarise_cells
from mezzmark.model.estimate import Withheld
from mezzmark.model.tasks.scrub import ScrubMeasurement, latencies_ms


def scrubs(made: Fabrication) -> tuple:
    _, trials = fabricate_run(made)
    return tuple(t for t in trials if isinstance(t.measurement, ScrubMeasurement))


def all_moves(trials: tuple) -> np.ndarray:
    return np.concatenate([latencies_ms(trial.measurement) for trial in trials])


def test_tails_are_those_of_all_moves() -> None:
    """Ten rounds of 48 moves: numpy's quantiles of the 480 latencies, with limits around p95 and
    a word on what p99 lacks."""
    trials = scrubs(Fabrication(rounds=10, requests=48, patterns=("jump",)))
    for summary in summarise_cells(trials):
        moves = all_moves(tuple(t for t in trials if t.cell == summary.cell))
        p95, p99 = summary.estimates["p95_ms"], summary.estimates["p99_ms"]
        for estimate, probability in ((p95, 0.95), (p99, 0.99)):
            expected = np.quantile(moves, probability, method="median_unbiased")
            assert estimate.point == pytest.approx(expected, rel=1e-12)
            assert (estimate.round_count, estimate.sample_count, estimate.unit) == (10, 480, "ms")
        assert p95.low < p95.point < p95.high
        assert (p99.low, p99.high) == (None, None)
        assert p99.withheld == (Withheld(kind="few_moves", needed=32, moves_a_round=200),)


def test_two_dozen_moves_in_ten_rounds_are_too_few_for_p95() -> None:
    """The point is shown, the interval withheld: 17 rounds or 40 moves would carry it."""
    trials = scrubs(Fabrication(rounds=10, requests=24))
    for summary in summarise_cells(trials):
        estimate = summary.estimates["p95_ms"]
        assert estimate.high is None
        assert estimate.withheld == (Withheld(kind="few_moves", needed=7, moves_a_round=40),)
        assert summary.estimates["p50_ms"].high is not None


def test_tails_over_clips_are_those_of_all_clips_moves() -> None:
    """Two clips: the quantile of both clips' moves, one cluster a round, over the rounds in which
    both took part."""
    made = Fabrication(rounds=10, requests=48, clips=("a", "b"), patterns=("jump",))
    trials, manifest = scrubs(made), fabricate_manifest(made)
    lost = next(t for t in trials if t.round_index == 9)
    kept = tuple(t for t in trials if t is not lost)
    for cell, figures in pool_clips(observe(kept), manifest).items():
        is_short = cell.encoding == lost.cell.encoding
        last = 9 if is_short else 10
        moves = all_moves(
            tuple(t for t in kept if t.cell.encoding == cell.encoding and t.round_index < last)
        )
        estimate = figures["p95_ms"]
        expected = np.quantile(moves, 0.95, method="median_unbiased")
        assert estimate.point == pytest.approx(expected, rel=1e-12)
        assert (estimate.round_count, estimate.sample_count) == (last, 96 * last)
        assert estimate.high is not None


def test_a_drift_over_the_run_does_not_widen_the_median() -> None:
    """The same rounds with a drift of 1 % a round on top: the interval's relative width stays,
    for a straight slope is no uncertainty."""
    from mezzmark.decide.estimate.rounds import estimate_values

    rng = np.random.default_rng(1)
    logs = rng.normal(0, 0.01, 10)
    still = estimate_values(list(np.exp(logs)), "ms", 10, 0.95)
    moving = estimate_values(list(np.exp(logs + 0.01 * np.arange(10))), "ms", 10, 0.95)
    assert still.relative_half_width is not None
    assert moving.relative_half_width == pytest.approx(still.relative_half_width, rel=1e-9)
