"""How much more the candidate costs than the baseline, as a ratio, and how sure that is.

Costs are compared on the log scale: a change of +5 % is log(1.05). The unit is the round where
both sides share one, the run where several runs stand on a side; never the sample. Over many cells
the chance of any false verdict is kept at the stated level by adjusting their p-values.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import special

from mezzmark.statistics.intervals import Interval, logs_of, t_quantile


@dataclass(frozen=True, slots=True, kw_only=True)
class Change:
    """The mean log cost ratio candidate / baseline, its standard error and degrees of freedom.

    `count` is the number of units behind it: pairs of rounds, rounds of the smaller side, or runs.
    """

    log_ratio: float
    standard_error: float
    degrees: float
    count: int
    method: str

    def interval(self, *, confidence_level: float) -> Interval:
        """The cost ratio with its t interval (1.0 = same, above is worse)."""
        half = t_quantile((1 + confidence_level) / 2, self.degrees) * self.standard_error
        return Interval(
            point=math.exp(self.log_ratio),
            low=math.exp(self.log_ratio - half),
            high=math.exp(self.log_ratio + half),
            confidence_level=confidence_level,
            count=self.count,
            method=self.method,
        )

    def p_above(self, log_margin: float = 0.0) -> float:
        """One-sided p-value of the claim that the true log ratio lies above `log_margin`."""
        return self._upper_tail(self.log_ratio - log_margin)

    def p_below(self, log_margin: float = 0.0) -> float:
        """One-sided p-value of the claim that the true log ratio lies below `log_margin`."""
        return self._upper_tail(log_margin - self.log_ratio)

    def p_equivalent(self, tolerance_fraction: float) -> float:
        """p-value of two one-sided tests: the cost ratio lies within 1/(1+tol) to 1+tol.

        Schuirmann, Journal of Pharmacokinetics and Biopharmaceutics 15, 1987, 657-680.
        """
        margin = log_margin(tolerance_fraction)
        return max(self.p_above(-margin), self.p_below(margin))

    def _upper_tail(self, excess: float) -> float:
        if self.standard_error > 0:
            return float(special.stdtr(self.degrees, -excess / self.standard_error))
        return 0.0 if excess > 0 else 1.0


def log_margin(tolerance_fraction: float) -> float:
    """log(1 + tolerance): as far up as its negative is down. Raises ValueError unless positive."""
    if not tolerance_fraction > 0:
        raise ValueError(f"tolerance_fraction must be positive, not {tolerance_fraction}")
    return math.log1p(tolerance_fraction)


def paired_change(baseline: ArrayLike, candidate: ArrayLike) -> Change:
    """From costs of both sides in the same rounds, in the same order.

    What a round's requests and its moment do to both sides cancels. Raises ValueError for fewer
    than two pairs, sides of unequal length, or costs that are not positive.
    """
    first, second = logs_of(baseline), logs_of(candidate)
    if first.size != second.size:
        raise ValueError(f"{first.size} baseline rounds cannot pair with {second.size}")
    differences = second - first
    return Change(
        log_ratio=float(differences.mean()),
        standard_error=float(differences.std(ddof=1)) / math.sqrt(differences.size),
        degrees=differences.size - 1,
        count=differences.size,
        method="t on log ratios paired by round",
    )


def unpaired_change(baseline: ArrayLike, candidate: ArrayLike) -> Change:
    """From costs of two sides that share no rounds, variances unequal.

    Welch, Biometrika 34, 1947, 28-35. Raises ValueError as `paired_change`.
    """
    first, second = logs_of(baseline), logs_of(candidate)
    sizes = np.array([first.size, second.size])
    parts = np.array([first.var(ddof=1), second.var(ddof=1)]) / sizes
    variance, squares = float(parts.sum()), float((parts**2 / (sizes - 1)).sum())
    return Change(
        log_ratio=float(second.mean() - first.mean()),
        standard_error=math.sqrt(variance),
        degrees=variance**2 / squares if squares > 0 else float((sizes - 1).sum()),
        count=int(sizes.min()),
        method="t on logs, unequal variances",
    )


def run_level_change(
    baseline_runs: Sequence[ArrayLike], candidate_runs: Sequence[ArrayLike]
) -> Change:
    """From several runs a side, each given as its rounds' costs: the run is the unit.

    What differs between days and reboots differs between runs, so the spread of whole-run means
    is the yardstick; it is taken as equal on both sides, since one side is often a single run.
    Raises ValueError unless there are at least three runs and one on each side.
    """
    first = np.array([logs_of(run).mean() for run in baseline_runs])
    second = np.array([logs_of(run).mean() for run in candidate_runs])
    degrees = first.size + second.size - 2
    if not first.size or not second.size or degrees < 1:
        raise ValueError("the spread between runs needs three runs, at least one on each side")
    squares = float(((first - first.mean()) ** 2).sum() + ((second - second.mean()) ** 2).sum())
    return Change(
        log_ratio=float(second.mean() - first.mean()),
        standard_error=math.sqrt(squares / degrees * (1 / first.size + 1 / second.size)),
        degrees=degrees,
        count=int(first.size + second.size),
        method="t on logs of whole runs",
    )


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
