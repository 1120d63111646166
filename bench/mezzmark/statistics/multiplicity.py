"""Many cells, one promise: the chance of any false verdict stays at the stated level."""

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray


def holm_adjusted(p_values: Sequence[float]) -> NDArray[np.float64]:
    """Holm's adjusted p-values, in the order given; reject where they are at most the level.

    Holds the family-wise error whatever the dependence between the tests (Holm, Scandinavian
    Journal of Statistics 6, 1979, 65-70). Raises ValueError for anything outside 0 to 1.
    """
    values = np.asarray(p_values, dtype=np.float64)
    if not ((values >= 0) & (values <= 1)).all():
        raise ValueError("p-values lie between 0 and 1")
    order = np.argsort(values, kind="stable")
    steps = values[order] * np.arange(values.size, 0, -1)
    adjusted = np.empty_like(values)
    adjusted[order] = np.minimum(np.maximum.accumulate(steps), 1.0)
    return adjusted
