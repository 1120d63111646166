"""Where a series of run means stepped to another level, and how surely.

Binary segmentation (Scott & Knott, Biometrics 30, 1974, 507-512): the split into two levels that
fits best is tested; where it holds, both parts are split again in the same way. The test is the
greatest of the t statistics of all places, for a shift of unknown place, size and variance
(Worsley, Journal of the American Statistical Association 74, 1979, 365-367); its p-value is bounded
by the sum over the places (Bonferroni), which needs no simulation and is never too small for
independent normal errors.

A value is weighted by 1 / (standard error² + variance between runs). The errors are those inside a
run; what differs between days, reboots and neighbours is estimated from the series itself. The
scale of both is estimated from the residuals, and never taken as less than the runs' own errors.

    value │ ● ● ●                    one change, between the third run and the fourth
          │       ● ● ● ●
          └─────────────── runs in the order they were made

A step up that is soon taken back is found less often than a lasting one, since one split fits it
badly; a slow drift comes out as one or more steps.
"""

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import special

FEWEST_VALUES: Final = 3
"""Two levels and a spread cannot be told from two values."""

_CHI_SQUARE_MEDIAN: Final = 0.45493642311957283
"""Median of chi-square with one degree of freedom: makes a median of squares a variance."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ChangePoint:
    """A step between value `index` - 1 and value `index` (from 0).

    `change` is the level after less the level before, in the unit of the values, with its standard
    error and degrees of freedom. `p_value` is that of the split that found it, for "no change
    anywhere in this part", multiplied by the number of parts tested at that depth.
    """

    index: int
    change: float
    standard_error: float
    degrees: int
    p_value: float

    def limits(self, *, confidence_level: float) -> tuple[float, float]:
        """Limits of the change by Student's t; they take the place of the step as known."""
        reach = float(special.stdtrit(self.degrees, (1 + confidence_level) / 2))
        half = reach * self.standard_error
        return self.change - half, self.change + half


@dataclass(frozen=True, slots=True)
class _Split:
    index: int
    p_value: float


def find_change_points(
    values: ArrayLike, standard_errors: ArrayLike, *, error_level: float
) -> tuple[ChangePoint, ...]:
    """All steps of the series whose p-value is at most `error_level`, in order.

    With no change anywhere, any step is claimed in at most that share of series. Raises ValueError
    for arrays of unequal length, values that are not finite, negative errors, or a level outside
    0 to 1.
    """
    series, errors = _checked(values, standard_errors)
    if not 0 < error_level < 1:
        raise ValueError(f"error_level must lie between 0 and 1, not {error_level}")
    weights = _weights(series, errors)
    splits = sorted(_segment(series, errors, weights, error_level), key=lambda split: split.index)
    return _measured(series, errors, weights, splits)


def change_p_value(values: ArrayLike, standard_errors: ArrayLike) -> float:
    """The p-value of "no change anywhere in this series"; 1 for fewer than three values."""
    series, errors = _checked(values, standard_errors)
    split = _best_split(series, errors, _weights(series, errors))
    return 1.0 if split is None else split.p_value


def between_run_variance(values: ArrayLike, standard_errors: ArrayLike) -> float:
    """What neighbouring values differ beyond their errors, as a variance; 0 where they do not.

    From squared differences of neighbours, since a step spoils only one of them (von Neumann et
    al., Annals of Mathematical Statistics 12, 1941, 153-162); by their median, since that one must
    not count.
    """
    series, errors = _checked(values, standard_errors)
    if series.size < FEWEST_VALUES:
        return 0.0
    squares = np.diff(series) ** 2
    whole = float(np.median(squares)) / _CHI_SQUARE_MEDIAN
    own = float(np.mean(errors[1:] ** 2 + errors[:-1] ** 2))
    return max(0.0, (whole - own) / 2)


def _segment(
    series: NDArray[np.float64],
    errors: NDArray[np.float64],
    weights: NDArray[np.float64],
    error_level: float,
) -> Iterator[_Split]:
    """Splits of the whole, then of its parts; a part counts as often as there may be others."""
    parts = [(0, series.size, 1, 0.0)]
    while parts:
        start, stop, count, parent_p = parts.pop()
        inside = slice(start, stop)
        split = _best_split(series[inside], errors[inside], weights[inside])
        if split is None:
            continue
        p_value = max(parent_p, min(1.0, split.p_value * count))
        if p_value > error_level:
            continue
        middle = start + split.index
        yield _Split(middle, p_value)
        parts += [(start, middle, 2 * count, p_value), (middle, stop, 2 * count, p_value)]


