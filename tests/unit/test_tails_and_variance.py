"""Tail quantiles with their withholding, variance components with their plan, stopping."""

import math

import numpy as np
import pytest
from scipy import stats

from fixtures.tails import estimate_tail
from mezzmark.statistics.spread import (
    VarianceComponents,
    estimate_components,
    is_precise,
    look_points,
    plan_sampling,
)
from mezzmark.statistics.tails import effective_count


def test_tail_of_independent_samples_is_the_binomial_one() -> None:
    """Trials that do not differ: Clopper-Pearson limits (scipy) at the size shrunk by the ratio of
    t limits, read off the sorted samples by hand."""
    rng = np.random.default_rng(1)
    ordered = np.sort(rng.lognormal(size=4000))
    trials = [ordered[k::10] for k in range(10)]
    found = estimate_tail(trials, 0.95, confidence_level=0.95)
    size = 4000 * (stats.t.ppf(0.975, 3999) / stats.t.ppf(0.975, 9)) ** 2
    low = stats.beta.ppf(0.025, 0.95 * size, 0.05 * size + 1)
    high = stats.beta.ppf(0.975, 0.95 * size + 1, 0.05 * size)
    assert found.interval.low == ordered[math.floor(4000 * low) - 1]
    assert found.interval.high == ordered[math.ceil(4000 * high)]
    assert found.point == pytest.approx(np.quantile(ordered, 0.95, method="median_unbiased"))
    assert (found.missing_trials, found.interval.count) == (0, 10)


def test_samples_drawn_together_may_count_twice() -> None:
    """Trials that agree more closely than chance allows have a narrower interval where their
    samples were drawn together, and none that is wider."""
    ordered = np.sort(np.random.default_rng(1).lognormal(size=4000))
    trials = [ordered[k::10] for k in range(10)]
    alone, together = (
        estimate_tail(trials, 0.95, confidence_level=0.95, is_stratified=drawn).interval
        for drawn in (False, True)
    )
    assert alone.low < together.low <= together.point <= together.high < alone.high


@pytest.mark.parametrize(
    ("at_or_below", "counts", "independent"),
    [
        ([50] * 5 + [0] * 5, [50] * 10, 9),
        ([40] * 10, [50] * 10, 500),
        ([50] * 10, [50] * 10, 500),
        ([18, 72] * 5, [20, 80] * 5, 500),
    ],
)
def test_effective_count(at_or_below: list, counts: list, independent: int) -> None:
    """Of ten trials with 500 samples, before the allowance for few trials: about nine where each
    lies wholly on one side; never more than the samples, however alike the trials; all of them
    where trials of 20 and 80 have the same share below."""
    shrink = (stats.t.ppf(0.975, 499) / stats.t.ppf(0.975, 9)) ** 2
    counted = np.array(counts, dtype=np.float64)
    found = effective_count(np.array(at_or_below), counted, confidence_level=0.95)
    assert found == pytest.approx(independent * shrink)


@pytest.mark.parametrize(
    ("rounds", "samples", "probability", "missing"),
    [
        (10, 24, 0.95, (7, 40)),
        (10, 40, 0.95, (0, 0)),
        (4, 200, 0.95, (1, 0)),
        (3, 24, 0.95, (14, 0)),
        (10, 100, 0.99, (10, 200)),
        (20, 100, 0.99, (0, 0)),
        (10, 40, 0.05, (0, 0)),
        (10, 39, 0.05, (1, 40)),
        (5, 24, 0.95, (12, 80)),
        (10, 3, 0.5, (4, 4)),
        (10, 4, 0.5, (0, 0)),
    ],
)
def test_tails_are_withheld_by_design(
    rounds: int, samples: int, probability: float, missing: tuple[int, int]
) -> None:
    """Twenty samples expected beyond the quantile and five rounds, or it says what is missing."""
    rng = np.random.default_rng(2)
    trials = list(rng.lognormal(size=(rounds, samples)))
    found = estimate_tail(trials, probability, confidence_level=0.95)
    assert (found.missing_trials, found.samples_a_trial) == missing
    assert (found.interval is None) == (missing != (0, 0))
    pooled = np.concatenate(trials)
    assert found.point == pytest.approx(
        np.quantile(pooled, probability, method="median_unbiased"), rel=1e-12
    )


def test_a_tail_in_one_trial_is_withheld() -> None:
    """All slow samples in one trial of ten: the limit would lie beyond the slowest sample."""
    trials = [np.linspace(1, 2, 40) for _ in range(9)]
    trials.append(np.linspace(50, 60, 40))
    found = estimate_tail(trials, 0.95, confidence_level=0.95)
    assert found.interval is None
    assert found.is_clustered
    expected = np.quantile(np.concatenate(trials), 0.95, method="median_unbiased")
    assert found.point == pytest.approx(expected)


def test_empty_trials_do_not_count_and_nothing_is_refused() -> None:
    """A trial without a proved picture adds no cluster; no sample at all is an error."""
    trials = list(np.random.default_rng(3).lognormal(size=(10, 50)))
    empty = [np.array([])]
    full = estimate_tail(trials, 0.95, confidence_level=0.95)
    assert estimate_tail(trials + empty, 0.95, confidence_level=0.95) == full
    with pytest.raises(ValueError):
        estimate_tail(empty, 0.95, confidence_level=0.95)
    for probability, level in ((1.0, 0.95), (0.95, 1.0)):
        with pytest.raises(ValueError, match="between 0 and 1"):
            estimate_tail(trials, probability, confidence_level=level)


