"""The ways to a tail interval that were tried and not taken, for the table that shows why."""

from collections.abc import Callable
from functools import partial

import numpy as np
from scipy import stats

from fixtures.tails import estimate_tail
from mezzmark.statistics.intervals import Interval, log_t_interval
from simulation.worlds import Array

LEVEL = 0.95
RESAMPLES = 400


def _quantile(samples: Array, probability: float) -> float:
    return float(np.quantile(samples, probability, method="median_unbiased"))


def _interval(point: float, low: float, high: float, count: int, method: str) -> Interval:
    return Interval(
        point=point, low=low, high=high, confidence_level=LEVEL, count=count, method=method
    )


def _resampled(run: Array, probability: float, rng: np.random.Generator) -> Array:
    picks = rng.integers(0, len(run), (RESAMPLES, len(run)))
    pooled = run[picks].reshape(RESAMPLES, -1)
    return np.quantile(pooled, probability, axis=1, method="median_unbiased")


def leave_one_out(units: Array, statistic: Callable[[Array], float]) -> Array:
    """The statistic of the units without each in turn; units lie along the first axis."""
    return np.array([statistic(np.delete(units, k, axis=0)) for k in range(len(units))])


def jackknife_error(left: Array) -> float:
    """Standard error from leave-one-out values (Efron & Tibshirani 1993, equation 11.5)."""
    return float(np.sqrt((len(left) - 1) / len(left) * np.sum((left - left.mean()) ** 2)))


def bca_limits(draws: Array, point: float, left: Array, level: float) -> Array:
    """Bias-corrected, accelerated limits from resampled values (the same, section 14.3)."""
    share = (np.mean(draws < point) + np.mean(draws <= point)) / 2
    bias = stats.norm.ppf(np.clip(share, 1 / len(draws), 1 - 1 / len(draws)))
    spread = left.mean() - left
    scale = 6 * np.sum(spread**2) ** 1.5
    acceleration = np.sum(spread**3) / scale if scale > 0 else 0.0
    ends = bias + stats.norm.ppf([(1 - level) / 2, (1 + level) / 2])
    return np.quantile(draws, stats.norm.cdf(bias + ends / (1 - acceleration * ends)))


def percentile(run: Array, probability: float, rng: np.random.Generator) -> Interval:
    """Whole trials resampled, percentile limits (the same, section 13.3)."""
    draws = _resampled(run, probability, rng)
    low, high = np.quantile(draws, [(1 - LEVEL) / 2, (1 + LEVEL) / 2])
    return _interval(_quantile(run, probability), low, high, len(run), "percentile")


def bca(run: Array, probability: float, rng: np.random.Generator) -> Interval:
    """Whole trials resampled, bias-corrected and accelerated limits."""
    draws, point = _resampled(run, probability, rng), _quantile(run, probability)
    left = leave_one_out(run, lambda kept: _quantile(kept, probability))
    low, high = bca_limits(draws, point, left, LEVEL)
    return _interval(point, low, high, len(run), "BCa")


def jackknife(
    run: Array, probability: float, _: np.random.Generator, *, corrects_bias: bool = False
) -> Interval:
    """t with the delete-one-trial standard error of the log quantile, around the point or, with
    `corrects_bias`, around the bias-corrected one."""
    count, point = len(run), np.log(_quantile(run, probability))
    left = np.log(leave_one_out(run, lambda kept: _quantile(kept, probability)))
    centre = point - (count - 1) * (left.mean() - point) if corrects_bias else point
    half = stats.t.ppf((1 + LEVEL) / 2, count - 1) * jackknife_error(left)
    low, high = np.exp(centre - half), np.exp(centre + half)
    return _interval(float(np.exp(centre)), low, high, count, "jackknife")


def per_trial_t(run: Array, probability: float, _: np.random.Generator) -> Interval:
    """t on logs of per-trial quantiles."""
    quantiles = np.quantile(run, probability, axis=1, method="median_unbiased")
    return log_t_interval(quantiles, confidence_level=LEVEL)


def taken(run: Array, probability: float, _: np.random.Generator) -> Interval | None:
    """The method of `mezzmark.statistics.tails`."""
    return estimate_tail(list(run), probability, confidence_level=LEVEL).interval


METHODS: dict[str, Callable[[Array, float, np.random.Generator], Interval | None]] = {
    "binomial at effective size (taken)": taken,
    "t on per-trial logs": per_trial_t,
    "cluster bootstrap, percentile": percentile,
    "cluster bootstrap, BCa": bca,
    "jackknife": jackknife,
    "jackknife, bias-corrected": partial(jackknife, corrects_bias=True),
}
