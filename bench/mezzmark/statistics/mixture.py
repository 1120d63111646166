"""Quantiles and shares of the moves over several clips, each clip counting its share of the mix.

A move weighs its clip's share over the number of moves that the clip had, so that a clip counts its
share however many that was. The round with all its clips is the cluster: the variance of a weighted
share is linearised over rounds (df = rounds - 1), each clip's moves about the clip's own share. It
becomes an effective number of moves, never above Kish's (Survey Sampling, 1965: the square of the
sum of the weights over the sum of their squares), from which limits follow as in
`mezzmark.statistics.tails`.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Final

import numpy as np
from numpy.typing import NDArray

from mezzmark.statistics.intervals import Interval, share_limits
from mezzmark.statistics.tails import (
    MINIMUM_TRIALS,
    STRATIFIED_GAIN,
    TailEstimate,
    independent_count,
    samples_needed,
)

MINIMUM_MEDIAN_ROUNDS: Final = 3
"""As any figure of the middle."""

_METHOD: Final = "moves weighted by clip; binomial limits at their effective number over rounds"


@dataclass(frozen=True)
class MovesOfClips:
    """The moves of each clip, one array a round, the rounds of all clips in one order; `shares` of
    the clips sum to 1. `is_stratified`: those of a trial were drawn together."""

    clips: Sequence[Sequence[NDArray[np.float64]]]
    shares: Sequence[float]
    is_stratified: bool = False

    @property
    def round_count(self) -> int:
        """Rounds, in each of which every clip took part."""
        return len(self.clips[0])

    @cached_property
    def kish_count(self) -> float:
        """Moves of equal weight that would tell as much: Kish's effective number."""
        return float(1 / np.sum(np.array(self.shares) ** 2 / self._sizes.sum(axis=1)))

    @cached_property
    def _sizes(self) -> NDArray[np.float64]:
        """Moves by clip and round."""
        return np.array([[moves.size for moves in rounds] for rounds in self.clips], dtype=float)

    def shares_within(self, limit: float) -> NDArray[np.float64]:
        """The share of each clip's moves that are at or below `limit`."""
        return np.asarray(self._within(limit).sum(axis=1) / self._sizes.sum(axis=1))

    def _within(self, limit: float) -> NDArray[np.float64]:
        counts = [[np.count_nonzero(m <= limit) for m in rounds] for rounds in self.clips]
        return np.array(counts, dtype=float)

    def effective_count(self, limit: float, *, confidence_level: float) -> float:
        """Independent moves that would tell the share within `limit` as well as these rounds do."""
        by_clip, rounds = self.shares_within(limit), self.round_count
        weights = np.array(self.shares) / self._sizes.sum(axis=1) * rounds
        residuals = weights @ (self._within(limit) - by_clip[:, None] * self._sizes)
        return independent_count(
            float(by_clip @ np.array(self.shares)),
            float(residuals @ residuals) / (rounds - 1) / rounds,
            self.kish_count,
            rounds,
            confidence_level=confidence_level,
            most=STRATIFIED_GAIN if self.is_stratified else 1.0,
        )


def estimate_share(moves: MovesOfClips, limit: float, *, confidence_level: float) -> Interval:
    """The share of moves at or below `limit`; from two rounds on."""
    share = min(float(moves.shares_within(limit) @ np.array(moves.shares)), 1.0)
    effective = moves.effective_count(limit, confidence_level=confidence_level)
    low, high = share_limits(share * effective, effective, confidence_level=confidence_level)
    return Interval(
        point=share,
        low=min(low, share),
        high=max(high, share),
        confidence_level=confidence_level,
        count=moves.round_count,
        method=_METHOD,
    )


def estimate_quantile(
    moves: MovesOfClips, probability: float, *, confidence_level: float
) -> TailEstimate:
    """The quantile of the mixture, with its interval where Kish's number of moves is as many as a
    quantile of one clip needs."""
    rounds = moves.round_count
    values = np.concatenate([np.concatenate(list(of_clip)) for of_clip in moves.clips])
    sizes = [sum(part.size for part in of_clip) for of_clip in moves.clips]
    each = [share / size for share, size in zip(moves.shares, sizes, strict=True)]
    order = np.argsort(values, kind="stable")
    ordered, weights = values[order], np.repeat(each, sizes)[order]
    reached = np.cumsum(weights)
    # As `statistics.quantiles` places equal ones: the k-th of n at (k - 1/3) / (n + 1/3).
    places = (reached - weights / 3) / (1 + 1 / (3 * ordered.size))
    point = float(np.interp(probability, places, ordered))
    kish, needed = moves.kish_count, samples_needed(probability)
    least = MINIMUM_MEDIAN_ROUNDS if probability == 0.5 else MINIMUM_TRIALS
    missing = max(least - rounds, int(np.ceil((needed - kish) / (kish / rounds))))
    if missing > 0:
        more = int(np.ceil(needed * len(values) / kish / rounds)) if rounds >= least else 0
        return TailEstimate(
            point=point, interval=None, missing_trials=missing, samples_a_trial=more
        )
    effective = moves.effective_count(point, confidence_level=confidence_level)
    low, high = share_limits(probability * effective, effective, confidence_level=confidence_level)
    low_index = int(np.searchsorted(reached, low, side="right")) - 1
    high_index = int(np.searchsorted(reached, high)) + 1
    if low_index < 0 or high_index >= ordered.size:
        return TailEstimate(point=point, interval=None, is_clustered=True)
    interval = Interval(
        point=point,
        low=float(ordered[low_index]),
        high=float(ordered[high_index]),
        confidence_level=confidence_level,
        count=rounds,
        method=_METHOD,
    )
    return TailEstimate(point=point, interval=interval)
