"""Each method against scipy where scipy has it, and against values worked out by hand."""

import math

import numpy as np
import pytest
from scipy import stats

from mezzmark.statistics.intervals import (
    DRIFT_ROUNDS,
    log_median_interval,
    log_t_interval,
    share_interval,
    t_interval,
)
from mezzmark.statistics.paired import (
    Change,
    holm_adjusted,
    log_margin,
    paired_change,
    run_level_change,
    unpaired_change,
)
from mezzmark.statistics.quantiles import quantile
from mezzmark.statistics.spread import (
    detectable_change,
    expected_log_half_width,
    rounds_for_width,
    t_test_power,
)

VALUES = np.array([12.1, 12.9, 11.8, 12.4, 13.0, 12.2, 12.0, 12.6, 12.3])
OTHERS = np.array([12.5, 13.1, 12.0, 12.4, 13.6, 12.1, 12.9, 12.7, 12.8])


def test_t_interval_is_scipys() -> None:
    """Mean and limits of `scipy.stats.ttest_1samp`, on values and on logs."""
    expected = stats.ttest_1samp(VALUES, 0).confidence_interval(0.9)
    found = t_interval(VALUES, confidence_level=0.9)
    assert (found.low, found.high) == pytest.approx((expected.low, expected.high), rel=1e-12)
    assert (found.point, found.count) == (pytest.approx(VALUES.mean()), 9)
    logs = stats.ttest_1samp(np.log(VALUES), 0).confidence_interval(0.95)
    found = log_t_interval(VALUES, confidence_level=0.95)
    assert (found.low, found.high) == pytest.approx(
        (math.exp(logs.low), math.exp(logs.high)), rel=1e-12
    )
    assert found.point == pytest.approx(stats.gmean(VALUES), rel=1e-12)
    assert (found.confidence_level, found.count) == (0.95, 9)


def test_interval_without_drift_is_that_of_a_regression() -> None:
    """The limits of a straight line at the middle of the run: scipy's `linregress` with the rounds
    centred, whose intercept is the mean."""
    place = np.arange(9) - 4.0
    drifting = VALUES + 0.5 * place
    line = stats.linregress(place, drifting)
    half = stats.t.ppf(0.975, 7) * line.intercept_stderr
    found = t_interval(drifting, confidence_level=0.95, without_drift=True)
    assert found.point == pytest.approx(line.intercept, rel=1e-12)
    assert found.high - found.point == pytest.approx(half, rel=1e-12)
    level = t_interval(VALUES, confidence_level=0.95, without_drift=True)
    assert found.high - found.low == pytest.approx(level.high - level.low, rel=1e-12)


def test_few_rounds_keep_their_drift() -> None:
    """Below eight values the spread is the plain one: a degree of freedom would cost too much."""
    for count in (2, DRIFT_ROUNDS - 1):
        plain = t_interval(VALUES[:count], confidence_level=0.95)
        assert t_interval(VALUES[:count], confidence_level=0.95, without_drift=True) == plain
    eight = t_interval(VALUES[:DRIFT_ROUNDS], confidence_level=0.95, without_drift=True)
    assert eight != t_interval(VALUES[:DRIFT_ROUNDS], confidence_level=0.95)


@pytest.mark.parametrize(
    ("values", "level", "message"),
    [
        ([1.0], 0.95, "two values or more"),
        ([1.0, math.nan], 0.95, "finite"),
        ([[1.0, 2.0]], 0.95, "two values or more"),
        ([1.0, 2.0], 1.0, "between 0 and 1"),
        ([1.0, 2.0], 0.0, "between 0 and 1"),
        ([1.0, 0.0], 0.95, "positive"),
    ],
)
def test_intervals_refuse_what_they_cannot_hold(values: list, level: float, message: str) -> None:
    """Too few, unmeasured, misshapen or unloggable values, and levels that are none."""
    with pytest.raises(ValueError, match=message):
        log_t_interval(values, confidence_level=level)


@pytest.mark.parametrize(("successes", "count"), [(0, 20), (1, 20), (7, 30), (20, 20)])
def test_share_interval_is_scipys_exact_one(successes: int, count: int) -> None:
    """Clopper-Pearson limits of `scipy.stats.binomtest`."""
    expected = stats.binomtest(successes, count).proportion_ci(0.95, method="exact")
    found = share_interval(successes, count, confidence_level=0.95)
    assert (found.low, found.high) == pytest.approx((expected.low, expected.high), abs=1e-12)
    assert (found.point, found.count) == (successes / count, count)


@pytest.mark.parametrize(("successes", "count"), [(-1, 5), (6, 5), (0, 0)])
def test_impossible_shares_are_refused(successes: int, count: int) -> None:
    """Fewer than none, more than all, or a share of nothing."""
    with pytest.raises(ValueError, match="not a share"):
        share_interval(successes, count, confidence_level=0.95)


