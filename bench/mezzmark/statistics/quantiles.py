"""Quantiles of samples by one stated definition.

Hyndman & Fan's type 8 (The American Statistician 50(4), 1996, 361-365): median-unbiased whatever
the distribution, and the authors' own recommendation; numpy calls it "median_unbiased"."""

import numpy as np
from numpy.typing import ArrayLike, NDArray


def quantile(values: ArrayLike, probability: float) -> float:
    """The type 8 quantile of all `values`, in their unit. Raises ValueError for no values."""
    data = np.asarray(values, dtype=np.float64)
    if data.size == 0:
        raise ValueError("a quantile needs at least one value")
    return sorted_quantile(np.sort(data, axis=None), probability)


def sorted_quantile(ordered: NDArray[np.float64], probability: float) -> float:
    """As `quantile`, for values already in ascending order: no second sort of a million samples.
    Type 8 puts the p-quantile at the (n + 1/3) p + 1/3-th smallest value, between neighbours by
    straight line, and at the ends at the smallest or largest value."""
    if not 0 <= probability <= 1:
        raise ValueError(f"probability must lie between 0 and 1, not {probability}")
    count = ordered.size
    position = (count + 1 / 3) * probability + 1 / 3
    position = min(max(position, 1.0), float(count))
    below = int(position)
    share = position - below
    low: float = ordered.item(below - 1)
    if share == 0:
        return low
    return low + share * (ordered.item(below) - low)
