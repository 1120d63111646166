"""Who is preferred, how surely, and what would change it: by wishes in order, one after the other,
or by a weighted sum of log ratios, which is only ever compared between encodings, never shown.

The decision is piecewise constant, so it is made again just beyond every place where it can
change, nearest first; the first that differs is the tipping point.
"""

import math
from dataclasses import dataclass
from typing import Final

import numpy as np

from mezzmark.decide.choose.choice import RIVAL_CHANCE, ChoiceRequest, TippingPoint, Verdict
from mezzmark.decide.choose.draws import FigureDraws, Flags, Floats, from_log, to_log
from mezzmark.model.request import Wish

NOBODY = -1


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

    def name(self, index: int) -> str | None:
        """The encoding at an index; None for nobody."""
        return None if index == NOBODY else self.draws.encodings[index]

    def choose(self, eligible: Flags) -> int:
        """The preferred one by the points."""
        return int(prefer(self.point_costs, eligible, self.request))


def prefer(
    costs: Floats, eligible: Flags, request: ChoiceRequest
) -> np.ndarray[tuple[int, ...], np.dtype[np.intp]]:
    """The index of the preferred encoding, or `NOBODY`, by the request's weights or indifference;
    costs (…, encodings, goals), less is better; eligible (…, encodings). Ties that every goal
    leaves go to the first encoding."""
    with np.errstate(invalid="ignore"):
        if request.weights:
            left = _keep(costs @ np.asarray(request.weights), eligible)
        else:
            left, goals = eligible, range(costs.shape[-1])
            for goal in goals:
                left = _keep(costs[..., goal], left, request.log_margin if goal < goals[-1] else 0)
            for goal in goals[:-1]:
                left = _keep(costs[..., goal], left)
    return np.where(left.any(axis=-1), left.argmax(axis=-1), NOBODY)


def _keep(values: Floats, left: Flags, margin: float = 0) -> Flags:
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


def find_candidates(status: np.ndarray, chance_met: Floats) -> tuple[Flags, Verdict]:
    """Who may be recommended: the sure ones; without any, the likeliest to meet all needs."""
    if (status == "meets").any():
        return np.asarray(status == "meets"), "recommended"
    is_open = np.asarray(status == "open")
    if is_open.any():
        chances = np.where(is_open, chance_met, -1.0)
        return np.asarray(chances >= chances.max()), "none is sure"
    return is_open, "none meets" if (status == "ruled out").any() else "nothing to judge"


def chances_best(model: ChoiceModel, in_play: Flags) -> Floats:
    """The share of draws in which each encoding is the preferred one of those that meet all needs
    in that draw."""
    winners = prefer(model.costs, model.passes.all(axis=2) & in_play, model.request)
    return np.bincount(winners[winners != NOBODY], minlength=in_play.size) / len(winners)


def find_runner_up(
    model: ChoiceModel, best: Floats, in_play: Flags, candidates: Flags, chosen: int
) -> int:
    """The other candidate that is the likeliest to be the `best`, where that is likely enough; or
    else the rule's choice among the other candidates, or among those still in play.

    Who comes second at the points may never be the best, where a third one is before it whenever
    the first is not; a doubt names the one that it is about.
    """
    if chosen == NOBODY:
        return NOBODY
    is_other = np.arange(best.size) != chosen
    others = candidates & is_other
    chances = np.where(others, best, 0.0)
    if chances.max() >= RIVAL_CHANCE:
        return int(chances.argmax())
    return model.choose(others if others.any() else in_play & is_other)


def chance_ahead(model: ChoiceModel, chosen: int, second: int) -> float | None:
    """The share of draws in which the chosen one comes before the runner-up, only these two
    standing; None where there is no runner-up or too few rounds for a chance."""
    if NOBODY in (chosen, second) or model.draws.is_thin:
        return None
    pair = np.isin(np.arange(model.costs.shape[1]), (chosen, second))
    return float((prefer(model.costs, pair, model.request) == chosen).mean())


def decided_by(model: ChoiceModel, chosen: int, second: int) -> Wish | None:
    """The wish that sets the chosen one apart from the runner-up; None without one."""
    request = model.request
    if NOBODY in (chosen, second):
        return None
    with np.errstate(invalid="ignore"):
        lead = model.point_costs[second] - model.point_costs[chosen]
    if request.weights:
        return request.wishes[int((lead * np.array(request.weights)).argmax())]
    [apart] = np.nonzero(abs(lead) > request.log_margin)
    return request.wishes[apart[0] if apart.size else -1]


JUST_BEYOND: Final = 1e-9
"""A step past a border on the log scale: far below anything measured."""

