"""Exact intervals from the binomial distribution: shares, and quantiles by order statistics."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy import stats

from mezzmark.statistics.intervals import Interval, check_level


@dataclass(frozen=True, slots=True, kw_only=True)
class Ranks:
    """Order statistics, counted from 1, that hold a quantile with `coverage` (exact)."""

    low: int
    high: int
    coverage: float


def share_interval(successes: int, count: int, *, confidence_level: float) -> Interval:
    """The exact interval of a share (Clopper & Pearson, Biometrika 26, 1934, 404-413).

    Never covers less than `confidence_level`. Raises ValueError for impossible counts.
    """
    check_level(confidence_level)
    if count < 1 or not 0 <= successes <= count:
        raise ValueError(f"{successes} of {count} is not a share")
    low, high = share_limits(float(successes), float(count), confidence_level=confidence_level)
    return Interval(
        point=successes / count,
        low=low,
        high=high,
        confidence_level=confidence_level,
        count=count,
        method="exact binomial",
    )


def share_limits(successes: float, count: float, *, confidence_level: float) -> tuple[float, float]:
    """Clopper-Pearson limits by the beta distribution; counts need not be whole numbers.

    Fractional counts arise as effective sample sizes (Korn & Graubard, Survey Methodology 24,
    1998, 193-201).
    """
    tail = (1 - confidence_level) / 2
    low = stats.beta.ppf(tail, successes, count - successes + 1) if successes > 0 else 0.0
    high = stats.beta.ppf(1 - tail, successes + 1, count - successes) if successes < count else 1.0
    return float(low), float(high)


def quantile_ranks(count: int, probability: float, *, confidence_level: float) -> Ranks | None:
    """The innermost symmetric-in-probability ranks that hold a quantile of independent values.

    Whatever the (continuous) distribution, the chance that the quantile lies between the low-th
    and high-th smallest of `count` values is a binomial sum (David & Nagaraja, Order Statistics,
    3rd ed. 2003, section 7.1). Each tail keeps to (1 - level) / 2. None where `count` is too
    small for any such pair.
    """
    check_level(confidence_level)
    tail = (1 - confidence_level) / 2
    below = np.asarray(stats.binom.cdf(np.arange(count), count, probability))
    low = int(np.count_nonzero(below <= tail))
    high = int(np.count_nonzero(below < 1 - tail)) + 1
    if low < 1 or high > count:
        return None
    coverage = float(below[high - 1] - below[low - 1])
    return Ranks(low=low, high=high, coverage=coverage)


def median_interval(values: ArrayLike, *, confidence_level: float) -> Interval | None:
    """Distribution-free interval of the median by order statistics; None for too few values."""
    ordered = np.sort(np.asarray(values, dtype=np.float64))
    ranks = quantile_ranks(ordered.size, 0.5, confidence_level=confidence_level)
    if ranks is None:
        return None
    return Interval(
        point=float(np.median(ordered)),
        low=float(ordered[ranks.low - 1]),
        high=float(ordered[ranks.high - 1]),
        confidence_level=confidence_level,
        count=int(ordered.size),
        method="order statistics",
    )
