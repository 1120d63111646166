"""Intervals: Student's t over trials (the unit, never the samples inside), exact ones of shares."""

import math
from dataclasses import KW_ONLY, dataclass, replace
from functools import lru_cache
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import special

DRIFT_ROUNDS: Final = 8
"""From eight values on, one degree of freedom is cheap: it widens the interval by 3 %."""

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Interval:
    """A point with the interval that holds it at `confidence_level`. `count` is the number of
    trials behind it; `method` names the computation. ValueError for a level outside (0, 1)."""

    confidence_level: float
    count: int
    method: str
    _: KW_ONLY
    point: float
    low: float
    high: float

    def __post_init__(self) -> None:
        check_level(self.confidence_level)


def log_t_interval(
    values: ArrayLike, *, confidence_level: float, without_drift: bool = False
) -> Interval:
    """Student's t interval for the geometric mean of `values`, one positive value per trial. The
    point is exp(mean(log x)). Taking logs makes the interval a ratio, as costs are compared, and
    takes the skew out of timings. `without_drift` as in `t_interval`. Raises ValueError for fewer
    than two values, values that are not positive and finite, or a level outside (0, 1)."""
    inner = t_interval(
        logs_of(values), confidence_level=confidence_level, without_drift=without_drift
    )
    point, low, high = map(math.exp, (inner.point, inner.low, inner.high))
    return replace(inner, point=point, low=low, high=high, method="t on logs of per-trial values")


def t_interval(
    values: ArrayLike, *, confidence_level: float, without_drift: bool = False
) -> Interval:
    """Student's t interval for the mean of `values`, one value per trial. Exact for independent
    normal values (Student 1908). With `without_drift` the values are in the order of their rounds,
    and from `DRIFT_ROUNDS` on a straight drift is taken out of their spread (not of the mean), for
    a known slope is no uncertainty. Raises ValueError as `log_t_interval`."""
    data = _checked(values)
    mean = float(np.mean(data))
    spread, degrees = _spread(data, without_drift=without_drift)
    reach = t_quantile((1 + confidence_level) / 2, degrees)
    half, method = reach * spread / math.sqrt(data.size), "t on per-trial values"
    return Interval(
        confidence_level, data.size, method, point=mean, low=mean - half, high=mean + half
    )


def mean_share_interval(
    values: ArrayLike, *, confidence_level: float, without_drift: bool = False
) -> Interval:
    """The interval of the mean of shares, within 0 and 1: the exact binomial limits at the number
    of independent looks that leaves as much open as `t_interval` (Korn & Graubard, Survey
    Methodology 24, 1998, 193-201). Arguments and errors as there."""
    plain = t_interval(values, confidence_level=confidence_level, without_drift=without_drift)
    half, share = max(plain.high - plain.point, 1e-6), plain.point
    if not 0 < share < 1:
        return plain
    looks = share * (1 - share) * (float(special.ndtri((1 + confidence_level) / 2)) / half) ** 2
    low, high = share_limits(share * looks, looks, confidence_level=confidence_level)
    method = "binomial limits at the effective number of per-trial shares"
    return replace(plain, low=low, high=high, method=method)


