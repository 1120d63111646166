"""What would change the recommendation: the smallest change of each need, weight and measurement.

The decision is piecewise constant, so it is made again just beyond every place where it can
change, nearest first; the first that differs is the flip.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from mezzmark.decide.choose.chances import NOBODY, Rule, prefer
from mezzmark.decide.choose.choice import Flip
from mezzmark.decide.choose.draws import Flags, Floats, Likely, from_log, to_log
from mezzmark.model.request import Need, Wish

JUST_BEYOND: Final = 1e-9
"""A step past a border on the log scale: far below anything measured."""

GREATEST_RATIO: Final = 100.0
"""A flip that takes a change of more than this factor says that nothing would flip it."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Decision:
    """What the recommendation was made from: costs (encodings, goals) at the points, who is a
    candidate, whom the rule chose."""

    encodings: tuple[str, ...]
    wishes: tuple[Wish, ...]
    costs: Floats
    candidates: Flags
    rule: Rule
    chosen: int

    def name(self, index: int) -> str | None:
        """The encoding at an index; None for nobody."""
        return None if index == NOBODY else self.encodings[index]


def find_flips(
    decision: Decision,
    needs: Sequence[Need],
    likely: Likely,
    passes: Flags,
    judgeable: Flags,
    *,
    confidence_level: float,
) -> tuple[Flip, ...]:
    """One flip at most per need, wish and kind, the smallest change first; order changes last."""
    found: list[Flip | None] = []
    if not likely.is_thin:
        for n, need in enumerate(needs):
            if need.figure is not None:
                found.append(
                    _need_flip(decision, n, need, likely, passes, judgeable, confidence_level)
                )
    goals = range(len(decision.wishes)) if decision.chosen != NOBODY else ()
    for goal in goals:
        if decision.rule.weights:
            found.append(_weight_flip(decision, goal))
        found.append(_measurement_flip(decision, goal, likely))
    if goals and not decision.rule.weights:
        found.append(_indifference_flip(decision))
        found += [_order_flip(decision, goal) for goal in goals[:-1]]
    flips = [flip for flip in found if flip is not None]
    return tuple(sorted(flips, key=_size))


def _size(flip: Flip) -> float:
    if flip.ratio is None:
        return math.inf
    return abs(math.log(flip.ratio)) if flip.ratio > 0 else math.log(GREATEST_RATIO)


def _need_flip(
    decision: Decision,
    n: int,
    need: Need,
    likely: Likely,
    passes: Flags,
    judgeable: Flags,
    confidence_level: float,
) -> Flip | None:
    """The nearest limit at which another one, or nobody, would be recommended.

    An encoding is a candidate where it meets all needs with the stated chance; its own border is
    the limit at which that chance is reached.
    """
    assert need.figure is not None
    assert need.limit is not None
    sign = 1.0 if need.operator == "<=" else -1.0
    limit = sign * to_log(need.limit, need.figure.unit)
    others: Flags = np.asarray(np.delete(passes, n, axis=2).all(axis=2))
    draws = sign * likely.draws[:, :, likely.place(need.subject)]
    borders = np.array(
        [
            _border(draws[:, e], others[:, e], confidence_level) if judgeable[e] else math.inf
            for e in range(len(decision.encodings))
        ]
    )
    nearest = _nearest_change(decision, borders, limit)
    if nearest is None:
        return None
    new_limit, chosen = nearest
    return Flip(
        kind="need",
        subject=need.text,
        old_value=need.limit,
        new_value=from_log(sign * new_limit, need.figure.unit),
        ratio=math.exp(sign * (new_limit - limit)),
        unit=need.figure.unit,
        then=decision.name(chosen),
    )


def _border(draws: Floats, passes_others: Flags, confidence_level: float) -> float:
    """The least limit that enough of the draws keep, among those that keep all other needs."""
    needed = math.ceil(confidence_level * draws.size)
    kept = draws[passes_others]
    if kept.size < needed:
        return math.inf
    return float(np.partition(kept, needed - 1)[needed - 1])


def _nearest_change(decision: Decision, borders: Floats, limit: float) -> tuple[float, int] | None:
    """The tighter or looser limit, whichever is nearer, at which another one is chosen, and who."""
    tighter = sorted({b for b in borders if -math.inf < b <= limit}, reverse=True)
    looser = sorted({b for b in borders if limit < b < math.inf})
    changes = [
        _first_change(decision, borders, [b - JUST_BEYOND for b in tighter]),
        _first_change(decision, borders, looser),
    ]
    return min(
        (change for change in changes if change is not None),
        key=lambda change: abs(change[0] - limit),
        default=None,
    )


def _first_change(
    decision: Decision, borders: Floats, limits: Sequence[float]
) -> tuple[float, int] | None:
    for limit in limits:
        chosen = int(prefer(decision.costs, borders <= limit, decision.rule))
        if chosen != decision.chosen:
            return limit, chosen
    return None


