"""Scaling laws: how throughput grows with cores, fitted with intervals, rounds as the level; the
peak, and what other numbers of cores would do. Long because a law is fitted and read here alone.

Universal Scalability Law (Gunther, Guerrilla Capacity Planning, 2007):

    X(N) = γ N / (1 + σ (N − 1) + κ N (N − 1))

γ is the rate of one core, σ the share that cannot run side by side (contention), κ the cost of
agreeing between cores (coherency). κ = 0 gives Amdahl's law (1967), whose ceiling is γ / σ.

Fits are least squares on logarithms, that is, weighted so that equal relative errors count alike,
with σ, κ ≥ 0. Intervals come from the spread of whole rounds: each round's influence on a
parameter is one number, so a slow round moves all its core counts together and is counted once.
With R rounds they are t intervals with R − 1 degrees of freedom. A bootstrap of rounds was tried
and left: with eight rounds its percentile intervals fell short of their level."""

import math
from dataclasses import dataclass
from itertools import combinations
from typing import Final, Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from mezzmark.statistics.intervals import Floats, Interval, t_quantile

Law = Literal["usl", "amdahl"]
ResidualScale = Literal["log", "linear"]
"""Of equal relative errors (timings), or of equal absolute ones (most published fits)."""
Parameter = Literal["gamma", "sigma", "kappa"]
CovarianceSource = Literal["rounds", "residuals", "none"]

MINIMUM_ROUNDS: Final = 3
"""With two rounds a t interval reaches 12.7 standard errors and says nothing."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ScalingFit:
    """A fitted law. `gamma` is in units of throughput; `sigma` and `kappa` are shares. The three
    points obey the bounds; `free_point` (log γ, σ, κ) is the fit without bounds, from which
    intervals are made, and `covariance` is its 3 × 3 covariance. `covariance_source` says where the
    spread comes from; with `none` no interval can be given."""

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
    """The law that fits best, with σ, κ ≥ 0. `core_counts` holds K distinct counts, `throughput`
    one row per round (R × K, or K for a single round), all positive. USL needs three counts, Amdahl
    two. With a single round the covariance is that of the residuals, and there must be more counts
    than parameters; with two rounds there is none. Raises ValueError."""
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


LOUD_RANGE_RATIO: Final = 2.0
"""Beyond this many times the largest measured core count nothing is known of the law."""

MOST_RANGE_RATIO: Final = 4.0
"""Beyond this many times it nothing is predicted: Amdahl's law from 1 and 2 cores holds the truth
of a machine with κ = 0.002 in 88 % of cases at 8 cores, and in 20 % at 32."""

_PARAMETERS: Final[tuple[Parameter, ...]] = ("gamma", "sigma", "kappa")


@dataclass(frozen=True, slots=True, kw_only=True)
class Peak:
    """The core count N* = √((1 − σ) / κ) beyond which throughput falls. `interval` is None where
    the law has no peak, the rounds carry no interval, κ cannot be told from 0 (the data bound no
    peak), or it lies beyond MOST_RANGE_RATIO times the cores measured; `withheld` says which."""

    interval: Interval | None
    withheld: Literal["", "no_peak", "few_rounds", "unbounded", "far"] = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class ScalingPrediction:
    """Throughput for `core_count`; `is_far` where that is more than LOUD_RANGE_RATIO times the
    largest count measured, which must be said beside it."""

    core_count: int
    interval: Interval | None
    point: float
    is_far: bool


def parameter_interval(
    fit: ScalingFit, parameter: Parameter, *, confidence_level: float
) -> Interval | None:
    """The interval of γ, σ or κ, or None where the rounds cannot give one. Made without bounds and
    then cut at 0, which costs no coverage; it always holds the point."""
    if fit.covariance_source == "none" or (parameter == "kappa" and fit.law == "amdahl"):
        return None
    column = _PARAMETERS.index(parameter)
    reach = _reach(fit, confidence_level) * math.sqrt(fit.covariance[column][column])
    low, high = fit.free_point[column] - reach, fit.free_point[column] + reach
    point = (fit.gamma, fit.sigma, fit.kappa)[column]
    if parameter == "gamma":
        low, high = math.exp(low), math.exp(high)
    return _interval(fit, point, max(low, 0.0), max(high, 0.0), confidence_level)


def peak_core_count(fit: ScalingFit, *, confidence_level: float) -> Peak:
    """The peak N* with its interval, or the reason why it is withheld. Throughput peaks at N where
    1 − σ − κ N² = 0, which is linear in (σ, κ), so the interval is the set of N whose value cannot
    be told from 0 (Fieller 1954). The set is bounded only where κ differs from 0, and only then is
    N* given: on a truth without a peak that is at most half of 1 − `confidence_level` of the
    time."""
    if fit.law == "amdahl":
        return Peak(interval=None, withheld="no_peak")
    if fit.covariance_source == "none":
        return Peak(interval=None, withheld="few_rounds")
    covariance = np.array(fit.covariance)
    _, sigma, kappa = fit.free_point
    squared = _reach(fit, confidence_level) ** 2
    # (1 − σ − κm)² ≤ t² (Vσσ + 2 m Vσκ + m² Vκκ) with m = N²: a quadratic in m
    second = kappa**2 - squared * covariance[2, 2]
    first = -2 * (1 - sigma) * kappa - 2 * squared * covariance[1, 2]
    constant = (1 - sigma) ** 2 - squared * covariance[1, 1]
    discriminant = first**2 - 4 * second * constant
    if fit.kappa <= 0 or kappa <= 0 or second <= 0 or discriminant < 0 or sigma >= 1:
        return Peak(interval=None, withheld="unbounded")
    roots = (-first + np.array((-1.0, 1.0)) * math.sqrt(discriminant)) / (2 * second)
    low, high = np.sqrt(np.maximum(roots, 0.0))
    point = math.sqrt(max(1 - fit.sigma, 0.0) / fit.kappa)
    if point > MOST_RANGE_RATIO * max(fit.core_counts):
        return Peak(interval=None, withheld="far")
    return Peak(interval=_interval(fit, point, float(low), float(high), confidence_level))


def predict_throughput(
    fit: ScalingFit, core_count: int, *, confidence_level: float
) -> ScalingPrediction:
    """Mean throughput at a core count that need not have been measured. N / X(N) = (1 + σ(N−1) +
    κN(N−1)) / γ is linear in (1/γ, σ/γ, κ/γ); the interval is made there and turned over, and never
    claims more than N cores at γ's upper limit."""
    bounded = np.array((math.log(fit.gamma), fit.sigma, fit.kappa))
    point = float(law_throughput(bounded, np.array([float(core_count)]))[0])
    is_far = core_count > LOUD_RANGE_RATIO * max(fit.core_counts)
    interval = None
    if gamma := parameter_interval(fit, "gamma", confidence_level=confidence_level):
        log_gamma, sigma, kappa = fit.free_point
        terms = np.array((1.0, core_count - 1.0, core_count * (core_count - 1.0)))
        cost = float(terms @ np.array((1.0, sigma, kappa))) * math.exp(-log_gamma)
        gradient = np.array((-cost, *(terms[1:] * math.exp(-log_gamma))))
        se = math.sqrt(float(gradient @ np.array(fit.covariance) @ gradient))
        reach = _reach(fit, confidence_level) * se
        ceiling = core_count * gamma.high
        high = min(core_count / (cost - reach), ceiling) if cost > reach else ceiling
        interval = _interval(fit, point, core_count / (cost + reach), high, confidence_level)
    return ScalingPrediction(core_count=core_count, interval=interval, point=point, is_far=is_far)


