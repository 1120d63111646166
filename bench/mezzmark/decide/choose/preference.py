"""Who is preferred, how surely, and what would change it: by wishes in order, one after the other,
or by a weighted sum of log ratios, which is only ever compared between encodings, never shown.

Wishes in order count in steps of a fixed ratio from a fixed place, never from the best of those
that happen to be there: what one encoding is worth then depends on no other, and neither does who
of two comes first (independence of irrelevant alternatives).

The decision is piecewise constant, so it is made again just beyond every place where it can
change, nearest first; the first that differs is the tipping point."""

import math
from dataclasses import dataclass
from typing import Final

import numpy as np

from mezzmark.decide.choose.choice import LIKELY, SHOWN_CHANCE, ChoiceRequest, TippingPoint
from mezzmark.decide.choose.draws import FigureDraws, Flags, Floats, from_log, to_log
from mezzmark.model.request import Wish

NOBODY = -1


@dataclass(frozen=True, slots=True, kw_only=True)
class ChoiceModel:
    """All that a choice is made from: what is asked; `excess` (draws, encodings, needs), how far
    beyond a need's limit; `costs` (draws, encodings, goals) and `point_costs` (encodings, goals),
    of which less is better. `first` (perhaps the original) is taken where it meets all needs."""

    request: ChoiceRequest
    draws: FigureDraws
    excess: Floats
    costs: Floats
    point_costs: Floats
    first: int = NOBODY

    @property
    def passes(self) -> Flags:
        """The draws in which each encoding meets every need (draws, encodings)."""
        return np.asarray((self.excess <= 0).all(axis=2))

    def name(self, index: int) -> str | None:
        """The encoding at an index; None for nobody."""
        return None if index == NOBODY else self.draws.encodings[index]

    def choose(self, eligible: Flags) -> int:
        """The preferred one by the points."""
        return int(prefer(self.point_costs, eligible, self.request, self.first))


def sort_keys(costs: Floats, request: ChoiceRequest) -> list[Floats]:
    """What orders encodings, the first key first, less is better: costs (…, encodings, goals). A
    wait counts from the floor on. Every wish but the last counts in steps; what all of them leave
    goes by the last wish, then by the others, without steps, at last without a floor."""
    count, origins, floored = costs.shape[-1], request.origins, above_floor(costs, request)
    bare = np.moveaxis(costs, -1, 0)
    if request.weights:
        return [np.asarray(floored @ np.asarray(request.weights)), *bare]
    goals = list(range(count))
    plain = [floored[..., goal] for goal in (*goals[-1:], *goals[:-1])]
    if not request.log_margin:
        return [*plain[1:], *plain[:1], *bare]
    steps = [
        np.ceil((floored[..., goal] - origins[goal]) / request.log_margin - STEP_SLACK)
        for goal in goals[:-1]
    ]
    return [*steps, *plain, *bare]


def above_floor(costs: Floats, request: ChoiceRequest) -> Floats:
    """No wait counts for less than the floor."""
    return np.asarray(np.where(request.is_floored, np.maximum(costs, request.origins), costs))


STEP_SLACK: Final = 1e-9  # Of a step: a value that lies on its edge but for rounding lies in it


def prefer(
    costs: Floats, eligible: Flags, request: ChoiceRequest, first: int = NOBODY
) -> np.ndarray[tuple[int, ...], np.dtype[np.intp]]:
    """The index of the preferred encoding, or `NOBODY`: costs (…, encodings, goals), less is
    better; eligible (…, encodings). Ties go to the first one; `first` is taken where eligible."""
    left = _preferred(costs, eligible, request, first)
    return np.where(left.any(axis=-1), left.argmax(axis=-1), NOBODY)


def _preferred(costs: Floats, eligible: Flags, request: ChoiceRequest, first: int) -> Flags:
    """Which are preferred, as `prefer` says: several where every goal leaves a tie."""
    left = eligible
    with np.errstate(invalid="ignore"):
        for key in sort_keys(costs, request):
            left = np.asarray(left & (key <= np.where(left, key, np.inf).min(-1, keepdims=True)))
    if first == NOBODY:
        return left
    is_first = np.arange(eligible.shape[-1]) == first
    return np.where(eligible[..., first, np.newaxis], is_first, left)


def shares_preferred(model: ChoiceModel, eligible: Flags) -> Floats:
    """In which share of draws each encoding is preferred; ties count for all in equal parts."""
    left = _preferred(model.costs, eligible, model.request, model.first)
    each = left / np.maximum(left.sum(axis=-1, keepdims=True), 1)
    return np.asarray(each.mean(axis=0))


def dominance(costs: Floats, rivals: Flags) -> Floats:
    """How often any of the `rivals` of a draw dominates each encoding: costs (draws, encodings,
    goals), rivals (draws, encodings) or of every draw (encodings,), shares (encodings,)."""
    return np.array([dominated_share(costs, rivals, row) for row in range(costs.shape[1])])


def dominated_share(costs: Floats, rivals: Flags, row: int) -> float:
    """As `dominance`, of the encoding at `row` alone."""
    mine = costs[:, row : row + 1, :]
    dominates = (costs <= mine).all(axis=-1) & (costs < mine).any(axis=-1) & rivals
    return float(dominates.any(axis=-1).mean())


