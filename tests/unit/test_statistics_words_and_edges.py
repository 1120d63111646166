"""What results say of themselves, whole messages, and behaviour exactly at the limits."""

import math

import numpy as np
import pytest

from fixtures.tails import estimate_tail
from mezzmark.statistics.intervals import log_t_interval, share_interval, t_interval
from mezzmark.statistics.paired import (
    holm_adjusted,
    paired_change,
    run_level_change,
    unpaired_change,
)
from mezzmark.statistics.quantiles import quantile
from mezzmark.statistics.spread import (
    VarianceComponents,
    estimate_components,
    expected_log_half_width,
    plan_sampling,
    rounds_for_width,
)

PAIR = ([1.0, 2.0, 3.0], [1.1, 2.5, 3.0])


def test_intervals_carry_their_level_and_method() -> None:
    """An interval without its level or method would be a number without a meaning."""
    tail = estimate_tail(list(np.arange(500.0).reshape(5, 100)), 0.5, confidence_level=0.9)
    several = run_level_change([PAIR[0]] * 2, [PAIR[1]])
    intervals = {
        "t on per-trial values": t_interval([1, 2, 4], confidence_level=0.9),
        "t on logs of per-trial values": log_t_interval([1, 2, 4], confidence_level=0.9),
        "exact binomial": share_interval(1, 4, confidence_level=0.9),
        "t on log ratios paired by round": paired_change(*PAIR).interval(confidence_level=0.9),
        "t on logs, unequal variances": unpaired_change(*PAIR).interval(confidence_level=0.9),
        "t on logs of whole runs": several.interval(confidence_level=0.9),
        "binomial limits at the trials' effective sample size": tail.interval,
    }
    for method, interval in intervals.items():
        assert (interval.confidence_level, interval.method) == (0.9, method)
        assert interval.low <= interval.point <= interval.high


def test_numbers_given_as_text_are_read() -> None:
    """Whatever numpy reads as floats is a value: strings from a file too."""
    assert t_interval(["1", "2", "4"], confidence_level=0.9).point == pytest.approx(7 / 3)
    assert quantile(["3", "1", "2"], 0.5) == 2.0
    assert holm_adjusted(["0.5"]) == pytest.approx([0.5])
    assert paired_change(["1", "2"], ["1", "2"]).log_ratio == 0.0


def test_a_quantile_is_of_all_values_whatever_their_shape() -> None:
    """Rows are not quantiles of their own."""
    assert quantile(np.array([[4.0, 1.0], [3.0, 2.0]]), 0.5) == 2.5


def test_exactly_at_the_limits() -> None:
    """One trial is a share of one; two trials have components."""
    assert share_interval(1, 1, confidence_level=0.9).high == 1.0
    two = estimate_components([np.exp([0.0, 1.0]), np.exp([2.0, 3.0])])
    assert (two.within, two.between) == (pytest.approx(0.5), pytest.approx(1.75))


def test_drift_is_taken_out_of_logs_too() -> None:
    """A straight drift of logs leaves a log interval of no width; kept in, it has one."""
    values = np.exp(0.01 * np.arange(10))
    out = log_t_interval(values, confidence_level=0.95, without_drift=True)
    kept = log_t_interval(values, confidence_level=0.95)
    assert out.high / out.low == pytest.approx(1.0, abs=1e-12)
    assert kept.high / kept.low > 1.02


def test_a_tail_with_ties_counts_them_in() -> None:
    """Samples equal to the quantile are at or below it: 90 of 100 in each trial, no spread."""
    trial = np.repeat([1.0, 2.0], [90, 10])
    found = estimate_tail([trial] * 10, 0.5, confidence_level=0.95)
    assert (found.interval.low, found.interval.high) == (1.0, 1.0)
    mixed = [np.repeat([1.0, 2.0], [count, 100 - count]) for count in (60, 100) * 5]
    spread = estimate_tail(mixed, 0.75, confidence_level=0.95)
    assert (spread.point, spread.interval.high) == (1.0, 2.0)


@pytest.mark.parametrize("probability", [0.05, 0.95])
def test_a_limit_may_be_the_outermost_sample(probability: float) -> None:
    """As the level rises the limit moves out to the very first or last sample, which still serves,
    and only then is the interval withheld."""
    trials = list(np.random.default_rng(1).lognormal(size=(10, 40)))
    ends = []
    for level in 1 - np.logspace(-1, -8, 300):
        interval = estimate_tail(trials, probability, confidence_level=float(level)).interval
        if interval is None:
            break
        ends.append(interval.low if probability < 0.5 else interval.high)
    outermost = np.min(trials) if probability < 0.5 else np.max(trials)
    assert len(ends) < 300
    assert ends[0] != outermost
    assert ends[-1] == outermost


def test_no_variance_at_all() -> None:
    """Nothing varies: no share, and the smallest plan there is."""
    still = VarianceComponents(between=0.0, within=0.0, samples_per_trial=5.0)
    assert still.between_fraction == 0.0
    rounds, _ = plan_sampling(
        still,
        trial_cost_s=1.0,
        sample_cost_s=0.5,
        half_width_fraction=0.01,
        confidence_level=0.95,
    )
    assert rounds == 2


def test_a_width_exactly_reached_is_reached() -> None:
    """The fewest rounds for a width that nine rounds reach exactly are nine."""
    half = expected_log_half_width(9, round_sd=0.02, confidence_level=0.95)
    fraction = math.expm1(half)
    if math.log1p(fraction) < half:
        fraction = math.nextafter(fraction, 1)
    assert rounds_for_width(fraction, round_sd=0.02, confidence_level=0.95) == 9