def test_components_recover_the_truth() -> None:
    """From 4,000 trials of unequal size: sd 3 % between, 20 % within, to a few per cent."""
    rng = np.random.default_rng(4)
    trials = [np.exp(rng.normal(0, 0.03) + rng.normal(0, 0.2, size)) for size in (20, 60) * 2000]
    found = estimate_components(trials)
    assert math.sqrt(found.between) == pytest.approx(0.03, rel=0.1)
    assert math.sqrt(found.within) == pytest.approx(0.2, rel=0.02)
    assert found.samples_per_trial == 40.0


def test_components_by_hand_for_unequal_trials() -> None:
    """Logs (0, 2), (4), (6): within 2; between ((MSB - MSW) / n0) with n0 = 1.25."""
    trials = [np.exp([0.0, 2.0]), np.exp([4.0]), np.exp([6.0])]
    found = estimate_components(trials)
    # grand mean 3; MSB = (2·4 + 1 + 9) / 2 = 9; n0 = (4 - 6/4) / 2 = 1.25
    assert found.within == pytest.approx(2.0)
    assert found.between == pytest.approx((9 - 2) / 1.25)


def test_no_spread_between_trials_is_zero_not_negative() -> None:
    """Trials more alike than chance: the estimate is cut at 0."""
    same = np.exp([-1.0, 1.0])
    found = estimate_components([same, same, same])
    assert (found.between, found.between_fraction) == (0.0, 0.0)


@pytest.mark.parametrize(
    "trials",
    [[np.array([1.0, 2.0])], [np.array([1.0]), np.array([2.0])], [np.array([1.0, -2.0])] * 2],
)
def test_components_refuse_what_has_none(trials: list) -> None:
    """One trial, trials of single samples, or values without logs."""
    with np.errstate(invalid="ignore"), pytest.raises(ValueError):
        estimate_components(trials)


def components(between: float, within: float, samples: float = 25.0) -> VarianceComponents:
    return VarianceComponents(between=between, within=within, samples_per_trial=samples)


def test_the_share_between_trials() -> None:
    """Within 0.025 over 25 samples is 0.001: 0.003 between trials is three quarters of it all."""
    assert components(0.003, 0.025).between_fraction == pytest.approx(0.75)


def test_sampling_plan_is_the_cheapest() -> None:
    """No other number of samples a trial reaches the width in less time (tried one by one)."""
    spread = components(0.0004, 0.04)
    rounds, samples = plan_sampling(
        spread,
        trial_cost_s=2.0,
        sample_cost_s=0.05,
        half_width_fraction=0.02,
        confidence_level=0.95,
    )
    assert samples == round(math.sqrt(2.0 / 0.05 * 0.04 / 0.0004))

    def fewest_rounds(samples: int) -> int:
        rounds = 2
        sd = math.sqrt(0.0004 + 0.04 / samples)
        while stats.t.ppf(0.975, rounds - 1) * sd / math.sqrt(rounds) > math.log(1.02):
            rounds += 1
        return rounds

    assert rounds == fewest_rounds(samples)
    best_s = min(fewest_rounds(count) * (2.0 + count * 0.05) for count in range(1, 400))
    assert rounds * (2.0 + samples * 0.05) <= 1.15 * best_s


def test_sampling_plan_at_its_ends() -> None:
    """No spread between trials: as many samples as sense allows; none within: one."""
    arguments = {
        "trial_cost_s": 1.0,
        "sample_cost_s": 1.0,
        "half_width_fraction": 0.05,
        "confidence_level": 0.95,
    }
    assert plan_sampling(components(0.0, 0.01), **arguments)[1] == 10_000
    assert plan_sampling(components(0.01, 0.0), **arguments)[1] == 1


@pytest.mark.parametrize(
    ("done", "minimum", "points"),
    [
        (4, 4, ()),
        (8, 4, ()),
        (11, 4, ()),
        (12, 4, (8, 12)),
        (13, 4, ()),
        (16, 4, (12, 16)),
        (12, 8, (8, 12)),
        (12, 9, ()),
        (16, 9, (12, 16)),
        (16, 12, (12, 16)),
        (0, 4, ()),
        (8, 1, ()),
    ],
)
def test_look_points(done: int, minimum: int, points: tuple) -> None:
    """Every four rounds from the eighth or the minimum, rounded up; a stop needs two looks."""
    assert look_points(done, minimum_rounds=minimum) == points


@pytest.mark.parametrize(
    ("widths", "expected"),
    [
        ((0.009, 0.01), True),
        ((0.011, 0.009), False),
        ((0.009, 0.011), False),
        ((None, 0.009), False),
        ((0.009, None), False),
        ((), False),
        ((0.001,), False),
        ((0.001, 0.001, 0.02), False),
    ],
)
def test_precision_needs_every_look(widths: tuple, expected: bool) -> None:
    """Narrow enough at both looks; one look, no look or no interval is not enough."""
    assert is_precise(widths, precision_fraction=0.01) is expected


def test_clips_vary_about_their_own_share() -> None:
    """No move of one clip and every move of the other lie within: however uneven the rounds, the
    share is certain, and Kish's 1 / (0.5² / 40 + 0.5² / 50) = 88.9 moves count, few rounds less."""
    within, sizes = np.array([[0, 0, 0], [20, 10, 20]]), np.array([[10, 20, 10], [20, 10, 20]])
    found = effective_count(within, sizes, (0.5, 0.5), confidence_level=0.95)
    kish = 800 / 9
    few = stats.t.ppf(0.975, kish - 1) / stats.t.ppf(0.975, 2)
    assert found == pytest.approx(kish * few**2)
