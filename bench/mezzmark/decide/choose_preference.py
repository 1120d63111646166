"""Which encoding the wishes prefer, for one set of figures or for thousands at once.

Ordered goals: whoever is within the indifference margin of the best in the first goal stays, of
those whoever is within it in the second, and so on; the last goal decides to the last digit, and
exact ties go back to the earlier goals. Weighted goals: the least sum of weight × log ratio. Both
never choose an encoding that another one equals or beats in every goal and beats in one.
"""

import math
from dataclasses import dataclass

import numpy as np

from mezzmark.decide.choose_draws import Flags, Floats


@dataclass(frozen=True, slots=True, kw_only=True)
class Rule:
    """`weights` by goal, or empty where goals stand in order; `log_margin` is the indifference."""

    weights: tuple[float, ...]
    log_margin: float

    @staticmethod
    def build(weights: tuple[float, ...], indifference_fraction: float) -> "Rule":
        """The rule for a margin given as a share."""
        return Rule(weights=weights, log_margin=math.log1p(indifference_fraction))


NOBODY = -1


def prefer(
    costs: Floats, eligible: Flags, rule: Rule
) -> np.ndarray[tuple[int, ...], np.dtype[np.intp]]:
    """The index of the preferred encoding, or `NOBODY`; costs (…, encodings, goals), less is
    better; eligible (…, encodings). Ties that every goal leaves go to the first encoding."""
    with np.errstate(invalid="ignore"):
        left = _weighted(costs, eligible, rule) if rule.weights else _ordered(costs, eligible, rule)
    return np.where(left.any(axis=-1), left.argmax(axis=-1), NOBODY)


def _ordered(costs: Floats, eligible: Flags, rule: Rule) -> Flags:
    left = eligible
    last = costs.shape[-1] - 1
    for goal in range(last + 1):
        left = _keep(costs[..., goal], left, rule.log_margin if goal < last else 0.0)
    for goal in range(last):
        left = _keep(costs[..., goal], left, 0.0)
    return left


def _weighted(costs: Floats, eligible: Flags, rule: Rule) -> Flags:
    scores = costs @ np.asarray(rule.weights)
    return _keep(scores, eligible, 0.0)


def _keep(values: Floats, left: Flags, margin: float) -> Flags:
    best = np.where(left, values, np.inf).min(axis=-1, keepdims=True)
    return np.asarray(left & (values <= best + margin))


def dominance(costs: Floats, rivals: Flags) -> tuple[Floats, Floats]:
    """How often each encoding is dominated: by any of the `rivals`, and by each encoding.

    Costs (draws, encodings, goals); returns shares (encodings,) and (encodings, by whom).
    """
    count = costs.shape[1]
    by_any, by_each = np.zeros(count), np.zeros((count, count))
    for row in range(count):
        mine = costs[:, row : row + 1, :]
        dominates = (costs <= mine).all(axis=-1) & (costs < mine).any(axis=-1) & rivals
        by_any[row] = dominates.any(axis=-1).mean()
        by_each[row] = dominates.mean(axis=0)
    return by_any, by_each
