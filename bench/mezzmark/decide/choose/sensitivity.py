"""What would change the recommendation: the smallest change of each limit and each measurement.

The decision is piecewise constant, so it is made again just beyond every place where it can
change, nearest first; the first that differs is the tipping point.
"""

import math
from typing import Final

import numpy as np

from mezzmark.decide.choose.choice import TippingPoint
from mezzmark.decide.choose.draws import Flags, Floats, from_log, to_log
from mezzmark.decide.choose.preference import NOBODY, ChoiceModel, prefer

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
