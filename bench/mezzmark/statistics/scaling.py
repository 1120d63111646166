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
from itertools import product
from typing import Final, Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import optimize

Law = Literal["usl", "amdahl"]
ResidualScale = Literal["log", "linear"]
"""`log`: equal relative errors (the default for timings); `linear`: equal absolute errors, as
most published fits use."""
Parameter = Literal["gamma", "sigma", "kappa"]

MINIMUM_ROUNDS: Final = 3
"""With two rounds a t interval reaches 12.7 standard errors and says nothing."""

_Floats = NDArray[np.float64]


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
    free_point: tuple[float, float, float]
    covariance: tuple[tuple[float, ...], ...]
    covariance_source: Literal["rounds", "residuals", "none"]
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
    mean = response.mean(axis=0)
    columns = (0, 1, 2) if law == "usl" else (0, 1)
    start = _start(counts, np.exp(mean) if residual_scale == "log" else mean)
    free = _least_squares(counts, mean, columns, start, residual_scale)
    bounded = _with_bounds(counts, mean, columns, free, residual_scale)
    covariance, source, df = _covariance(counts, response, columns, free, residual_scale)
    return ScalingFit(
        law=law,
        residual_scale=residual_scale,
        gamma=math.exp(bounded[0]),
        sigma=float(bounded[1]),
        kappa=float(bounded[2]),
        free_point=(float(free[0]), float(free[1]), float(free[2])),
        covariance=tuple(tuple(float(v) for v in row) for row in covariance),
        covariance_source=source,
        degrees_of_freedom=df,
        core_counts=tuple(int(n) for n in counts),
        round_count=rounds.shape[0],
    )


def _checked(core_counts: ArrayLike, throughput: ArrayLike, *, law: Law) -> tuple[_Floats, _Floats]:
    """Core counts (K) and throughput (R × K) as arrays, or ValueError for what no law fits."""
    counts = np.asarray(core_counts, dtype=np.float64)
    rounds = np.atleast_2d(np.asarray(throughput, dtype=np.float64))
    if counts.ndim != 1 or rounds.ndim != 2 or rounds.shape[1] != counts.size:
        raise ValueError("throughput needs one row per round and one column per core count")
    if np.unique(counts).size != counts.size or (counts < 1).any():
        raise ValueError("core counts must differ and be at least 1")
    if not np.isfinite(rounds).all() or (rounds <= 0).any():
        raise ValueError("throughput must be positive and finite")
    needed = 3 if law == "usl" else 2
    if counts.size < needed:
        raise ValueError(f"{law} needs at least {needed} core counts, not {counts.size}")
    return counts, rounds


def law_cost(sigma: float | _Floats, kappa: float | _Floats, counts: float | _Floats) -> _Floats:
    """1 + σ (N − 1) + κ N (N − 1): what N cores take for the work of N perfect ones."""
    return np.asarray(1 + sigma * (counts - 1) + kappa * counts * (counts - 1))


def law_throughput(point: _Floats, counts: _Floats) -> _Floats:
    """Throughput at `counts` for the point (log γ, σ, κ)."""
    return np.asarray(math.exp(point[0]) * counts / law_cost(point[1], point[2], counts))


def _response(point: _Floats, counts: _Floats, scale: ResidualScale) -> _Floats:
    """The law at `counts` on the scale of the residuals."""
    if scale == "linear":
        return law_throughput(point, counts)
    # A denominator below 0 lies outside the law: a huge misfit sends the search back.
    return np.asarray(
        point[0] + np.log(counts) - np.log(np.maximum(law_cost(point[1], point[2], counts), 1e-12))
    )


def _jacobian(
    point: _Floats, counts: _Floats, columns: tuple[int, ...], scale: ResidualScale
) -> _Floats:
    below = np.maximum(law_cost(point[1], point[2], counts), 1e-12)
    logs = np.column_stack(
        (np.ones_like(counts), -(counts - 1) / below, -counts * (counts - 1) / below)
    )
    if scale == "linear":
        logs = logs * law_throughput(point, counts)[:, None]
    return np.asarray(logs[:, list(columns)])


def _start(counts: _Floats, rates: _Floats) -> _Floats:
    """N / X is linear in (1/γ, σ/γ, κ/γ): relative least squares gives the first guess."""
    design = np.column_stack((np.ones_like(counts), counts - 1, counts * (counts - 1)))
    cost = counts / rates
    solution, *_ = np.linalg.lstsq(design / cost[:, None], np.ones_like(cost), rcond=None)
    if counts.size < 3 or solution[0] <= 0:
        return np.array((math.log(float((rates / counts).max())), 0.05, 0.0))
    return np.array((-math.log(solution[0]), solution[1] / solution[0], solution[2] / solution[0]))


def _least_squares(
    counts: _Floats,
    mean: _Floats,
    columns: tuple[int, ...],
    start: _Floats,
    scale: ResidualScale,
) -> _Floats:
    def expand(free: _Floats) -> _Floats:
        point = np.zeros(3)
        point[list(columns)] = free
        return point

    found = optimize.least_squares(
        lambda free: _response(expand(free), counts, scale) - mean,
        start[list(columns)],
        jac=lambda free: _jacobian(expand(free), counts, columns, scale),
        method="lm",
        x_scale="jac",
        xtol=1e-12,
        ftol=1e-12,
    )
    return expand(np.asarray(found.x))


def _with_bounds(
    counts: _Floats,
    mean: _Floats,
    columns: tuple[int, ...],
    free: _Floats,
    scale: ResidualScale,
) -> _Floats:
    """The best point with σ, κ ≥ 0: the free one, or the best of those with some held at 0."""
    if (free[1:] >= 0).all():
        return free
    candidates = []
    for keep in product((True, False), repeat=len(columns) - 1):
        kept = (0, *(column for column, stays in zip(columns[1:], keep, strict=True) if stays))
        point = _least_squares(counts, mean, kept, np.maximum(free, 0.0) + (free == 0), scale)
        if (point[1:] >= 0).all():
            candidates.append(point)

    def misfit(point: _Floats) -> float:
        return float(((_response(point, counts, scale) - mean) ** 2).sum())

    return min(candidates, key=misfit)


def _covariance(
    counts: _Floats,
    response: _Floats,
    columns: tuple[int, ...],
    free: _Floats,
    scale: ResidualScale,
) -> tuple[_Floats, Literal["rounds", "residuals", "none"], int]:
    """Covariance of (log γ, σ, κ), where it comes from, and its degrees of freedom."""
    whole = np.zeros((3, 3))
    slots = np.ix_(columns, columns)
    pseudo_inverse = np.linalg.pinv(_jacobian(free, counts, columns, scale))
    round_count, spare = response.shape[0], counts.size - len(columns)
    residuals = response - _response(free, counts, scale)
    if round_count >= MINIMUM_ROUNDS:
        influence = residuals @ pseudo_inverse.T
        whole[slots] = np.cov(influence, rowvar=False) / round_count
        return whole, "rounds", round_count - 1
    if round_count == 1 and spare > 0:
        variance = float((residuals**2).sum()) / spare
        whole[slots] = variance * (pseudo_inverse @ pseudo_inverse.T)
        return whole, "residuals", spare
    return whole, "none", 0
