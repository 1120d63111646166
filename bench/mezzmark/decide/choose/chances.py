"""How sure the choice is: chances of being best, of being dominated, of being ahead of another."""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from mezzmark.decide.choose.choice import RIVAL_CHANCE, JudgedEncoding
from mezzmark.decide.choose.draws import Flags, Floats, Likely
from mezzmark.decide.choose.needs import Judged
from mezzmark.model.request import Wish
from mezzmark.report.prose import choice as choose_words
from mezzmark.report.prose.numbers import count_text


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


@dataclass(frozen=True, slots=True, kw_only=True)
class World:
    """All that the choice is made from: `costs` (draws, encodings, goals), less is better."""

    likely: Likely
    judged: Judged
    costs: Floats
    point_costs: Floats
    rule: Rule


def find_runner_up(
    entries: Sequence[JudgedEncoding], world: World, candidates: Flags, chosen: int
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
    return int(prefer(world.point_costs, others, world.rule))


def with_chances(entries: Sequence[JudgedEncoding], world: World) -> tuple[JudgedEncoding, ...]:
    """The entries with the chance of being best, and of being dominated, where rounds carry them.

    In every draw the best is the preferred one of those that meet all needs in that draw.
    """
    in_play = np.array([entry.status in ("meets", "open") for entry in entries])
    if not in_play.any() or world.likely.is_thin:
        return tuple(entries)
    draws = world.costs.shape[0]
    passes = world.judged.passes.all(axis=2) & in_play
    winners = prefer(world.costs, passes, world.rule)
    best = np.bincount(winners[winners != NOBODY], minlength=len(entries)) / draws
    dominated, by_whom = dominance(world.costs, in_play)
    return tuple(
        entry.model_copy(
            update={
                "chance_best": float(best[e]),
                "chance_dominated": float(dominated[e]),
                "dominated_by": world.likely.encodings[int(by_whom[e].argmax())]
                if by_whom[e].any()
                else None,
                "front": choose_words.front_of(float(dominated[e])),
            }
        )
        if in_play[e]
        else entry
        for e, entry in enumerate(entries)
    )


def chance_ahead(world: World, chosen: int, second: int) -> float | None:
    """The share of draws in which the chosen one comes before the runner-up, only these two
    standing; None where there is no runner-up or too few rounds for a chance."""
    if NOBODY in (chosen, second) or world.likely.is_thin:
        return None
    pair = np.zeros(len(world.likely.encodings), dtype=np.bool_)
    pair[[chosen, second]] = True
    eligible = np.broadcast_to(pair, world.costs.shape[:2])
    return float((prefer(world.costs, eligible, world.rule) == chosen).mean())


def decided_by(world: World, wishes: Sequence[Wish], chosen: int, second: int) -> str:
    """The wish that sets the chosen one apart from the runner-up."""
    with np.errstate(invalid="ignore"):
        lead = world.point_costs[second] - world.point_costs[chosen]
    if world.rule.weights:
        return wishes[int((lead * np.array(world.rule.weights)).argmax())].text
    for goal, gap in enumerate(lead[:-1]):
        if abs(gap) > world.rule.log_margin:
            return wishes[goal].text
    return wishes[-1].text


def reasons_not_judged(
    world: World, wishes: Sequence[Wish], wrong_counts: Mapping[str, int]
) -> dict[str, tuple[str, ...]]:
    """Why encodings take no part, whatever the needs say."""
    reasons: dict[str, tuple[str, ...]] = {}
    for e, name in enumerate(world.likely.encodings):
        wrong = wrong_counts.get(name, 0)
        found = [f"it showed {count_text(wrong, 'wrong picture')}"] if wrong else []
        for goal, wish in enumerate(wishes):
            if reason := world.likely.reasons.get((name, wish.figure.name)):
                found.append(f"{wish.figure.label}: {reason}")
            elif world.rule.weights and np.isinf(world.point_costs[e, goal]):
                found.append(f"{wish.figure.label}: nothing to do, which no weight can weigh")
        if found:
            reasons[name] = tuple(found)
    return reasons