def test_quantile_refuses_nonsense() -> None:
    """No values, or a probability beyond 0 to 1."""
    with pytest.raises(ValueError, match="at least one"):
        quantile([], 0.5)
    for probability in (-0.01, 1.01):
        with pytest.raises(ValueError, match="probability"):
            quantile([1.0], probability)


def test_paired_change_is_scipys_paired_t() -> None:
    """Estimate, two-sided p-value and limits of `ttest_rel` on logs."""
    change = paired_change(VALUES, OTHERS)
    logs = np.log(OTHERS), np.log(VALUES)
    assert change.p_value == pytest.approx(stats.ttest_rel(*logs).pvalue, rel=1e-9)
    limits = stats.ttest_rel(*logs).confidence_interval(0.9)
    interval = change.interval(confidence_level=0.9)
    assert np.log([interval.low, interval.high]) == pytest.approx([limits.low, limits.high])
    assert math.log(interval.point) == pytest.approx(np.mean(logs[0] - logs[1]))
    assert (change.count, change.degrees, interval.count) == (9, 8, 9)


def test_unpaired_change_is_scipys_welch() -> None:
    """p-value, degrees of freedom and limits of `ttest_ind(equal_var=False)` on logs."""
    few = OTHERS[:5]
    change = unpaired_change(VALUES, few)
    expected = stats.ttest_ind(np.log(few), np.log(VALUES), equal_var=False)
    assert change.p_value == pytest.approx(expected.pvalue, rel=1e-9)
    assert change.degrees == pytest.approx(expected.df, rel=1e-12)
    assert change.count == 5
    limits = expected.confidence_interval(0.95)
    interval = change.interval(confidence_level=0.95)
    assert np.log([interval.low, interval.high]) == pytest.approx([limits.low, limits.high])


def test_run_level_change_is_the_pooled_t_on_run_means() -> None:
    """`ttest_ind` of the runs' mean logs with equal variances, even with one run on a side."""
    rng = np.random.default_rng(5)
    runs = [np.exp(rng.normal(level, 0.01, 6)) for level in (0.0, 0.03, -0.02, 0.05)]
    means = [float(np.log(run).mean()) for run in runs]
    for split in (1, 2, 3):
        change = run_level_change(runs[:split], runs[split:])
        expected = stats.ttest_ind(means[split:], means[:split], equal_var=True)
        assert change.p_value == pytest.approx(expected.pvalue)
        assert (change.degrees, change.count) == (2, 4)


def test_costs_that_never_vary_need_no_error() -> None:
    """Identical sides: no difference. A constant ratio: surely different."""
    assert paired_change(VALUES, VALUES).p_value == 1.0
    unpaired = unpaired_change([2.0, 2.0], [2.0, 2.0, 2.0])
    assert (unpaired.standard_error, unpaired.degrees) == (0.0, 3)
    more = Change(log_ratio=0.1, standard_error=0.0, degrees=3, count=4, method="t")
    assert more.p_value == 0.0


@pytest.mark.parametrize(
    ("first", "second", "message"),
    [
        ([1.0, 2.0], [1.0, 2.0, 3.0], "cannot pair"),
        ([1.0], [1.0], "two values or more"),
        ([[1.0, 2.0]], [1.0, 2.0], "two values or more"),
        ([1.0, 0.0], [1.0, 2.0], "positive"),
        ([1.0, math.inf], [1.0, 2.0], "finite"),
    ],
)
def test_comparisons_refuse_bad_costs(first: list, second: list, message: str) -> None:
    """Unequal lengths, too few, or costs that are no costs."""
    with pytest.raises(ValueError, match=message):
        paired_change(first, second)


def test_run_level_needs_a_spread() -> None:
    """Two runs have no spread between runs, and a side must not be empty."""
    run = [1.0, 1.1]
    with pytest.raises(ValueError, match="three runs"):
        run_level_change([run], [run])
    for first, second in (([run] * 3, []), ([], [run] * 3)):
        with pytest.raises(ValueError, match="three runs"):
            run_level_change(first, second)
    assert run_level_change([run, run], [run]).degrees == 1


def test_margin_is_positive() -> None:
    """log(1 + tolerance); no tolerance is no margin."""
    assert log_margin(0.05) == pytest.approx(math.log(1.05))
    for tolerance in (0.0, -0.1, math.nan):
        with pytest.raises(ValueError, match="positive"):
            log_margin(tolerance)


