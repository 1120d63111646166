"""Intervals of quantiles (p95, p99) and shares of moves over rounds and clips, or the reason why
there is none.

Samples of one trial are alike, so a round counts as one cluster. The share of samples at or below
a limit is a mean over clusters, whose variance the clusters themselves tell; it is turned into an
effective sample size, the exact binomial interval of the share is taken at that size (Korn &
Graubard, Survey Methodology 24, 1998, 193-201), and for a quantile its ends are read off the pooled
samples (Woodruff, JASA 47, 1952, 635-646). Over several clips a move weighs its clip's share over
the moves that the clip had, so that a clip counts its share however many that was; the round with
all its clips is the cluster, and the sample size is Kish's effective one (Survey Sampling, 1965:
the square of the sum of the weights over the sum of their squares). Resampling trials (percentile
and BCa bootstrap) and the jackknife cover 70 to 92 % where this covers 92 % and more: see the table
that `tests/simulation/coverage_tables.py` makes."""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy import special

from mezzmark.statistics.intervals import Floats, Interval, check_level, share_limits, t_quantile
from mezzmark.statistics.quantiles import sorted_quantile

MINIMUM_TRIALS: Final = 5
"""Below five trials the spread between them is too uncertain to size the sample by."""

MINIMUM_MEDIAN_TRIALS: Final = 3  # For a median, as for any figure of the middle

MINIMUM_EXCEEDANCES: Final = 20
"""Samples expected beyond the quantile (400 samples for p95, 2,000 for p99). From here on all
six simulated worlds keep at least 92 %; at 12 the lingering load falls to 89 %. The rule looks at
the design only: to withhold by what was measured would show the lucky runs alone."""

STRATIFIED_GAIN: Final = 2.0
"""So many times their number stratified samples may count for. Held at 1 the intervals cover up to
100 %, at 2 they cover 96 to 99; beyond that they hardly become narrower, while the chance agreement
of a few trials would count for ever more (`tests/simulation/design_coverage.py`)."""


class Samples:
    """The samples of clips with these shares, from an array for each round of each clip, the rounds
    of all clips in one order. `of_clips` has those of a clip, `sizes` their number by clip and
    round; ValueError where a clip has no round."""

    def __init__(self, clips: Sequence[Sequence[Floats]], shares: Sequence[float]) -> None:
        self.shares = shares
        self.of_clips = [np.concatenate(rounds) for rounds in clips]
        self.sizes = np.array([[one.size for one in rounds] for rounds in clips], dtype=float)

    def within(self, limit: float) -> Floats:
        """How many lie at or below the limit, by clip and round."""
        ends = self.sizes.cumsum(axis=1).astype(int)
        reached = [np.append(0, np.cumsum(values <= limit)) for values in self.of_clips]
        of_rounds = [np.diff(up[at], prepend=0) for up, at in zip(reached, ends, strict=True)]
        return np.array(of_rounds, dtype=float)

    @cached_property
    def pooled(self) -> tuple[Floats, Floats, Floats]:
        """All in order; the share of the mixture reached with each; and the quantile each is."""
        values = np.concatenate(self.of_clips)
        if len(self.of_clips) == 1:
            reached = np.arange(1, values.size + 1) / values.size
            return np.sort(values), reached, reached
        weight = np.repeat(
            [share / one.size for share, one in zip(self.shares, self.of_clips, strict=True)],
            [one.size for one in self.of_clips],
        )
        order = np.argsort(values, kind="stable")
        reached = np.cumsum(weight[order])
        # As `statistics.quantiles` places equal ones: the k-th of n at (k - 1/3) / (n + 1/3).
        places = (reached - weight[order] / 3) / (1 + 1 / (3 * values.size))
        return values[order], reached, places

    def quantile(self, probability: float) -> float:
        """That of the mixture."""
        pooled, _, places = self.pooled
        if len(self.of_clips) == 1:
            return sorted_quantile(pooled, probability)
        return float(np.interp(probability, places, pooled))


