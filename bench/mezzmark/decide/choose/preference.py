"""Who is preferred: by wishes in order, one after the other, or by a weighted sum of log ratios,
which is only ever compared between encodings, never shown."""

import math
from dataclasses import dataclass

import numpy as np

from mezzmark.decide.choose.choice import ChoiceRequest
from mezzmark.decide.choose.draws import FigureDraws, Flags, Floats


@dataclass(frozen=True, slots=True, kw_only=True)
class Rule:
    """`weights` by goal, or empty where goals stand in order; `log_margin` is the indifference."""

    weights: tuple[float, ...]
    log_margin: float

    @staticmethod
    def build(weights: tuple[float, ...], indifference_fraction: float) -> "Rule":
        """The rule for a margin given as a share."""
        return Rule(weights=weights, log_margin=math.log1p(indifference_fraction))


@dataclass(frozen=True, slots=True, kw_only=True)
class ChoiceModel:
    """All that a choice is made from: what is asked; `passes` (draws, encodings, needs), where a
    need is met; `costs` (draws, encodings, goals) and `point_costs` (encodings, goals), of which
    less is better."""

    request: ChoiceRequest
    draws: FigureDraws
    passes: Flags
    costs: Floats
    point_costs: Floats
    rule: Rule

    def name(self, index: int) -> str | None:
        """The encoding at an index; None for nobody."""
        return None if index == NOBODY else self.draws.encodings[index]


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


def dominance(costs: Floats, rivals: Flags) -> Floats:
    """How often any of the `rivals` dominates each encoding: costs (draws, encodings, goals),
    shares (encodings,)."""
    shares = np.zeros(costs.shape[1])
    for row in range(costs.shape[1]):
        mine = costs[:, row : row + 1, :]
        dominates = (costs <= mine).all(axis=-1) & (costs < mine).any(axis=-1) & rivals
        shares[row] = dominates.any(axis=-1).mean()
    return shares
