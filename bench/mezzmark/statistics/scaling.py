"""Scaling laws: how throughput grows with cores, fitted with intervals, rounds as the level.

Universal Scalability Law (Gunther, Guerrilla Capacity Planning, 2007):

    X(N) = γ N / (1 + σ (N − 1) + κ N (N − 1))

γ is the rate of one core, σ the share that cannot run side by side (contention), κ the cost of
agreeing between cores (coherency). κ = 0 gives Amdahl's law (1967), whose ceiling is γ / σ.

Fits are least squares on logarithms, that is, weighted so that equal relative errors count alike,
with σ, κ ≥ 0. Intervals come from the spread of whole rounds: each round's influence on a
parameter is one number, so a slow round moves all its core counts together and is counted once.
With R rounds they are t intervals with R − 1 degrees of freedom. A bootstrap of rounds was tried
and left: with eight rounds its percentile intervals fell short of their level.
"""

import math
from dataclasses import dataclass
from itertools import combinations
from typing import Final, Literal

import numpy as np
from numpy.typing import ArrayLike

from mezzmark.statistics.intervals import Floats

Law = Literal["usl", "amdahl"]
ResidualScale = Literal["log", "linear"]
"""`log`: equal relative errors (the default for timings); `linear`: equal absolute errors, as
most published fits use."""
Parameter = Literal["gamma", "sigma", "kappa"]
CovarianceSource = Literal["rounds", "residuals", "none"]

