"""Who is preferred, and how surely: by wishes in order, one after the other, or by a weighted sum
of log ratios, which is only ever compared between encodings, never shown."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from mezzmark.decide.choose.choice import (
    FRONT_LEVEL,
    RIVAL_CHANCE,
    ChoiceRequest,
    Front,
    JudgedEncoding,
    Verdict,
)
from mezzmark.decide.choose.draws import FigureDraws, Flags, Floats
from mezzmark.model.request import Wish


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


def find_candidates(model: ChoiceModel, entries: Sequence[JudgedEncoding]) -> tuple[Flags, Verdict]:
    """Who may be recommended: the sure ones; without any, the likeliest to meet all needs."""
    status = np.array([entry.status for entry in entries])
    if (status == "meets").any():
        return np.asarray(status == "meets"), "recommended"
    is_open = np.asarray(status == "open")
    if is_open.any():
        chances = np.where(is_open, model.passes.all(axis=2).mean(axis=0), -1.0)
        return np.asarray(chances >= chances.max()), "none is sure"
    return is_open, "none meets" if (status == "ruled out").any() else "nothing to judge"


def with_chances(model: ChoiceModel, entries: Sequence[JudgedEncoding]) -> Sequence[JudgedEncoding]:
    """The entries with the chance of being best, and of being dominated, where rounds carry them.

    In every draw the best is the preferred one of those that meet all needs in that draw.
    """
    in_play = np.array([entry.status in ("meets", "open") for entry in entries])
    if not in_play.any() or model.draws.is_thin:
        return entries
    winners = prefer(model.costs, model.passes.all(axis=2) & in_play, model.rule)
    best = np.bincount(winners[winners != NOBODY], minlength=len(entries)) / len(winners)
    dominated = dominance(model.costs, in_play)
    return [
        entry.model_copy(
            update={
                "chance_best": float(best[e]),
                "chance_dominated": float(dominated[e]),
                "front": _front(float(dominated[e])),
            }
        )
        if in_play[e]
        else entry
        for e, entry in enumerate(entries)
    ]


def _front(chance_dominated: float) -> Front:
    if chance_dominated >= FRONT_LEVEL:
        return "off it"
    return "on it" if chance_dominated <= 1 - FRONT_LEVEL else "may be on it"


def find_runner_up(
    model: ChoiceModel, entries: Sequence[JudgedEncoding], candidates: Flags, chosen: int
) -> int:
    """The other candidate that is the likeliest to be the best, where that is likely enough; or
    else the rule's choice among the other candidates, or among those still open.

    Who comes second at the points may never be the best, where a third one is before it whenever
    the first is not; a doubt names the one that it is about. `entries` have their chances.
    """
    if chosen == NOBODY:
        return NOBODY
    others = candidates.copy()
    others[chosen] = False
    chances = np.where(others, [entry.chance_best or 0.0 for entry in entries], 0.0)
    if chances.max() >= RIVAL_CHANCE:
        return int(chances.argmax())
    if not others.any():
        others = np.array([entry.status in ("open", "meets") for entry in entries])
        others[chosen] = False
    return int(prefer(model.point_costs, others, model.rule))


def chance_ahead(model: ChoiceModel, chosen: int, second: int) -> float | None:
    """The share of draws in which the chosen one comes before the runner-up, only these two
    standing; None where there is no runner-up or too few rounds for a chance."""
    if NOBODY in (chosen, second) or model.draws.is_thin:
        return None
    pair = np.zeros(len(model.draws.encodings), dtype=np.bool_)
    pair[[chosen, second]] = True
    eligible = np.broadcast_to(pair, model.costs.shape[:2])
    return float((prefer(model.costs, eligible, model.rule) == chosen).mean())


def decided_by(model: ChoiceModel, chosen: int, second: int) -> Wish | None:
    """The wish that sets the chosen one apart from the runner-up; None without one."""
    wishes, rule = model.request.wishes, model.rule
    if NOBODY in (chosen, second):
        return None
    with np.errstate(invalid="ignore"):
        lead = model.point_costs[second] - model.point_costs[chosen]
    if rule.weights:
        return wishes[int((lead * np.array(rule.weights)).argmax())]
    apart = (wish for wish, gap in zip(wishes, lead, strict=True) if abs(gap) > rule.log_margin)
    return next(apart, wishes[-1])
