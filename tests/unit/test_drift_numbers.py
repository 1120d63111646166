"""The numbers behind a course: slopes, steps and wandering against scipy and by hand."""

import math

import numpy as np
import pytest
from scipy import stats

from mezzmark.statistics.change_points import Course, classify_course

NOISE = 0.01 * np.array([1, -1, 0.5, -0.7, -0.2, 0.9, -0.4, 0.3, -1.1, 0.6, -0.3, 0.4])


def test_too_short_is_nothing_found() -> None:
    """Five points: no change, no evidence; six are enough to look."""
    expected = Course(kind="too short", change_fraction=0.0, p_value=1.0, at=None)
    assert classify_course([1.0, 1.0, 1.0, 1.0, 2.0]) == expected
    assert classify_course([1.0, 1.0, 1.0, 1.0, 1.0, 1.0]).kind == "steady"


def test_p_of_a_line_is_three_times_scipys() -> None:
    """A drift's p-value is that of scipy's `linregress`, times the three tests made."""
    logs = NOISE + 0.003 * np.arange(12)
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
    logs = NOISE + 0.06 * (np.arange(12) >= at)
    p_values = [stats.ttest_ind(logs[:k], logs[k:]).pvalue for k in range(2, 11)]
    found = classify_course(np.exp(logs))
    assert 2 + int(np.argmin(p_values)) == at
    assert (found.kind, found.at) == ("step", at)
    assert found.p_value == pytest.approx(27 * min(p_values), rel=1e-6)
    size = logs[at:].mean() - logs[:at].mean()
    assert found.change_fraction == pytest.approx(math.expm1(size), rel=1e-9)


def test_p_of_a_steady_course_is_at_most_1() -> None:
    """Nothing found: the p-value is a probability still."""
    found = classify_course(np.exp(NOISE))
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