WITHIN_TRIAL_FLOOR: Final = 0.022
"""The least correlation of two moves of one trial that a claim about a share reckons with. Ten
trials of 24 moves cannot show that one trial in five is bad: without a floor 13 of 100 false claims
are "met", with it 10, and with 1 % slow moves 90 of 100 still are
(`tests/simulation/need_rates.py`)."""

LIKELY_WITHIN_TRIAL: Final = 0.006
"""The same for a chance, which is to be neither too sure nor too shy: with it chances of needs come
true as often as stated (`tests/simulation/choice_calibration.py`)."""

METHOD: Final = "binomial limits at the trials' effective sample size"
CLAIM_TRIALS: Final = 10  # Trials from which a share is called met or missed


@dataclass(frozen=True, slots=True, kw_only=True)
class TailEstimate:
    """A quantile over all samples of all trials. `interval` is None where `missing_trials` more of
    them are needed, or (if not 0) `samples_a_trial` in those there are; and where the slow samples
    crowd into few trials (`is_clustered`), so that the limit lies beyond the slowest sample."""

    point: float
    interval: Interval | None = None
    missing_trials: int = 0
    samples_a_trial: int = 0
    is_clustered: bool = False


def estimate_quantile(
    samples: Samples, probability: float, *, confidence_level: float, is_stratified: bool = False
) -> TailEstimate:
    """The quantile of all samples with its interval over rounds; `is_stratified`: those of a trial
    were drawn together. ValueError without a sample, for level or probability outside (0, 1)."""
    check_level(confidence_level)
    check_level(probability)
    pooled, reached, _ = samples.pooled
    point, sizes, shares = samples.quantile(probability), samples.sizes, samples.shares
    if lacking := _lacking(sizes, shares, probability):
        missing, per_trial = lacking
        return TailEstimate(point=point, missing_trials=missing, samples_a_trial=per_trial)
    most = STRATIFIED_GAIN if is_stratified else 1.0
    within = samples.within(point)
    effective = effective_count(within, sizes, shares, confidence_level=confidence_level, most=most)
    low, high = share_limits(probability * effective, effective, confidence_level=confidence_level)
    low_rank = int(np.searchsorted(reached, low, side="right"))
    high_rank = int(np.searchsorted(reached, high)) + 2
    if low_rank < 1 or high_rank > pooled.size:
        return TailEstimate(point=point, is_clustered=True)
    low, high = float(pooled[low_rank - 1]), float(pooled[high_rank - 1])
    facts = confidence_level, sizes.shape[1], METHOD
    return TailEstimate(point=point, interval=Interval(*facts, point=point, low=low, high=high))


def estimate_share(
    samples: Samples, limit: float, *, confidence_level: float, is_stratified: bool = False
) -> Interval:
    """The share of samples at or below `limit`, from two rounds on."""
    sizes, shares, within = samples.sizes, samples.shares, samples.within(limit)
    share = min(float(np.array(shares) @ (within.sum(axis=1) / sizes.sum(axis=1))), 1.0)
    most = STRATIFIED_GAIN if is_stratified else 1.0
    effective = effective_count(within, sizes, shares, confidence_level=confidence_level, most=most)
    low, high = share_limits(share * effective, effective, confidence_level=confidence_level)
    low, high = min(low, share), max(high, share)
    return Interval(confidence_level, sizes.shape[1], METHOD, point=share, low=low, high=high)


def effective_count(
    at_or_below: Floats,
    counts: Floats,
    shares: Sequence[float] = (1.0,),
    *,
    confidence_level: float,
    most: float = 1.0,
) -> float:
    """Independent samples that would tell the share as well as these clusters do. Of the `counts`
    of each clip and round (or round alone) `at_or_below` lie within the limit. Each clip's share is
    a ratio of sums, the variance that of their residuals summed over the clips of a round (Cochran,
    Sampling Techniques, 3rd ed. 1977, section 2.11); never more than `most` times Kish's number of
    samples; the fewer rounds, the smaller, by the ratio of t limits as Korn & Graubard have it."""
    below, sizes = np.atleast_2d(at_or_below), np.atleast_2d(counts)
    of_clips, trials = sizes.sum(axis=1), sizes.shape[1]
    by_clip, total = below.sum(axis=1) / of_clips, _kish(sizes, shares)
    share = float(by_clip @ np.array(shares))
    residuals = (np.array(shares) / of_clips * trials) @ (below - by_clip[:, None] * sizes)
    variance = float(residuals @ residuals) / (trials - 1) / trials
    binomial_variance = share * (1 - share)
    ceiling = most * total
    is_beyond = variance * ceiling <= binomial_variance
    independent = ceiling if is_beyond else binomial_variance / variance
    upper = (1 + confidence_level) / 2
    few = t_quantile(upper, total - 1) / t_quantile(upper, trials - 1)
    return independent * few**2