def _best_split(
    series: NDArray[np.float64], errors: NDArray[np.float64], weights: NDArray[np.float64]
) -> _Split | None:
    """The place where two levels fit best, with the bound on its p-value."""
    count = series.size
    if count < FEWEST_VALUES:
        return None
    total, mass = float(weights @ series), float(weights.sum())
    before = np.cumsum(weights)[:-1]
    gaps = np.cumsum(weights * (series - total / mass))[:-1]
    gains = gaps**2 * mass / (before * (mass - before))
    index = int(np.argmax(gains)) + 1
    gain = float(gains[index - 1])
    if gain <= _rounding(series, weights):
        return None
    scale = _scale(series, errors, weights, [index])
    if scale <= 0:
        return _Split(index, 0.0)
    tail = 2 * float(special.stdtr(count - 2, -math.sqrt(gain / scale)))
    return _Split(index, min(1.0, (count - 1) * tail))


def _scale(
    series: NDArray[np.float64],
    errors: NDArray[np.float64],
    weights: NDArray[np.float64],
    starts: Sequence[int],
) -> float:
    """Weighted residual variance about the levels; at least the runs' own errors."""
    squares = 0.0
    for part, mass in zip(np.split(series, starts), np.split(weights, starts), strict=True):
        squares += float(mass @ (part - float(mass @ part) / float(mass.sum())) ** 2)
    residual = squares / (series.size - len(starts) - 1)
    if residual <= _rounding(series, weights):
        residual = 0.0
    return max(residual, float(np.mean(weights * errors**2)))


def _rounding(series: NDArray[np.float64], weights: NDArray[np.float64]) -> float:
    """Weighted squares so small that they may come from rounding alone."""
    return float(np.finfo(np.float64).eps) * float(weights @ series**2)


def _measured(
    series: NDArray[np.float64],
    errors: NDArray[np.float64],
    weights: NDArray[np.float64],
    splits: Sequence[_Split],
) -> tuple[ChangePoint, ...]:
    """Each step as the difference of the levels on its two sides, one scale for all."""
    starts = [split.index for split in splits]
    degrees = series.size - len(starts) - 1
    if not starts or degrees < 1:
        return ()
    scale = _scale(series, errors, weights, starts)
    parts = list(zip(np.split(series, starts), np.split(weights, starts), strict=True))
    levels = [(float(mass @ part) / float(mass.sum()), float(mass.sum())) for part, mass in parts]
    return tuple(
        ChangePoint(
            index=split.index,
            change=after[0] - before[0],
            standard_error=math.sqrt(scale * (1 / before[1] + 1 / after[1])),
            degrees=degrees,
            p_value=split.p_value,
        )
        for split, before, after in zip(splits, levels[:-1], levels[1:], strict=True)
    )


def _weights(series: NDArray[np.float64], errors: NDArray[np.float64]) -> NDArray[np.float64]:
    """1 / variance, up to a common factor; equal where nothing is known of any.

    No error counts as smaller than their median: six rounds that agree by luck would else outweigh
    all other runs, and raise false alarms.
    """
    typical = float(np.median(errors)) if errors.size else 0.0
    variances = np.maximum(errors, typical) ** 2 + between_run_variance(series, errors)
    if not (variances > 0).all():
        return np.ones_like(series)
    return np.asarray(1 / variances, dtype=np.float64)


def _checked(
    values: ArrayLike, standard_errors: ArrayLike
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    series = np.asarray(values, dtype=np.float64)
    errors = np.asarray(standard_errors, dtype=np.float64)
    if series.ndim != 1 or series.shape != errors.shape:
        raise ValueError("values and standard_errors must be one-dimensional and equally long")
    if not (np.isfinite(series).all() and np.isfinite(errors).all()):
        raise ValueError("values and standard errors must be finite")
    if (errors < 0).any():
        raise ValueError("standard errors cannot be negative")
    return series, errors
