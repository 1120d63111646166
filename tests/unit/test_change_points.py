"""Change points and courses: place, size, test and refusals on series made for them, against scipy
and by hand."""

import math

import numpy as np
import pytest
from scipy import stats

from mezzmark.statistics.change_points import (
    Course,
    between_run_variance,
    change_p_value,
    classify_course,
    find_change_points,
    lag_one_autocorrelation,
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


SHAPE = np.array([1, -1, 0.5, -0.7, -0.2, 0.9, -0.4, 0.3, -1.1, 0.6, -0.3, 0.4])
QUIET, JITTER = 0.004 * SHAPE, 0.01 * SHAPE
"""Logs of a kernel on a quiet machine, and on one that is less so."""


@pytest.mark.parametrize(
    ("shift", "kind", "at", "change"),
    [
        (np.zeros(12), "steady", None, 0.0),
        (np.linspace(0, 0.08, 12), "drift", None, math.expm1(0.08)),
        (-np.linspace(0, 0.08, 12), "drift", None, math.expm1(-0.08)),
        (np.where(np.arange(12) < 7, 0, 0.05), "step", 7, math.expm1(0.05)),
        (np.where(np.arange(12) < 2, 0.05, 0), "step", 2, math.expm1(-0.05)),
        (np.where(np.arange(12) < 10, 0.05, 0), "step", 10, math.expm1(-0.05)),
    ],
)
def test_course_of_a_kernel(shift: np.ndarray, kind: str, at: int | None, change: float) -> None:
    """A planted line or step on 0.4 % of noise is named, placed and sized."""
    course = classify_course(np.exp(QUIET + shift))
    assert (course.kind, course.at) == (kind, at)
    assert course.change_fraction == pytest.approx(change, abs=0.008)
    assert (course.p_value <= 0.05) == (kind != "steady")


def test_a_machine_that_wanders_is_unsteady() -> None:
    """A slow wave, and a line that turns back: neither one drift nor one step."""
    noise = np.concatenate([QUIET, QUIET[::-1]])
    wave = 0.05 * np.sin(np.arange(24) * np.pi / 6)
    tent = 0.01 * np.minimum(np.arange(24), 23 - np.arange(24))
    for shift in (wave, tent):
        course = classify_course(np.exp(noise + shift))
        assert (course.kind, course.at) == ("unsteady", None)


def test_short_and_constant_courses() -> None:
    """Five points are too few; twelve equal ones are steady; a clean step has no doubt left."""
    short = Course(kind="too short", change_fraction=0.0, p_value=1.0, at=None)
    assert classify_course([1.0, 1.0, 1.0, 1.0, 2.0]) == short
    assert classify_course(np.ones(6)).kind == "steady"
    for constant in (1.0, 1.1, 1.234, 17.3):
        assert classify_course(np.full(12, constant)).kind == "steady"
    clean = classify_course(np.repeat([1.0, 1.1], 6))
    assert (clean.kind, clean.at) == ("step", 6)
    assert clean.p_value < 1e-50
    assert classify_course(np.exp(QUIET[:6])).kind == "steady"


def test_a_quiet_machine_is_called_steady() -> None:
    """Of 1,500 series of independent noise at most 5 % are called anything else (exact, 99.9 %)."""
    rng = np.random.default_rng(9)
    odd = sum(
        classify_course(np.exp(rng.normal(0, 0.01, 20))).kind != "steady" for _ in range(1500)
    )
    assert stats.binomtest(odd, 1500).proportion_ci(0.999, method="exact").low <= 0.05


@pytest.mark.parametrize("plant", ["drift of 3 %", "step of 4 %"])
def test_planted_changes_of_the_machine_are_seen(plant: str) -> None:
    """30 kernels with 1 % of noise: at least 95 % of planted changes are flagged."""
    rng = np.random.default_rng(10)
    line, step = np.linspace(0, 0.03, 30), 0.04 * (np.arange(30) >= 12)
    shift = line if plant.startswith("drift") else step
    seen = sum(
        classify_course(np.exp(rng.normal(0, 0.01, 30) + shift)).kind != "steady"
        for _ in range(400)
    )
    assert seen >= 0.95 * 400


def test_autocorrelation_by_hand() -> None:
    """1, 2, 3, 4: deviations -1.5 -0.5 0.5 1.5 give (0.75 - 0.25 + 0.75) / 5; constants give 0."""
    assert lag_one_autocorrelation([1, 2, 3, 4]) == pytest.approx(0.25)
    assert lag_one_autocorrelation([2, 2, 2]) == 0.0


def test_p_of_a_line_is_three_times_scipys() -> None:
    """A drift's p-value is that of scipy's `linregress`, times the three tests made."""
    logs = JITTER + 0.003 * np.arange(12)
    line = stats.linregress(np.arange(12), logs)
    found = classify_course(np.exp(logs))
    best_step = min(stats.ttest_ind(logs[:k], logs[k:]).pvalue * 9 for k in range(2, 11))
    assert line.pvalue < best_step
    assert found.p_value == pytest.approx(3 * line.pvalue, rel=1e-9)
    assert found.kind == "drift"
    assert found.change_fraction == pytest.approx(math.expm1(11 * line.slope), rel=1e-9)


@pytest.mark.parametrize("at", [2, 5, 10])
def test_p_of_a_step_is_scipys_times_places_and_tests(at: int) -> None:
    """A step's p-value is that of scipy's pooled t between its sides, times nine places looked at
    and three tests; its size is the ratio of the geometric means."""
    logs = JITTER + 0.06 * (np.arange(12) >= at)
    p_values = [stats.ttest_ind(logs[:k], logs[k:]).pvalue for k in range(2, 11)]
    found = classify_course(np.exp(logs))
    assert 2 + int(np.argmin(p_values)) == at
    assert (found.kind, found.at) == ("step", at)
    assert found.p_value == pytest.approx(27 * min(p_values), rel=1e-6)
    size = logs[at:].mean() - logs[:at].mean()
    assert found.change_fraction == pytest.approx(math.expm1(size), rel=1e-9)


def test_p_of_a_steady_course_is_at_most_1() -> None:
    """Nothing found: the p-value is a probability still."""
    found = classify_course(np.exp(JITTER))
    assert (found.kind, found.change_fraction, found.at) == ("steady", 0.0, None)
    assert found.p_value == 1.0


def test_a_wandering_load_is_unsteady_at_the_stated_level() -> None:
    """Neighbours alike and nothing else: p is three times the normal tail of the lag-1
    autocorrelation, whose mean is -1/n and variance 1/n."""
    rng = np.random.default_rng(4)
    for _ in range(200):
        logs = rng.normal(0, 0.01, 40)
        for k in range(1, 40):
            logs[k] += 0.6 * logs[k - 1]
        found = classify_course(np.exp(logs))
        centred = logs - logs.mean()
        alike = centred[1:] @ centred[:-1] / (centred @ centred)
        wander_p = stats.norm.sf((alike + 1 / 40) * math.sqrt(40))
        if found.kind == "unsteady" and found.p_value == pytest.approx(3 * wander_p, rel=1e-9):
            break
    else:
        pytest.fail("no series was called unsteady for its wandering")
