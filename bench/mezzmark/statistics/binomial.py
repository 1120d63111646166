"""Exact intervals from the binomial distribution: shares, and quantiles by order statistics."""

from scipy import stats

from mezzmark.statistics.intervals import Interval


def share_interval(successes: int, count: int, *, confidence_level: float) -> Interval:
    """The exact interval of a share (Clopper & Pearson, Biometrika 26, 1934, 404-413).

    Never covers less than `confidence_level`. Raises ValueError for impossible counts or levels.
    """
    if count < 1 or not 0 <= successes <= count:
        raise ValueError(f"{successes} of {count} is not a share")
    low, high = share_limits(successes, count, confidence_level=confidence_level)
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