MINIMUM_ROUNDS: Final = 3
"""With two rounds a t interval reaches 12.7 standard errors and says nothing."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ScalingFit:
    """A fitted law. `gamma` is in units of throughput; `sigma` and `kappa` are shares.

    The three points obey the bounds; `free_point` (log γ, σ, κ) is the fit without bounds, from
    which intervals are made, and `covariance` is its 3 × 3 covariance. `covariance_source` says
    where the spread comes from; with `none` no interval can be given.
    """

    law: Law
    residual_scale: ResidualScale
    gamma: float
    sigma: float
    kappa: float
    free_point: tuple[float, ...]
    covariance: tuple[tuple[float, ...], ...]
    covariance_source: CovarianceSource
    degrees_of_freedom: int
    core_counts: tuple[int, ...]
    round_count: int


def fit_scaling(
    core_counts: ArrayLike,
    throughput: ArrayLike,
    *,
    law: Law = "usl",
    residual_scale: ResidualScale = "log",
) -> ScalingFit:
    """The law that fits best, with σ, κ ≥ 0.

    `core_counts` holds K distinct counts, `throughput` one row per round (R × K, or K for a
    single round), all positive. USL needs three counts, Amdahl two. With a single round the
    covariance is that of the residuals, and there must be more counts than parameters; with two
    rounds there is none. Raises ValueError.
    """
    counts, rounds = _checked(core_counts, throughput, law=law)
    response = np.log(rounds) if residual_scale == "log" else rounds
    problem = _Problem(counts, response.mean(axis=0), residual_scale)
    columns = (0, 1, 2) if law == "usl" else (0, 1)
    free = problem.solve(columns, problem.start())
    bounded = problem.solve_with_bounds(columns, free)
    covariance, source, df = _covariance(problem, response, columns, free)
    return ScalingFit(
        law=law,
        residual_scale=residual_scale,
        gamma=math.exp(bounded[0]),
        sigma=float(bounded[1]),
        kappa=float(bounded[2]),
        free_point=tuple(free.tolist()),
        covariance=tuple(map(tuple, covariance.tolist())),
        covariance_source=source,
        degrees_of_freedom=df,
        core_counts=tuple(int(n) for n in counts),
        round_count=rounds.shape[0],
    )


def _checked(core_counts: ArrayLike, throughput: ArrayLike, *, law: Law) -> tuple[Floats, Floats]:
    """Core counts (K) and throughput (R × K) as arrays, or ValueError for what no law fits."""
    counts = np.asarray(core_counts, dtype=np.float64)
    rounds = np.atleast_2d(np.asarray(throughput, dtype=np.float64))
    if rounds.shape[1:] != counts.shape:
        raise ValueError("throughput needs one row per round and one column per core count")
    if np.unique(counts).size != counts.size or (counts < 1).any():
        raise ValueError("core counts must differ and be at least 1")
    if not np.isfinite(rounds).all() or (rounds <= 0).any():
        raise ValueError("throughput must be positive and finite")
    needed = 3 if law == "usl" else 2
    if counts.size < needed:
        raise ValueError(f"{law} needs at least {needed} core counts, not {counts.size}")
    return counts, rounds


def law_cost(sigma: float | Floats, kappa: float | Floats, counts: float | Floats) -> Floats:
    """1 + σ (N − 1) + κ N (N − 1): what N cores take for the work of N perfect ones."""
    return np.asarray(1 + sigma * (counts - 1) + kappa * counts * (counts - 1))


def law_throughput(point: Floats, counts: Floats) -> Floats:
    """Throughput at `counts` for the point (log γ, σ, κ)."""
    return np.asarray(math.exp(point[0]) * counts / law_cost(point[1], point[2], counts))


@dataclass(frozen=True, slots=True)
class _Problem:
    """Least squares of the law at `counts` to the mean of the rounds on the residuals' scale; a
    point is (log γ, σ, κ), its free columns the ones that are fitted, the others 0."""

    counts: Floats
    mean: Floats
    scale: ResidualScale

    def response(self, point: Floats) -> Floats:
        """The law on the scale of the residuals."""
        if self.scale == "linear":
            return law_throughput(point, self.counts)
        return np.asarray(point[0] + np.log(self.counts) - np.log(self.cost(point)))

    def cost(self, point: Floats) -> Floats:
        """A denominator below 0 lies outside the law: a huge misfit sends the search back."""
        return np.maximum(law_cost(point[1], point[2], self.counts), 1e-12)

    def jacobian(self, point: Floats, columns: tuple[int, ...]) -> Floats:
        """The derivatives of `response` by the free columns."""
        ones, below, counts = np.ones_like(self.counts), self.cost(point), self.counts
        found = np.column_stack((ones, -(counts - 1) / below, -counts * (counts - 1) / below))
        if self.scale == "linear":
            found *= law_throughput(point, counts)[:, None]
        return found[:, list(columns)]

    def start(self) -> Floats:
        """N / X is linear in (1/γ, σ/γ, κ/γ): relative least squares gives the first guess."""
        counts, rates = self.counts, np.exp(self.mean) if self.scale == "log" else self.mean
        design = np.column_stack((np.ones_like(counts), counts - 1, counts * (counts - 1)))
        cost = counts / rates
        solution, *_ = np.linalg.lstsq(design / cost[:, None], np.ones_like(cost), rcond=None)
        if counts.size < 3 or solution[0] <= 0:
            return np.array((math.log(float((rates / counts).max())), 0.05, 0.0))
        scale = solution[0]
        return np.array((-math.log(scale), solution[1] / scale, solution[2] / scale))

    def solve(self, columns: tuple[int, ...], start: Floats) -> Floats:
        """The best point without bounds."""
        from scipy import optimize  # seldom needed, slow to load

        def expand(free: Floats) -> Floats:
            point = np.zeros(3)
            point[list(columns)] = free
            return point

        found = optimize.least_squares(
            lambda free: self.response(expand(free)) - self.mean,
            start[list(columns)],
            jac=lambda free: self.jacobian(expand(free), columns),
            method="lm",
            x_scale="jac",
            xtol=1e-12,
            ftol=1e-12,
        )
        return expand(np.asarray(found.x))

    def solve_with_bounds(self, columns: tuple[int, ...], free: Floats) -> Floats:
        """The best point with σ, κ ≥ 0: the free one, or the best of those with some held at 0."""
        if (free[1:] >= 0).all():
            return free
        kept = ((0, *some) for count in (2, 1, 0) for some in combinations(columns[1:], count))
        start = np.maximum(free, 0.0) + (free == 0)
        points = [self.solve(some, start) for some in kept]
        return min(
            (point for point in points if (point[1:] >= 0).all()),
            key=lambda point: float(((self.response(point) - self.mean) ** 2).sum()),
        )


def _covariance(
    problem: _Problem, response: Floats, columns: tuple[int, ...], free: Floats
) -> tuple[Floats, CovarianceSource, int]:
    """Covariance of (log γ, σ, κ), where it comes from, and its degrees of freedom."""
    whole = np.zeros((3, 3))
    slots = np.ix_(columns, columns)
    pseudo_inverse = np.linalg.pinv(problem.jacobian(free, columns))
    round_count, spare = response.shape[0], problem.counts.size - len(columns)
    residuals = response - problem.response(free)
    if round_count >= MINIMUM_ROUNDS:
        influence = residuals @ pseudo_inverse.T
        whole[slots] = np.cov(influence, rowvar=False) / round_count
        return whole, "rounds", round_count - 1
    if round_count == 1 and spare > 0:
        variance = float((residuals**2).sum()) / spare
        whole[slots] = variance * (pseudo_inverse @ pseudo_inverse.T)
        return whole, "residuals", spare
    return whole, "none", 0
