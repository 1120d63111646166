"""Quantities as draws, so that measured intervals pass through any arithmetic.

A measured figure becomes draws from Student's t with the degrees of freedom of its rounds, on the
log scale where the figure is positive, scaled so that the draws' own limits are the measured
interval. An arithmetic result is the same arithmetic on the draws; its interval is their
quantiles (Monte Carlo propagation; JCGM 101:2008). Quantities are drawn independently of each
other unless they come from one draw."""

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

import numpy as np

from mezzmark.model.estimate import CONFIDENCE_LEVEL, Estimate, Withheld
from mezzmark.statistics.intervals import Floats, t_quantile

DRAW_COUNT: Final = 4000
"""Limits of 100 draws each move by about 1/20 of the half-width from one seed to another."""

_SMALLEST_DF: Final = 2  # Three rounds, the fewest that give an interval


@dataclass(frozen=True, slots=True, kw_only=True)
class Drawn:
    """A quantity: its point, its draws, the rounds behind it, and why it has no interval, if so."""

    point: float
    draws: Floats
    round_count: int | None = None
    withheld: tuple[Withheld, ...] = ()


def draw_estimate(estimate: Estimate, *, rng: np.random.Generator, draw_count: int) -> Drawn:
    """A measured figure as draws; without an interval all draws are the point. One that was the
    same in every round is exact. Each side of an interval keeps its own scale."""
    point, low, high = estimate.point, estimate.low, estimate.high
    rounds = estimate.round_count
    if low is None or high is None:
        is_constant = rounds > 1 and [w.kind for w in estimate.withheld] == ["constant"]
        withheld = () if is_constant else estimate.withheld or (Withheld(kind="unknown"),)
        draws = np.full(draw_count, point)
        return Drawn(point=point, draws=draws, round_count=rounds, withheld=withheld)
    df = max(rounds - 1, _SMALLEST_DF)
    reach = t_quantile((1 + estimate.confidence_level) / 2, df)
    z = rng.standard_t(df, draw_count)
    if low > 0:
        up, down = math.log(high / point) / reach, math.log(point / low) / reach
        draws = point * np.exp(np.where(z > 0, up, down) * z)
    else:
        draws = point + np.where(z > 0, high - point, point - low) / reach * z
    return Drawn(point=point, draws=np.asarray(draws), round_count=rounds)


def exactly(value: float, *, draw_count: int) -> Drawn:
    """A quantity that is given, not measured."""
    return Drawn(point=value, draws=np.full(draw_count, value))


def combine(function: Callable[..., Floats], *quantities: Drawn) -> Drawn:
    """`function`, elementwise on arrays, of the quantities, draw by draw; the point is that of the
    points. Reasons for having no interval are inherited; the round count is the smallest."""
    point = np.asarray(function(*(np.array([quantity.point]) for quantity in quantities)))
    draws = np.asarray(function(*(quantity.draws for quantity in quantities)), dtype=np.float64)
    counts = [q.round_count for q in quantities if q.round_count is not None]
    reasons = dict.fromkeys(reason for quantity in quantities for reason in quantity.withheld)
    draws, rounds = np.broadcast_to(draws, quantities[0].draws.shape), min(counts, default=None)
    value = float(point.ravel()[0])
    return Drawn(point=value, draws=draws, round_count=rounds, withheld=tuple(reasons))


def estimate_drawn(quantity: Drawn, unit: str) -> Estimate:
    """As an estimate: its point and the quantiles of its draws; a limit may be infinite."""
    tail = (1 - CONFIDENCE_LEVEL) / 2
    low = high = None
    if not quantity.withheld:
        limits = np.quantile(quantity.draws, (tail, 1 - tail), method="closest_observation")
        low, high = min(float(limits[0]), quantity.point), max(float(limits[1]), quantity.point)
    return Estimate(
        point=quantity.point,
        low=low,
        high=high,
        unit=unit,
        round_count=quantity.round_count or 0,
        sample_count=quantity.draws.size,
        method=f"{quantity.draws.size} draws from the measured intervals",
        withheld=quantity.withheld,
    )