def test_holm_by_hand() -> None:
    """0.01, 0.04, 0.03 become 0.03, 0.06, 0.06; never above 1; nothing stays nothing."""
    assert holm_adjusted([0.01, 0.04, 0.03]) == pytest.approx([0.03, 0.06, 0.06])
    assert holm_adjusted([0.6, 0.9]) == pytest.approx([1.0, 1.0])
    assert holm_adjusted([0.0, 1.0]) == pytest.approx([0.0, 1.0])
    assert holm_adjusted([]).size == 0
    for bad in (-0.1, 1.1, math.nan):
        with pytest.raises(ValueError, match="between 0 and 1"):
            holm_adjusted([0.5, bad])


def test_power_by_simulation() -> None:
    """Noncentral-t power of a one-sample t test, against 40,000 simulated tests."""
    rng = np.random.default_rng(6)
    samples = rng.normal(0.04, 0.05, (40_000, 8))
    p_values = stats.ttest_1samp(samples, 0, axis=1).pvalue
    expected = float(np.mean(p_values <= 0.1))
    found = t_test_power(0.04 / 0.05 * math.sqrt(8), degrees=7, error_level=0.1)
    assert found == pytest.approx(expected, abs=0.01)
    mirrored = t_test_power(-0.04 / 0.05 * math.sqrt(8), degrees=7, error_level=0.1)
    assert mirrored == pytest.approx(found)
    assert t_test_power(0.0, degrees=7, error_level=0.1) == pytest.approx(0.1, abs=1e-9)


def test_power_stays_right_where_scipys_noncentral_t_gives_up() -> None:
    """scipy 1.17 answers nan at 4 degrees and noncentrality 10 (among others): the power there is
    that of 200,000 simulated tests, and grows to 1."""
    rng = np.random.default_rng(8)
    spreads = np.sqrt(rng.chisquare(2, 200_000) / 2)
    limit = stats.t.ppf(0.9995, 2)
    simulated = float(np.mean(np.abs(rng.normal(37.0, 1.0, 200_000)) > limit * spreads))
    assert t_test_power(37.0, degrees=2, error_level=0.001) == pytest.approx(simulated, abs=0.005)
    for degrees in (2, 4, 9, 13):
        powers = [
            t_test_power(shift, degrees=degrees, error_level=0.05)
            for shift in (2.0, 5.0, 10.0, 20.0, 37.0, 40.0, 60.0, 100.0)
        ]
        assert np.isfinite(powers).all()
        assert (np.diff(powers) > -1e-6).all()


def test_rounds_for_width_is_the_fewest() -> None:
    """The first count whose t limit × sd / √n is within log(1.01)."""
    found = rounds_for_width(0.01, round_sd=0.02, confidence_level=0.95)
    counts = np.arange(2, 60)
    halves = stats.t.ppf(0.975, counts - 1) * 0.02 / np.sqrt(counts)
    assert found == counts[np.argmax(halves <= math.log(1.01))]
    half = expected_log_half_width(10, round_sd=0.02, confidence_level=0.95)
    assert half == pytest.approx(stats.t.ppf(0.975, 9) * 0.02 / math.sqrt(10))
    with pytest.raises(ValueError, match="two rounds"):
        expected_log_half_width(1, round_sd=0.02, confidence_level=0.95)
    pair = expected_log_half_width(2, round_sd=0.02, confidence_level=0.95)
    assert pair == pytest.approx(stats.t.ppf(0.975, 1) * 0.02 / math.sqrt(2))


def test_rounds_at_the_extremes() -> None:
    """No spread: two rounds. A hopeless spread: None rather than a number nobody can measure."""
    found = [rounds_for_width(0.05, round_sd=sd, confidence_level=0.95) for sd in (0, 1e-9, 50)]
    assert found == [2, 2, None]


def test_detectable_change_has_the_power_it_claims() -> None:
    """At the change returned the noncentral-t power is 90 %, at 1 % less effect it is less."""
    found = detectable_change(0.01, degrees=9, error_level=0.05)
    effect = math.log1p(found)
    assert t_test_power(effect / 0.01, degrees=9, error_level=0.05) == pytest.approx(0.9)
    assert t_test_power(0.99 * effect / 0.01, degrees=9, error_level=0.05) < 0.9
    assert detectable_change(0.0, degrees=9, error_level=0.05) == 0.0


def test_the_median_lies_between_interpolated_order_statistics() -> None:
    """Of ten values the second to the ninth hold the median with 1 - 22 / 1024, the third to the
    eighth with 1 - 112 / 1024; 95 % lie 0.3244 of the way, which is 0.6577 of a step inwards. Four
    values cannot reach 95 %: t limits, widened to the median."""
    found = log_median_interval(np.exp(np.arange(1.0, 11.0)), confidence_level=0.95)
    ends = np.log([found.low, found.point, found.high])
    assert ends == pytest.approx([2.6577, 5.5, 8.3423], abs=2e-4)
    few = log_median_interval(np.exp([1.0, 1.1, 1.2, 9.0]), confidence_level=0.95)
    assert few.low <= few.point <= few.high
    assert few.method == "t on logs, widened to the median"
