"""Where the spread of a cell comes from, and how to spend the next run's time on it.

One-way random effects on logarithms: a sample is the cell's level + an effect of its trial + its
own deviation. The components are the analysis-of-variance estimates (Searle, Casella & McCulloch,
Variance Components, 1992, chapter 3), the plan that of Kalibera & Jones, "Rigorous benchmarking
in reasonable time", ISMM 2013, section 5. Beside it variances of runs, moderated over cells.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy import optimize, special

from mezzmark.statistics.power import rounds_for_width

MAXIMUM_SAMPLES: Final = 10_000
"""Samples a trial that a plan may ask for at most; the scenario allows more but it helps nobody."""


@dataclass(frozen=True, slots=True, kw_only=True)
class VarianceComponents:
    """Variances of logarithms between trials and within them; `samples_per_trial` is the mean."""

    between: float
    within: float
    samples_per_trial: float

    @property
    def between_fraction(self) -> float:
        """The share of the variance of the cell's mean that more samples a trial cannot lower."""
        sampling = self.within / self.samples_per_trial
        total = self.between + sampling
        return self.between / total if total > 0 else 0.0


def estimate_components(trials: Sequence[NDArray[np.float64]]) -> VarianceComponents:
    """From latencies, one array a trial. The estimate between trials is cut at 0.

    Raises ValueError for fewer than two trials, no trial with two samples, or values ≤ 0.
    """
    counts = np.array([trial.size for trial in trials], dtype=np.float64)
    total = counts.sum()
    means, squares = np.empty(counts.size), np.empty(counts.size)
    for mine in (np.flatnonzero(counts == size) for size in np.unique(counts)):
        logs = np.log(np.stack([trials[place] for place in mine.tolist()]))
        means[mine] = logs.mean(axis=1)
        squares[mine] = ((logs - means[mine, None]) ** 2).sum(axis=1)
    if counts.size < 2 or total <= counts.size or not np.isfinite(means).all():
        raise ValueError("components need positive values of two trials, two of them in one trial")
    grand = float((counts * means).sum() / total)
    within = sum(squares.tolist()) / float(total - counts.size)
    between_square = float((counts * (means - grand) ** 2).sum()) / (counts.size - 1)
    typical = float(total - (counts**2).sum() / total) / (counts.size - 1)
    return VarianceComponents(
        between=max(0.0, (between_square - within) / typical),
        within=within,
        samples_per_trial=float(counts.mean()),
    )


def plan_sampling(
    components: VarianceComponents,
    *,
    trial_cost_s: float,
    sample_cost_s: float,
    half_width_fraction: float,
    confidence_level: float,
) -> tuple[int | None, int]:
    """Trials, and samples in each, of the cheapest run whose interval of the mean log is expected
    within ±`half_width_fraction`.

    Samples a trial: √(cost of a start / cost of a sample × within / between), Kalibera & Jones's
    optimum; then as many trials as the width needs. With no spread between trials, one start
    would be enough for the spread, and the samples are capped instead.
    """
    ratio = trial_cost_s / sample_cost_s * components.within
    samples = MAXIMUM_SAMPLES
    if components.between > 0:
        samples = min(max(1, round(math.sqrt(ratio / components.between))), MAXIMUM_SAMPLES)
    trials = rounds_for_width(
        half_width_fraction,
        round_sd=math.sqrt(components.between + components.within / samples),
        confidence_level=confidence_level,
    )
    return trials, samples


FEWEST_TO_SPLIT: Final = 8
"""Fewer values fall into two groups too often by chance."""

LEAST_APART: Final = math.log(1.1)
"""Two levels closer than a tenth are one to everybody."""


def split_in_two(logs: NDArray[np.float64]) -> int:
    """How many of the values, in rising order, make the lower one of two groups, cut where the gap
    is widest and a fifth lie on either side; 0 where they are not surely of two kinds.

    How many standard deviations within them they must lie apart is found by simulation: of 8 to 30
    values of one kind, 3 % are split where normal or of heavy tails.
    """
    few = max(2, math.ceil(logs.size / 5))
    if logs.size < FEWEST_TO_SPLIT:
        return 0
    at = few + int(np.argmax(np.diff(logs)[few - 1 : logs.size - few]))
    low, high = logs[:at], logs[at:]
    apart = float(high.mean() - low.mean())
    spread = math.sqrt(float(low.var() * low.size + high.var() * high.size) / (logs.size - 2))
    return at if apart >= max(LEAST_APART, (3.4 + 20 / logs.size) * spread) else 0


SMALLEST_EXCESS: Final = 1e-6
"""Spread of logs of variances below which millions of degrees of freedom stand behind a mean."""


def moderate_variances(
    variances: NDArray[np.float64], degrees: float
) -> tuple[NDArray[np.float64], float]:
    """Variances of kindred cells, each with so many degrees of freedom, drawn towards what they
    have in common; and the degrees of freedom that they then have.

    The common value and its weight are estimated from the spread of their logs (Smyth, Statistical
    Applications in Genetics and Molecular Biology 3(1), 2004, article 3, sections 4 and 6.2). Where
    they spread no more than by chance all are their mean. There are never more degrees of freedom
    than all together have.
    """
    whole = degrees * variances.size
    if variances.size < 2 or not (variances > 0).all():
        return variances, degrees
    logs = np.log(variances) - special.digamma(degrees / 2) + math.log(degrees / 2)
    excess = float(logs.var(ddof=1)) - float(special.polygamma(1, degrees / 2))
    if excess <= SMALLEST_EXCESS:
        return np.full_like(variances, variances.mean()), whole
    prior = 2 * _inverse_trigamma(excess)
    common = math.exp(float(logs.mean()) + special.digamma(prior / 2) - math.log(prior / 2))
    moderated = (prior * common + degrees * variances) / (prior + degrees)
    return moderated, min(whole, prior + degrees)


def _inverse_trigamma(value: float) -> float:
    """Where the trigamma function, which falls from 0 on, has this value."""
    return float(optimize.brentq(lambda x: special.polygamma(1, x) - value, 1e-6, 1e9))