def log_median_interval(values: ArrayLike, *, confidence_level: float) -> Interval:
    """The interval of the median of positive `values`, made on their logs. Between order
    statistics, interpolated to the level (Hettmansperger & Sheather, Statistics & Probability
    Letters 4, 1986, 75-79); where so few values cannot reach it, t on their logs, widened to hold
    the median. Raises ValueError as `log_t_interval`."""
    logs = np.sort(logs_of(values))
    count, point = logs.size, float(np.median(logs))
    # The chance that the median lies between the k-th value from either end, k = 1, 2, …
    chances = 1 - 2 * special.bdtr(np.arange(count // 2 + 1), count, 0.5)
    k = int(np.count_nonzero(chances >= confidence_level))
    if k == 0:
        around = t_interval(logs, confidence_level=confidence_level)
        low, high = min(around.low, point), max(around.high, point)
    else:
        part = (chances[k - 1] - confidence_level) / (chances[k - 1] - chances[k])
        inwards = (count - k) * part / (k + (count - 2 * k) * part)
        low = float((1 - inwards) * logs[k - 1] + inwards * logs[k])
        high = float((1 - inwards) * logs[count - k] + inwards * logs[count - k - 1])
    method = "order statistics of the median" if k else "t on logs, widened to the median"
    point, low, high = map(math.exp, (point, low, high))
    return Interval(confidence_level, count, method, point=point, low=low, high=high)


def count_median_limits(
    values: ArrayLike, *, confidence_level: float
) -> tuple[float, float] | None:
    """Order statistics about the median of whole numbers, whatever their distribution (Conover,
    Practical Nonparametric Statistics, 3rd ed. 1999, section 3.2); None where so few values cannot
    reach the level (below 6 for 95 %)."""
    ordered = np.sort(_checked(values))
    count = ordered.size
    chances = 1 - 2 * special.bdtr(np.arange(count // 2 + 1), count, 0.5)
    k = int(np.count_nonzero(chances >= confidence_level))
    return (float(ordered[k - 1]), float(ordered[count - k])) if k else None


def _spread(data: Floats, *, without_drift: bool) -> tuple[float, int]:
    """The sd between trials and its degrees of freedom."""
    centred = data - data.mean()
    degrees = data.size - 1
    if without_drift and data.size >= DRIFT_ROUNDS:
        place = np.arange(data.size) - (data.size - 1) / 2
        centred = centred - float(place @ centred) / float(place @ place) * place
        degrees -= 1
    return math.sqrt(float(centred @ centred) / degrees), degrees


@lru_cache(maxsize=4096)  # a report asks for the same few of them thousands of times
def t_quantile(probability: float, degrees: float) -> float:
    """The quantile of Student's t distribution with so many degrees of freedom."""
    return float(special.stdtrit(degrees, probability))


def t_reach(count: int, *, confidence_level: float) -> float:
    """Standard errors from the mean to a two-sided t limit with `count` values."""
    return t_quantile((1 + confidence_level) / 2, count - 1)


def check_level(confidence_level: float) -> None:
    """Raise ValueError unless the level lies strictly between 0 and 1."""
    if not 0 < confidence_level < 1:
        raise ValueError(f"confidence_level must lie between 0 and 1, not {confidence_level}")


def logs_of(values: ArrayLike) -> Floats:
    """Logarithms of values to be compared as ratios. Raises ValueError as `log_t_interval`."""
    data = _checked(values)
    if (data <= 0).any():
        raise ValueError("values must be positive to be compared as ratios")
    return np.log(data)


def _checked(values: ArrayLike) -> Floats:
    data = np.asarray(values, dtype=np.float64)
    if data.ndim != 1 or data.size < 2:
        raise ValueError(f"two values or more are needed in a row, not shape {data.shape}")
    if not np.isfinite(data).all():
        raise ValueError("values must be finite")
    return data


def share_interval(successes: int, count: int, *, confidence_level: float) -> Interval:
    """The exact interval of a share (Clopper & Pearson, Biometrika 26, 1934, 404-413). Never covers
    less than `confidence_level`. Raises ValueError for impossible counts or levels."""
    if count < 1 or not 0 <= successes <= count:
        raise ValueError(f"{successes} of {count} is not a share")
    low, high = share_limits(successes, count, confidence_level=confidence_level)
    share, method = successes / count, "exact binomial"
    return Interval(confidence_level, count, method, point=share, low=low, high=high)


def share_limits(successes: float, count: float, *, confidence_level: float) -> tuple[float, float]:
    """Clopper-Pearson limits by the beta distribution; counts need not be whole numbers, as
    effective sample sizes are not (Korn & Graubard, Survey Methodology 24, 1998, 193-201)."""
    tail = (1 - confidence_level) / 2
    failures = count - successes
    low = special.betaincinv(successes, failures + 1, tail) if successes > 0 else 0.0
    high = special.betaincinv(successes + 1, failures, 1 - tail) if failures > 0 else 1.0
    return float(low), float(high)