GREATEST_RATIO: Final = 100.0
"""A change of a measurement by more than this factor says that nothing would change the choice."""


def find_tipping_points(
    model: ChoiceModel, candidates: Flags, chosen: int, comparable: Flags
) -> tuple[TippingPoint, ...]:
    """One at most per need and wish, the smallest change first. The rule chose `chosen` from the
    `candidates`; who is not `comparable` cannot become one."""
    found: list[TippingPoint | None] = []
    if not model.draws.is_thin:
        found += [_need_point(model, n, chosen, comparable) for n in range(model.passes.shape[2])]
    if chosen != NOBODY:
        goals = range(len(model.request.wishes))
        found += [_measurement_point(model, goal, candidates, chosen) for goal in goals]
    points = [point for point in found if point is not None]
    return tuple(sorted(points, key=lambda point: abs(math.log(point.ratio))))


def _need_point(model: ChoiceModel, n: int, chosen: int, comparable: Flags) -> TippingPoint | None:
    """The nearest limit at which another one, or nobody, would be recommended.

    An encoding is a candidate where it meets all needs with the stated chance; its own border is
    the limit at which that chance is reached.
    """
    need = model.request.needs[n]
    if need.figure is None or need.limit is None:
        return None
    sign, unit = 1.0 if need.operator == "<=" else -1.0, need.figure.unit
    limit = sign * to_log(need.limit, unit)
    met = np.delete(model.passes, n, axis=2).all(axis=2) & comparable
    draws = np.where(met, sign * model.draws.draws[:, :, model.draws.place(need.figure)], math.inf)
    needed = math.ceil(model.request.confidence_level * len(draws))
    borders = np.partition(draws, needed - 1, axis=0)[needed - 1]
    tighter, looser = borders[borders <= limit] - JUST_BEYOND, borders[borders > limit]
    tried = np.concatenate([tighter, looser])
    tried = tried[np.isfinite(tried)]
    tried = tried[np.abs(tried - limit).argsort(kind="stable")]
    then = prefer(model.point_costs, borders <= tried[:, np.newaxis], model.request)
    for new_limit, other in zip(tried.tolist(), then.tolist(), strict=True):
        if other != chosen:
            return TippingPoint(
                need=need,
                old_value=need.limit,
                new_value=from_log(sign * new_limit, unit),
                ratio=math.exp(sign * (new_limit - limit)),
                unit=unit,
                then=model.name(other),
            )
    return None


def _measurement_point(
    model: ChoiceModel, goal: int, candidates: Flags, chosen: int
) -> TippingPoint | None:
    """The smallest change of one measured figure: the chosen one's worse, or a rival's better."""
    wish, costs = model.request.wishes[goal], model.point_costs
    moves = [
        (shift, who)
        for who in np.flatnonzero(candidates).tolist()
        for shift in _borders_of(model, goal, who, candidates, chosen)
    ]
    moves.sort(key=lambda move: abs(move[0]))
    changed = np.repeat(costs[np.newaxis], len(moves), axis=0)
    for place, (shift, who) in enumerate(moves):
        changed[place, who, goal] += shift
    then = prefer(changed, candidates, model.request).tolist()
    for (shift, who), other in zip(moves, then, strict=True):
        if other != chosen:
            sign = 1.0 if wish.figure.better == "less" else -1.0
            old = sign * float(costs[who, goal])
            return TippingPoint(
                wish=wish,
                encoding=model.draws.encodings[who],
                old_value=from_log(old, wish.figure.unit),
                new_value=from_log(old + sign * shift, wish.figure.unit),
                ratio=math.exp(sign * shift),
                unit=wish.figure.unit,
                then=model.name(other),
            )
    return None


def _borders_of(
    model: ChoiceModel, goal: int, who: int, candidates: Flags, chosen: int
) -> list[float]:
    """Shifts just beyond those at which `who` draws level with another one, or with the margin
    about it: to the worse of the chosen one, to the better of others; in logs of cost."""
    mine, costs, request = model.point_costs[who], model.point_costs[candidates], model.request
    with np.errstate(invalid="ignore"):
        if request.weights:
            weights = np.asarray(request.weights)
            shifts: Floats = np.asarray((costs - mine) @ weights / weights[goal])
        else:
            level, margin = costs[:, goal] - mine[goal], request.log_margin
            shifts = np.concatenate([level, level - margin, level + margin])
    direction = 1 if who == chosen else -1
    within = (shifts * direction >= 0) & (np.abs(shifts) <= math.log(GREATEST_RATIO))
    beyond: list[float] = (shifts[within] + direction * JUST_BEYOND).tolist()
    return beyond