def find_leader(model: ChoiceModel, in_play: Flags, best: Floats) -> tuple[int, Flags]:
    """Who leads, and the candidates that the points chose from: those that are likely to meet all
    needs; without any, the likeliest. Where another one is the likelier choice, that one leads."""
    chances = np.where(in_play, model.passes.mean(axis=0), -1.0)
    candidates = np.asarray(in_play & (chances >= min(LIKELY, chances.max())))
    chosen = model.choose(candidates)
    if chosen != NOBODY and best.max() > best[chosen]:
        chosen = int(best.argmax())
    return chosen, candidates


def find_runner_up(
    model: ChoiceModel, best: Floats, in_play: Flags, candidates: Flags, chosen: int
) -> int:
    """The other one in play that is the likeliest to be the `best`, as far as a table shows; or
    else the rule's choice among the other candidates, or among those still in play. Who comes
    second at the points may never be the best, where a third one is before it whenever the first is
    not; a doubt names the one that it is about."""
    if chosen == NOBODY:
        return NOBODY
    is_other = np.arange(best.size) != chosen
    others = candidates & is_other
    chances = np.where(in_play & is_other, best, 0.0)
    if chances.max() >= SHOWN_CHANCE:
        return int(chances.argmax())
    return model.choose(others if others.any() else in_play & is_other)


def chance_ahead(model: ChoiceModel, chosen: int, second: int) -> float | None:
    """The share of draws in which the chosen one is the choice, only these two standing; None where
    there is no runner-up or too few rounds for a chance."""
    if NOBODY in (chosen, second) or model.draws.is_thin:
        return None
    pair = np.isin(np.arange(model.costs.shape[1]), (chosen, second))
    return float(shares_preferred(model, model.passes & pair)[chosen])


def decided_by(model: ChoiceModel, chosen: int, second: int) -> Wish | None:
    """The wish that sets the chosen one apart from the runner-up; None where none does."""
    request = model.request
    if NOBODY in (chosen, second) or chosen == model.first:
        return None
    if request.weights:
        with np.errstate(invalid="ignore"):
            lead = model.point_costs[second] - model.point_costs[chosen]
        return request.wishes[int((lead * np.array(request.weights)).argmax())]
    count = len(request.wishes)
    goals = [*range(count), *range(count - 1), *range(count)]
    keys = [key[[chosen, second]] for key in sort_keys(model.point_costs, request)]
    apart = [goal for goal, key in zip(goals, keys, strict=False) if key[0] != key[1]]
    return request.wishes[apart[0]] if apart else None


JUST_BEYOND: Final = 1e-9  # A step past a border on the log scale: far below anything measured

GREATEST_RATIO: Final = 100.0
"""A change of a measurement by more than this factor says that nothing would change the choice."""


def find_tipping_points(
    model: ChoiceModel, candidates: Flags, chosen: int, comparable: Flags
) -> tuple[TippingPoint, ...]:
    """At most one a need and wish, the smallest first; who is not `comparable` is never chosen."""
    found: list[TippingPoint | None] = []
    if not model.draws.is_thin:
        found += [_need_point(model, n, chosen, comparable) for n in range(model.excess.shape[2])]
    if chosen != NOBODY:
        goals = range(len(model.request.wishes))
        found += [_measurement_point(model, goal, candidates, chosen) for goal in goals]
    points = [p for p in found if p is not None and abs(math.log(p.ratio)) > 10 * STEP_SLACK]
    return tuple(sorted(points, key=lambda point: abs(math.log(point.ratio))))


def _need_point(model: ChoiceModel, n: int, chosen: int, comparable: Flags) -> TippingPoint | None:
    """The nearest limit at which another one would lead, or nobody be likely to meet all needs."""
    need = model.request.needs[n]
    if need.figure is None or need.limit is None:
        return None
    sign, unit = need.sign, need.figure.unit
    limit = sign * to_log(need.limit, unit)
    met = (np.delete(model.excess, n, axis=2) <= 0).all(axis=2) & comparable
    draws = np.where(met, limit + model.excess[:, :, n], math.inf)
    needed = math.ceil(LIKELY * len(draws))
    borders = np.partition(draws, needed - 1, axis=0)[needed - 1]
    tighter, looser = borders[borders <= limit] - JUST_BEYOND, borders[borders > limit]
    tried = np.concatenate([tighter, looser])
    tried = tried[np.isfinite(tried)]
    tried = tried[np.abs(tried - limit).argsort(kind="stable")]
    then = prefer(model.point_costs, borders <= tried[:, np.newaxis], model.request, model.first)
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
    then = prefer(changed, candidates, model.request, model.first).tolist()
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
    """Shifts just beyond those at which `who` draws level with another one, or comes into another
    step: to the worse of the chosen one, to the better of others; in logs of cost."""
    mine, costs, request = model.point_costs[who], model.point_costs[candidates], model.request
    direction = 1 if who == chosen else -1
    with np.errstate(invalid="ignore"):
        if request.weights:
            weights = np.asarray(request.weights)
            shifts: Floats = np.asarray((costs - mine) @ weights / weights[goal])
        else:
            shifts = costs[:, goal] - mine[goal]
            if request.log_margin and math.isfinite(mine[goal]):
                origin = request.origins[goal]
                reach = math.log(GREATEST_RATIO) / request.log_margin
                place = (mine[goal] - origin) / request.log_margin
                edges = np.arange(math.floor(place - reach), math.ceil(place + reach) + 1)
                shifts = np.append(shifts, edges * request.log_margin + origin - mine[goal])
    within = (shifts * direction >= 0) & (np.abs(shifts) <= math.log(GREATEST_RATIO))
    beyond: list[float] = (shifts[within] + direction * 2 * STEP_SLACK).tolist()
    return beyond
