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
        found += [
            _need_point(model, n, chosen, comparable)
            for n, need in enumerate(model.request.needs)
            if need.figure is not None
        ]
    if chosen != NOBODY:
        found += [
            _measurement_point(model, goal, candidates, chosen)
            for goal in range(len(model.request.wishes))
        ]
    points = [point for point in found if point is not None]
    return tuple(sorted(points, key=lambda point: abs(math.log(point.ratio))))


def _need_point(model: ChoiceModel, n: int, chosen: int, comparable: Flags) -> TippingPoint | None:
    """The nearest limit at which another one, or nobody, would be recommended.

    An encoding is a candidate where it meets all needs with the stated chance; its own border is
    the limit at which that chance is reached.
    """
    need = model.request.needs[n]
    assert need.figure is not None
    assert need.limit is not None
    sign = 1.0 if need.operator == "<=" else -1.0
    limit = sign * to_log(need.limit, need.figure.unit)
    others: Flags = np.asarray(np.delete(model.passes, n, axis=2).all(axis=2))
    draws = sign * model.draws.draws[:, :, model.draws.place(need.figure)]
    borders = np.array(
        [
            _border(draws[:, e], others[:, e], model.request.confidence_level)
            if comparable[e]
            else math.inf
            for e in range(draws.shape[1])
        ]
    )
    nearest = _nearest_change(model, borders, limit, chosen)
    if nearest is None:
        return None
    new_limit, then = nearest
    return TippingPoint(
        need=need,
        old_value=need.limit,
        new_value=from_log(sign * new_limit, need.figure.unit),
        ratio=math.exp(sign * (new_limit - limit)),
        unit=need.figure.unit,
        then=model.name(then),
    )


def _border(draws: Floats, passes_others: Flags, confidence_level: float) -> float:
    """The least limit that enough of the draws keep, among those that keep all other needs."""
    needed = math.ceil(confidence_level * draws.size)
    kept = draws[passes_others]
    if kept.size < needed:
        return math.inf
    return float(np.partition(kept, needed - 1)[needed - 1])


def _nearest_change(
    model: ChoiceModel, borders: Floats, limit: float, chosen: int
) -> tuple[float, int] | None:
    """The tighter or looser limit, whichever is nearer, at which another one is chosen, and who."""
    tighter = sorted({b - JUST_BEYOND for b in borders if -math.inf < b <= limit}, reverse=True)
    looser = sorted({b for b in borders if limit < b < math.inf})
    changes = []
    for limits in (tighter, looser):
        for tried in limits:
            then = int(prefer(model.point_costs, borders <= tried, model.rule))
            if then != chosen:
                changes.append((tried, then))
                break
    return min(changes, key=lambda change: abs(change[0] - limit), default=None)


def _measurement_point(
    model: ChoiceModel, goal: int, candidates: Flags, chosen: int
) -> TippingPoint | None:
    """The smallest change of one measured figure: the chosen one's worse, or a rival's better."""
    found = [
        (*change, int(who))
        for who in np.flatnonzero(candidates)
        if (change := _shift_that_changes(model, goal, int(who), candidates, chosen)) is not None
    ]
    if not found:
        return None
    shift, then, who = min(found, key=lambda change: abs(change[0]))
    wish = model.request.wishes[goal]
    sign = 1.0 if wish.figure.better == "less" else -1.0
    old = sign * model.point_costs[who, goal]
    return TippingPoint(
        wish=wish,
        encoding=model.draws.encodings[who],
        old_value=from_log(old, wish.figure.unit),
        new_value=from_log(old + sign * shift, wish.figure.unit),
        ratio=math.exp(sign * shift),
        unit=wish.figure.unit,
        then=model.name(then),
    )


def _shift_that_changes(
    model: ChoiceModel, goal: int, who: int, candidates: Flags, chosen: int
) -> tuple[float, int] | None:
    """The least worsening of the chosen one, or betterment of another, after which the choice is
    another; in logs of cost."""
    costs = model.point_costs
    if not np.isfinite(costs[who, goal]):
        return None
    shifts = _borders_of(model, goal, who, candidates)
    shifts = shifts[np.isfinite(shifts) & (np.abs(shifts) <= math.log(GREATEST_RATIO))]
    if who == chosen:
        shifts = shifts[shifts >= 0] + JUST_BEYOND
    else:
        shifts = shifts[shifts <= 0] - JUST_BEYOND
    if shifts.size == 0:
        return None
    shifts = shifts[np.abs(shifts).argsort()]
    changed = np.repeat(costs[np.newaxis], shifts.size, axis=0)
    changed[:, who, goal] += shifts
    then = prefer(changed, np.broadcast_to(candidates, changed.shape[:2]), model.rule)
    tipped = np.flatnonzero(then != chosen)
    return (float(shifts[tipped[0]]), int(then[tipped[0]])) if tipped.size else None


def _borders_of(model: ChoiceModel, goal: int, who: int, candidates: Flags) -> Floats:
    """Shifts at which `who` draws level with another one, or with the margin about it."""
    costs = model.point_costs[candidates]
    if model.rule.weights:
        weights = np.asarray(model.rule.weights)
        gaps = (costs - model.point_costs[who]) @ weights
        return np.asarray(gaps / weights[goal])
    with np.errstate(invalid="ignore"):
        level = costs[:, goal] - model.point_costs[who, goal]
    margin = model.rule.log_margin
    return np.concatenate([level, level - margin, level + margin])