def _weight_flip(decision: Decision, goal: int) -> Flip | None:
    """The nearest weight of one goal at which the weighted sums of two encodings cross."""
    weights = np.asarray(decision.rule.weights)
    lead = decision.costs - decision.costs[decision.chosen]
    lead[~decision.candidates] = np.nan
    rest = lead @ weights - lead[:, goal] * weights[goal]
    with np.errstate(divide="ignore", invalid="ignore"):
        crossings = -rest / lead[:, goal]
    legal = np.isfinite(crossings) & (crossings >= 0) & (crossings != weights[goal])
    legal[decision.chosen] = False
    if not legal.any():
        return None
    distance = np.where(legal, np.abs(np.log(np.maximum(crossings, 1e-12) / weights[goal])), np.inf)
    rival = int(distance.argmin())
    ratio = float(crossings[rival] / weights[goal])
    if ratio > GREATEST_RATIO or 0 < ratio < 1 / GREATEST_RATIO:
        return None
    return Flip(
        kind="weight",
        subject=decision.wishes[goal].text,
        old_value=float(weights[goal]),
        new_value=float(crossings[rival]),
        ratio=ratio,
        then=decision.encodings[rival],
    )


def _measurement_flip(decision: Decision, goal: int, likely: Likely) -> Flip | None:
    """The smallest change of one measured figure: the chosen one's worse, or a rival's better."""
    best: tuple[float, int, int] | None = None
    for who in np.flatnonzero(decision.candidates):
        shift = _shift_that_flips(decision, goal, int(who))
        if shift is not None and (best is None or abs(shift[0]) < abs(best[0])):
            best = shift[0], int(who), shift[1]
    if best is None:
        return None
    figure = decision.wishes[goal].figure
    sign = 1.0 if figure.better == "less" else -1.0
    old = sign * decision.costs[best[1], goal]
    return Flip(
        kind="measurement",
        subject=figure.name,
        encoding=decision.encodings[best[1]],
        old_value=from_log(old, figure.unit),
        new_value=from_log(old + sign * best[0], figure.unit),
        ratio=math.exp(sign * best[0]),
        unit=figure.unit,
        then=decision.name(best[2]),
    )


def _shift_that_flips(decision: Decision, goal: int, who: int) -> tuple[float, int] | None:
    """The least worsening of the chosen one, or betterment of another, after which the choice is
    another; in logs of cost."""
    costs, is_chosen = decision.costs, who == decision.chosen
    if not np.isfinite(costs[who, goal]):
        return None
    shifts = _borders_of(decision, goal, who)
    reach = math.log(GREATEST_RATIO)
    shifts = shifts[np.isfinite(shifts) & (np.abs(shifts) <= reach)]
    shifts = shifts[shifts >= 0] + JUST_BEYOND if is_chosen else shifts[shifts <= 0] - JUST_BEYOND
    if shifts.size == 0:
        return None
    shifts = shifts[np.abs(shifts).argsort()]
    changed = np.repeat(costs[np.newaxis], shifts.size, axis=0)
    changed[:, who, goal] += shifts
    chosen = prefer(changed, np.broadcast_to(decision.candidates, changed.shape[:2]), decision.rule)
    flipped = np.flatnonzero(chosen != decision.chosen)
    if flipped.size == 0:
        return None
    return float(shifts[flipped[0]]), int(chosen[flipped[0]])


def _borders_of(decision: Decision, goal: int, who: int) -> Floats:
    """Shifts at which `who` draws level with another one, or with the margin about it."""
    costs = decision.costs[decision.candidates]
    if decision.rule.weights:
        weights = np.asarray(decision.rule.weights)
        gaps = (costs - decision.costs[who]) @ weights
        return np.asarray(gaps / weights[goal])
    with np.errstate(invalid="ignore"):
        level = costs[:, goal] - decision.costs[who, goal]
    margin = decision.rule.log_margin
    return np.concatenate([level, level - margin, level + margin])


def _indifference_flip(decision: Decision) -> Flip | None:
    """The nearest other margin of indifference that gives another choice."""
    costs = decision.costs[decision.candidates]
    with np.errstate(invalid="ignore"):
        gaps = np.abs(costs[:, np.newaxis, :] - costs[np.newaxis])
    borders = gaps[np.isfinite(gaps)]
    now = decision.rule.log_margin
    tries = np.concatenate([borders + JUST_BEYOND, np.maximum(borders - JUST_BEYOND, 0)])
    for margin in sorted(set(tries.tolist()), key=lambda tried: abs(tried - now)):
        if margin > math.log(2):
            continue
        rule = Rule(weights=(), log_margin=margin)
        chosen = int(prefer(decision.costs, decision.candidates, rule))
        if chosen != decision.chosen:
            return Flip(
                kind="indifference",
                subject="difference that does not matter",
                old_value=math.expm1(now),
                new_value=math.expm1(margin),
                then=decision.name(chosen),
            )
    return None


def _order_flip(decision: Decision, goal: int) -> Flip | None:
    """Two neighbouring goals exchanged."""
    order = list(range(len(decision.wishes)))
    order[goal], order[goal + 1] = order[goal + 1], order[goal]
    chosen = int(prefer(decision.costs[:, order], decision.candidates, decision.rule))
    if chosen == decision.chosen:
        return None
    return Flip(
        kind="order",
        subject=f"{decision.wishes[goal + 1].text} before {decision.wishes[goal].text}",
        then=decision.name(chosen),
    )
