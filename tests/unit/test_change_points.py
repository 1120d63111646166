"""Change points: place, size, test and refusals on series made for it."""

import numpy as np
import pytest
from scipy import stats

from mezzmark.statistics.change_points import (
    between_run_variance,
    change_p_value,
    find_change_points,
)

NOISE = np.array([0.3, -0.5, 0.1, 0.6, -0.2, -0.4, 0.5, -0.1, 0.2, -0.6, 0.4, -0.3])
NONE_KNOWN = np.zeros(12)


def test_the_test_is_the_greatest_two_sample_t_over_all_places() -> None:
    """With equal weights the p-value is that of scipy's pooled t test at the best place, times the
    number of places."""
    series = NOISE + np.where(np.arange(12) >= 7, 1.5, 0)
    tests = [stats.ttest_ind(series[:k], series[k:]) for k in range(1, 12)]
    best = min(test.pvalue for test in tests)
    assert change_p_value(series, NONE_KNOWN) == pytest.approx(11 * best, rel=1e-9)
    (change,) = find_change_points(series, NONE_KNOWN, error_level=0.05)
    expected = stats.ttest_ind(series[7:], series[:7]).confidence_interval(0.95)
    assert change.index == 7
    assert change.limits(confidence_level=0.95) == pytest.approx(
        (expected.low, expected.high), rel=1e-9
    )


def test_two_steps_are_two_changes_with_their_sizes() -> None:
    """Up by 10 and down by 4: both places, sizes by the means of the parts."""
    series = NOISE + np.repeat([0.0, 10.0, 6.0], 4)
    found = find_change_points(series, NONE_KNOWN, error_level=0.05)
    assert [change.index for change in found] == [4, 8]
    means = [series[k : k + 4].mean() for k in (0, 4, 8)]
    assert [change.change for change in found] == pytest.approx(np.diff(means))


def test_a_change_in_the_last_run_is_found() -> None:
    """One run after an upgrade is enough when it stands far out."""
    series = NOISE + np.where(np.arange(12) == 11, 6.0, 0)
    assert [c.index for c in find_change_points(series, NONE_KNOWN, error_level=0.05)] == [11]


def test_noise_alone_and_constant_series_have_no_change() -> None:
    """No step in quiet noise, in values that are all the same, nor in two values."""
    assert find_change_points(NOISE, NONE_KNOWN, error_level=0.05) == ()
    assert find_change_points(np.full(9, 0.1), np.zeros(9), error_level=0.05) == ()
    assert find_change_points([0.0, 9.0], [0.1, 0.1], error_level=0.05) == ()
    assert change_p_value([0.0, 9.0], [0.1, 0.1]) == 1


def test_runs_too_uncertain_to_tell_keep_a_step_from_being_claimed() -> None:
    """The same values with wide errors of their own show nothing: agreement of run means by luck
    cannot be surer than the runs are."""
    series = np.array([0.0, 0.01, 0.0, 1.0, 1.01, 1.0])
    assert find_change_points(series, np.full(6, 0.001), error_level=0.05)
    assert find_change_points(series, np.full(6, 2.0), error_level=0.05) == ()


def test_a_run_of_wide_error_counts_less() -> None:
    """An outlier known to be uncertain moves the level after the step little."""
    series = np.array([0.0, 0.1, -0.1, 0.05, 5.0, 5.1, 4.9, 9.0])
    errors = np.array([0.1] * 7 + [20.0])
    (change,) = find_change_points(series, errors, error_level=0.05)
    assert change.index == 4
    assert change.change == pytest.approx(5.0, abs=0.05)


def test_between_run_variance_ignores_a_step_and_what_the_errors_explain() -> None:
    """A step leaves it as it was; errors as large as the spread explain all of it."""
    rng = np.random.default_rng(3)
    series = rng.normal(0, 0.02, 400)
    stepped = series + np.where(np.arange(400) >= 200, 1.0, 0)
    plain = between_run_variance(series, np.zeros(400))
    assert plain == pytest.approx(0.02**2, rel=0.25)
    assert between_run_variance(stepped, np.zeros(400)) == pytest.approx(plain, rel=0.02)
    assert between_run_variance(series, np.full(400, 0.05)) == 0


@pytest.mark.parametrize(
    ("values", "errors", "level"),
    [
        ([1.0, 2.0], [1.0], 0.05),
        ([1.0, np.inf], [1.0, 1.0], 0.05),
        ([1.0, 2.0], [1.0, -1.0], 0.05),
        ([1.0, 2.0], [1.0, 1.0], 0.0),
    ],
)
def test_what_cannot_be_judged_is_refused(values: list, errors: list, level: float) -> None:
    """Unequal lengths, endless values, negative errors and levels outside 0 to 1."""
    with pytest.raises(ValueError):
        find_change_points(values, errors, error_level=level)


def test_parts_pay_for_being_two() -> None:
    """A step found inside a part has scipy's p-value there times places times two parts."""
    series = NOISE + np.repeat([0.0, 2.0, 30.0], [3, 4, 5])
    found = find_change_points(series, NONE_KNOWN, error_level=0.05)
    assert [change.index for change in found] == [3, 7]
    part = series[:7]
    best = min(stats.ttest_ind(part[:k], part[k:]).pvalue for k in range(1, 7))
    assert found[0].p_value == pytest.approx(2 * 6 * best, rel=1e-9)


def test_a_run_that_agreed_with_itself_by_luck_outweighs_no_other() -> None:
    """An error far below the others counts as their median does."""
    errors = np.full(12, 1.0)
    lucky = errors.copy()
    lucky[3] = 1e-6
    series = NOISE + np.where(np.arange(12) >= 4, 3.0, 0)
    (plain,) = find_change_points(series, errors, error_level=0.05)
    (change,) = find_change_points(series, lucky, error_level=0.05)
    assert change.change == pytest.approx(plain.change)
