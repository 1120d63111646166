"""What a fitted scaling law says: intervals, the peak, and prediction."""

import math
from dataclasses import dataclass
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray

from mezzmark.statistics.intervals import Interval, t_quantile
from mezzmark.statistics.scaling import Parameter, ScalingFit, law_cost, law_throughput

LOUD_RANGE_RATIO: Final = 2.0
"""Beyond this many times the largest measured core count nothing is known of the law."""

MOST_RANGE_RATIO: Final = 4.0
"""Beyond this many times it nothing is predicted: Amdahl's law from 1 and 2 cores holds the truth
of a machine with κ = 0.002 in 88 % of cases at 8 cores, and in 20 % at 32."""

_PARAMETERS: Final[tuple[Parameter, ...]] = ("gamma", "sigma", "kappa")


@dataclass(frozen=True, slots=True, kw_only=True)
class Peak:
    """The core count N* = √((1 − σ) / κ) beyond which throughput falls.

    `interval` is None where the law has no peak, the rounds carry no interval, κ cannot be told
    from 0, so that the data do not bound a peak, or it lies beyond MOST_RANGE_RATIO times the cores
    measured; `withheld` says which.
    """

    interval: Interval | None
    withheld: Literal["", "no_peak", "few_rounds", "unbounded", "far"] = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class ScalingPrediction:
    """Throughput predicted for `core_count`; `is_far` where that is more than LOUD_RANGE_RATIO
    times the largest count measured, which must be said beside it."""

    core_count: int
    interval: Interval | None
    point: float
    is_far: bool


def parameter_interval(
    fit: ScalingFit, parameter: Parameter, *, confidence_level: float
) -> Interval | None:
    """The interval of γ, σ or κ, or None where the rounds cannot give one.

    Made without bounds and then cut at 0, which costs no coverage; it always holds the point.
    """
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
    """The peak N* with its interval, or the reason why it is withheld.

    Throughput peaks at N where 1 − σ − κ N² = 0, which is linear in (σ, κ), so the interval is
    the set of N whose value cannot be told from 0 (Fieller 1954). The set is bounded only where
    κ differs from 0, and only then is N* given: on a truth without a peak that is at most half
    of 1 − `confidence_level` of the time.
    """
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
    """Mean throughput at a core count that need not have been measured.

    N / X(N) = (1 + σ(N−1) + κN(N−1)) / γ is linear in (1/γ, σ/γ, κ/γ); the interval is made
    there and turned over, and never claims more than N cores at γ's upper limit.
    """
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
    """Draws of X(`core_count`) / X(`reference_count`), in which γ cancels.

    (σ, κ) are drawn from the multivariate t of the fit and cut at 0, so that no draw scales better
    than linearly. Raises ValueError for a fit without covariance.
    """
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
    return Interval(
        point=point,
        low=min(low, point),
        high=max(high, point),
        confidence_level=confidence_level,
        count=fit.round_count,
        method=f"{fit.law} least squares, spread of {fit.covariance_source}",
    )
