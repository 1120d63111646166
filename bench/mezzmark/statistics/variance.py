"""Where the spread of a cell comes from, and how to spend the next run's time on it.

One-way random effects on logarithms: a sample is the cell's level + an effect of its trial + its
own deviation. The components are the analysis-of-variance estimates (Searle, Casella & McCulloch,
Variance Components, 1992, chapter 3), the plan that of Kalibera & Jones, "Rigorous benchmarking
in reasonable time", ISMM 2013, section 5.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy import stats

MAXIMUM_SAMPLES: Final = 10_000
"""Samples a trial that a plan may ask for at most; the scenario allows more but it helps nobody."""


@dataclass(frozen=True, slots=True, kw_only=True)
class VarianceComponents:
    """Variances of logarithms between trials and within them; `samples_per_trial` is the mean."""

    between: float
    within: float
    trial_count: int
    samples_per_trial: float

    @property
    def between_fraction(self) -> float:
        """The share of the variance of the cell's mean that more samples a trial cannot lower."""
        sampling = self.within / self.samples_per_trial
        total = self.between + sampling
        return self.between / total if total > 0 else 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class SamplingPlan:
    """What the next run should do: how many trials, of how many samples, and what it takes."""

    trial_count: int
    samples_per_trial: int
    duration_s: float


def estimate_components(trials: Sequence[NDArray[np.float64]]) -> VarianceComponents:
    """From latencies, one array a trial. The estimate between trials is cut at 0.

    Raises ValueError for fewer than two trials, no trial with two samples, or values ≤ 0.
    """
    logs = [np.log(trial) for trial in trials if trial.size]
    if any(not np.isfinite(log).all() for log in logs):
        raise ValueError("values must be positive and finite")
    counts = np.array([log.size for log in logs], dtype=np.float64)
    total = counts.sum()
    if counts.size < 2 or total <= counts.size:
        raise ValueError("variance components need two trials and two samples in one of them")
    means = np.array([log.mean() for log in logs])
    grand = float((counts * means).sum() / total)
    within = sum(float(((log - m) ** 2).sum()) for log, m in zip(logs, means, strict=True))
    within /= float(total - counts.size)
    between_square = float((counts * (means - grand) ** 2).sum()) / (counts.size - 1)
    typical = float(total - (counts**2).sum() / total) / (counts.size - 1)
    return VarianceComponents(
        between=max(0.0, (between_square - within) / typical),
        within=within,
        trial_count=int(counts.size),
        samples_per_trial=float(total / counts.size),
    )


def plan_sampling(
    components: VarianceComponents,
    *,
    trial_cost_s: float,
    sample_cost_s: float,
    half_width_fraction: float,
    confidence_level: float,
) -> SamplingPlan:
    """The cheapest run whose interval of the mean log is expected within ±`half_width_fraction`.

    Samples a trial: √(cost of a start / cost of a sample × within / between), Kalibera & Jones's
    optimum; then as many trials as the width needs. With no spread between trials, one start
    would be enough for the spread, and the samples are capped instead.
    """
    ratio = trial_cost_s / sample_cost_s * components.within
    best = math.sqrt(ratio / components.between) if components.between > 0 else math.inf
    samples = int(min(max(1.0, round(best) if math.isfinite(best) else math.inf), MAXIMUM_SAMPLES))
    trial_sd = math.sqrt(components.between + components.within / samples)
    trials = _trials_for(trial_sd, math.log1p(half_width_fraction), confidence_level)
    return SamplingPlan(
        trial_count=trials,
        samples_per_trial=samples,
        duration_s=trials * (trial_cost_s + samples * sample_cost_s),
    )


def _trials_for(trial_sd: float, target: float, confidence_level: float) -> int:
    trials = 2
    upper = (1 + confidence_level) / 2
    while float(stats.t.ppf(upper, trials - 1)) * trial_sd / math.sqrt(trials) > target:
        trials += 1
    return trials
