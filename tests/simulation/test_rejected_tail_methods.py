"""The methods that the tables reject are computed rightly, or the rejection would say nothing."""

from pathlib import Path

import numpy as np
import pytest
from scipy import stats

from simulation.tail_methods import METHODS, bca_limits, jackknife_error, leave_one_out

LAW_SCHOOL = Path(__file__).parents[1] / "published" / "data" / "law_school.csv"


def correlation(pairs: np.ndarray) -> float:
    return float(np.corrcoef(pairs.T)[0, 1])


def test_law_school_jackknife_and_bca() -> None:
    """Efron & Tibshirani 1993, Table 3.1 (15 law schools): correlation 0.776; jackknife standard
    error 0.142 (Efron 1982); BCa 90 % limits as scipy's, within resampling error."""
    schools = np.loadtxt(LAW_SCHOOL, delimiter=",", skiprows=2)
    assert correlation(schools) == pytest.approx(0.776, abs=5e-4)
    left = leave_one_out(schools, correlation)
    assert jackknife_error(left) == pytest.approx(0.142, abs=6e-4)
    rng = np.random.default_rng(1)
    draws = np.array([correlation(schools[rng.integers(0, 15, 15)]) for _ in range(4000)])
    limits = bca_limits(draws, correlation(schools), left, 0.9)
    reference = stats.bootstrap(
        (schools[:, 0], schools[:, 1]),
        lambda x, y: np.corrcoef(x, y)[0, 1],
        paired=True,
        vectorized=False,
        n_resamples=4000,
        confidence_level=0.9,
        method="BCa",
        rng=np.random.default_rng(2),
    ).confidence_interval
    assert limits == pytest.approx([reference.low, reference.high], abs=0.03)


def test_all_methods_estimate_the_same_quantile() -> None:
    """On plenty of independent samples every interval holds a value near the true p95."""
    rng = np.random.default_rng(3)
    run = rng.lognormal(0.0, 0.25, (20, 400))
    truth = float(np.exp(0.25 * stats.norm.ppf(0.95)))
    for name, method in METHODS.items():
        interval = method(run, 0.95, rng)
        assert interval is not None, name
        assert interval.low < interval.point < interval.high, name
        assert interval.point == pytest.approx(truth, rel=0.02), name