def draw_speedup(
    fit: ScalingFit,
    core_count: int,
    *,
    reference_count: int,
    rng: np.random.Generator,
    draw_count: int,
) -> NDArray[np.float64]:
    """Draws of X(`core_count`) / X(`reference_count`), in which γ cancels. (σ, κ) are of the fit's
    multivariate t, cut at 0: none scales better than linearly. ValueError without covariance."""
    if fit.covariance_source == "none":
        raise ValueError(f"{fit.round_count} rounds carry no interval")
    df = fit.degrees_of_freedom
    covariance = np.array(fit.covariance)[1:, 1:]
    normal = rng.multivariate_normal(np.zeros(2), covariance, draw_count, method="eigh")
    spread = normal * np.sqrt(df / rng.chisquare(df, draw_count))[:, None]
    sigma, kappa = np.maximum(np.array(fit.free_point[1:]) + spread, 0.0).T
    there, here = (law_cost(sigma, kappa, n) / n for n in (core_count, reference_count))
    return np.asarray(here / there)


def _reach(fit: ScalingFit, confidence_level: float) -> float:
    return t_quantile((1 + confidence_level) / 2, fit.degrees_of_freedom)


def _interval(
    fit: ScalingFit, point: float, low: float, high: float, confidence_level: float
) -> Interval:
    method = f"{fit.law} least squares, spread of {fit.covariance_source}"
    low, high = min(low, point), max(high, point)
    return Interval(confidence_level, fit.round_count, method, point=point, low=low, high=high)