@dataclass(frozen=True, slots=True, kw_only=True)
class ShareClaim:
    """A share of moves against the share wanted. The p-values are of the claims that it is at
    least, and that it is less than wanted (one-sided Clopper-Pearson), and reckon with the worst
    (`WITHIN_TRIAL_FLOOR`). A chance is best told by so many `effective` independent moves."""

    share: float
    effective: float
    p_met: float
    p_missed: float


def claim_share(
    inside: NDArray[np.int_], counts: Floats, wanted: float, *, confidence_level: float
) -> ShareClaim:
    """Whether a share of at least `wanted` of all moves lies within a limit, of which each trial
    had `inside` among its `counts`; at least two trials."""
    total, trials = float(counts.sum()), counts.size

    def effective(floor: float) -> float:
        most = 1 / (1 + (total / trials - 1) * floor)
        level = 2 * confidence_level - 1
        return effective_count(
            inside[None].astype(float), counts[None], confidence_level=level, most=most
        )

    few = t_quantile(confidence_level, total - 1) / t_quantile(confidence_level, trials - 1)
    share, sure = float(inside.sum()) / total, effective(WITHIN_TRIAL_FLOOR)
    within = share * sure
    return ShareClaim(
        share=share,
        effective=effective(LIKELY_WITHIN_TRIAL) / few,
        p_met=float(special.betainc(within, sure - within + 1, wanted)) if within else 1.0,
        p_missed=float(special.betaincc(within + 1, sure - within, wanted)) if share < 1 else 1.0,
    )


def draw_tail(pooled: Floats, probability: float, effective: float, levels: Floats) -> Floats:
    """What the quantile of all moves may be, one value for each of `levels` (uniform on 0 to 1):
    sorted `pooled` moves, infinite beyond them. The share within is a Beta (Jeffreys' prior)."""
    within = np.arange(1, pooled.size + 1) / pooled.size * effective
    below = special.betainc(within + 0.5, effective - within + 0.5, probability)
    place = np.searchsorted(-below, -levels, side="left")
    return np.append(pooled, np.inf)[place]


def samples_needed(probability: float) -> int:
    """Samples in all trials together from which a tail has an interval: 400 for p95."""
    return math.ceil(round(MINIMUM_EXCEEDANCES / min(probability, 1 - probability), 6))


def _kish(sizes: Floats, shares: Sequence[float]) -> float:
    """Samples of equal weight that would tell as much; all of them, of one clip."""
    return float(1 / np.sum(np.array(shares) ** 2 / sizes.sum(axis=1)))


def _lacking(sizes: Floats, shares: Sequence[float], probability: float) -> tuple[int, int] | None:
    """How many more trials the design needs, of the size of the largest, and the samples in each of
    those there are that would do instead (0 where none would); None where it has enough."""
    trials, samples = sizes.shape[1], _kish(sizes, shares)
    needed = samples_needed(probability)
    least = MINIMUM_MEDIAN_TRIALS if probability == 0.5 and len(sizes) > 1 else MINIMUM_TRIALS
    largest = samples * float((sizes / sizes.sum(axis=1)[:, None]).max())
    missing = max(least - trials, math.ceil(round((needed - samples) / largest, 6)))
    if missing <= 0:
        return None
    per_trial = needed * float(sizes.sum()) / samples / trials / len(sizes)
    is_enough_trials = samples < needed and trials >= least
    return missing, math.ceil(round(per_trial, 6)) if is_enough_trials else 0
