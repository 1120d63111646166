"""Intervals of tail quantiles (p95, p99) over trials, or the reason why there is none.

Samples of one trial are alike, so a trial counts as one cluster. The share of samples at or below
the quantile is a mean over clusters, whose variance the clusters themselves tell; it is turned
into an effective sample size, the exact binomial interval of the share is taken at that size
(Korn & Graubard, Survey Methodology 24, 1998, 193-201), and its ends are read off the pooled
samples (Woodruff, JASA 47, 1952, 635-646). Resampling trials (percentile and BCa bootstrap) and
the jackknife cover 70 to 92 % where this covers 92 % and more: see the table that
`tests/simulation/coverage_tables.py` makes.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy import special

from mezzmark.statistics.intervals import Interval, check_level, share_limits, t_quantile
from mezzmark.statistics.quantiles import sorted_quantile

MINIMUM_TRIALS: Final = 5
"""Below five trials the spread between them is too uncertain to size the sample by."""

MINIMUM_EXCEEDANCES: Final = 20
"""Samples expected beyond the quantile (400 samples for p95, 2,000 for p99). From here on all
six simulated worlds keep at least 92 %; at 12 the lingering load falls to 89 %. The rule looks at
the design only: to withhold by what was measured would show the lucky runs alone."""


STRATIFIED_GAIN: Final = 2.0
"""So many times their number stratified samples may count for. Held at 1 the intervals cover up to
100 %, at 2 they cover 96 to 99; beyond that they hardly become narrower, while the chance agreement
of a few trials would count for ever more (`tests/simulation/design_coverage.py`)."""


WITHIN_TRIAL_FLOOR: Final = 0.022
"""The least correlation of two moves of one trial that a claim about a share reckons with. Ten
trials of 24 moves cannot show that one trial in five is bad: without a floor 13 of 100 false claims
"met", with it 10, and with 1 % slow moves 90 of 100 are still called met
(`tests/simulation/need_rates.py`)."""

CLAIM_TRIALS: Final = 10
"""Trials from which a share is called met or missed."""


@dataclass(frozen=True, slots=True, kw_only=True)
class TailEstimate:
    """A quantile over all samples of all trials.

    `interval` is None where `missing_trials` more of them are needed, or (if not 0)
    `samples_a_trial` in those there are; and where the slow samples crowd into few trials
    (`is_clustered`), so that the limit lies beyond the slowest sample.
    """

    point: float
    interval: Interval | None
    missing_trials: int = 0
    samples_a_trial: int = 0
    is_clustered: bool = False


def estimate_tail(
    trials: Sequence[NDArray[np.float64]],
    probability: float,
    *,
    confidence_level: float,
    is_stratified: bool = False,
) -> TailEstimate:
    """The quantile of all samples, one array of samples per trial, with its interval over trials;
    `is_stratified`: those of a trial were drawn together, as `jump` draws its targets.

    Raises ValueError without a sample, or for a level or probability outside (0, 1).
    """
    check_level(confidence_level)
    check_level(probability)
    filled = [trial for trial in trials if trial.size]
    pooled = np.sort(np.concatenate(filled))
    point = sorted_quantile(pooled, probability)
    counts = np.array([trial.size for trial in filled], dtype=np.float64)
    if lacking := _lacking([trial.size for trial in filled], probability):
        missing, per_trial = lacking
        return TailEstimate(
            point=point, interval=None, missing_trials=missing, samples_a_trial=per_trial
        )
    at_or_below = np.array([np.count_nonzero(trial <= point) for trial in filled])
    most = STRATIFIED_GAIN if is_stratified else 1.0
    effective = effective_count(at_or_below, counts, confidence_level=confidence_level, most=most)
    low, high = share_limits(probability * effective, effective, confidence_level=confidence_level)
    low_rank, high_rank = math.floor(low * pooled.size), math.ceil(high * pooled.size) + 1
    if low_rank < 1 or high_rank > pooled.size:
        return TailEstimate(point=point, interval=None, is_clustered=True)
    interval = Interval(
        point=point,
        low=float(pooled[low_rank - 1]),
        high=float(pooled[high_rank - 1]),
        confidence_level=confidence_level,
        count=len(filled),
        method="binomial limits at the trials' effective sample size",
    )
    return TailEstimate(point=point, interval=interval)


def effective_count(
    at_or_below: NDArray[np.int_],
    counts: NDArray[np.float64],
    *,
    confidence_level: float,
    most: float = 1.0,
) -> float:
    """Independent samples that would tell the share as well as these clusters do.

    `at_or_below` holds how many of each trial's `counts` samples lie at or below the quantile.
    The share is a ratio of sums, its variance by linearisation (Cochran, Sampling Techniques, 3rd
    ed. 1977, section 2.11); never more than `most` times the samples there are; the fewer trials,
    the smaller, by the ratio of t limits as Korn & Graubard have it.
    """
    trials, total = counts.size, float(counts.sum())
    share = float(at_or_below.sum()) / total
    residuals = (at_or_below - share * counts) / (total / trials)
    variance = float(np.sum(residuals**2)) / (trials - 1) / trials
    return independent_count(
        share, variance, total, trials, confidence_level=confidence_level, most=most
    )


def independent_count(
    share: float,
    variance: float,
    total: float,
    trials: int,
    *,
    confidence_level: float,
    most: float = 1.0,
) -> float:
    """Independent samples whose share would vary by `variance`, at most `most` times the `total`;
    the fewer trials tell the variance, the smaller."""
    binomial_variance, ceiling = share * (1 - share), most * total
    is_beyond = variance * ceiling <= binomial_variance
    independent = ceiling if is_beyond else binomial_variance / variance
    upper = (1 + confidence_level) / 2
    few = t_quantile(upper, total - 1) / t_quantile(upper, trials - 1)
    return independent * few**2


@dataclass(frozen=True, slots=True, kw_only=True)
class ShareClaim:
    """A share of moves against the share wanted. The p-values are of the claims that it is at
    least, and that it is less than wanted (one-sided Clopper-Pearson), and reckon with the worst:
    `WITHIN_TRIAL_FLOOR`, and trials too few to tell how alike their moves are. `effective`
    independent moves, without that, are what a chance is best told by."""

    share: float
    effective: float
    p_met: float
    p_missed: float


def claim_share(
    inside: NDArray[np.int_], counts: NDArray[np.float64], wanted: float, *, confidence_level: float
) -> ShareClaim:
    """Whether a share of at least `wanted` of all moves lies within a limit, of which each trial
    had `inside` among its `counts`; at least two trials."""
    total, level = float(counts.sum()), 2 * confidence_level - 1
    floor = 1 + (total / counts.size - 1) * WITHIN_TRIAL_FLOOR
    sure = effective_count(inside, counts, confidence_level=level, most=1 / floor)
    few = t_quantile(confidence_level, total - 1) / t_quantile(confidence_level, counts.size - 1)
    share = float(inside.sum()) / total
    within = share * sure
    return ShareClaim(
        share=share,
        effective=effective_count(inside, counts, confidence_level=level) / few**2,
        p_met=float(special.betainc(within, sure - within + 1, wanted)) if within else 1.0,
        p_missed=float(special.betaincc(within + 1, sure - within, wanted)) if share < 1 else 1.0,
    )


def draw_tail(
    pooled: NDArray[np.float64], probability: float, effective: float, levels: NDArray[np.float64]
) -> NDArray[np.float64]:
    """What the quantile of all moves may be, one value for each of `levels` (uniform on 0 to 1):
    sorted `pooled` moves, infinite beyond them. The share at or below a value is a Beta of
    Jeffreys' prior at the effective count."""
    within = np.arange(1, pooled.size + 1) / pooled.size * effective
    below = special.betainc(within + 0.5, effective - within + 0.5, probability)
    place = np.searchsorted(-below, -levels, side="left")
    return np.append(pooled, np.inf)[place]


def samples_needed(probability: float) -> int:
    """Samples in all trials together from which a tail has an interval: 400 for p95."""
    return math.ceil(round(MINIMUM_EXCEEDANCES / min(probability, 1 - probability), 6))


def _lacking(sizes: Sequence[int], probability: float) -> tuple[int, int] | None:
    """How many more trials the design needs, of the size of the largest, and the samples in each of
    those there are that would do instead (0 where none would); None where it has enough."""
    trials, samples = len(sizes), sum(sizes)
    needed = samples_needed(probability)
    missing = max(MINIMUM_TRIALS - trials, math.ceil((needed - samples) / max(sizes)))
    if missing <= 0:
        return None
    is_enough_trials = samples < needed and trials >= MINIMUM_TRIALS
    return missing, math.ceil(needed / trials) if is_enough_trials else 0
