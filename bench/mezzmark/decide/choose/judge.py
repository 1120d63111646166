"""The choice from figures that are drawn: encodings judged one by one, then beside each other."""

import math
from collections.abc import Mapping, Sequence
from typing import Final

import numpy as np
from scipy import special

from mezzmark.decide.choose import preference
from mezzmark.decide.choose.choice import (
    FRONT_LEVEL,
    Choice,
    ChoiceRequest,
    JudgedEncoding,
    Lack,
    NeedResult,
    Status,
    Verdict,
)
from mezzmark.decide.choose.draws import FigureDraws, Flags, Floats
from mezzmark.decide.choose.needs import Traits, judge_needs, nearest_misses
from mezzmark.decide.estimate.ranking import RANKING_ROUNDS
from mezzmark.decide.estimate.rounds import MINIMUM_ROUNDS
from mezzmark.model.encoding import ORIGINAL
from mezzmark.model.request import Need
from mezzmark.model.tasks import TASKS


def choose_among(
    request: ChoiceRequest,
    draws: FigureDraws,
    traits: Mapping[str, Sequence[Traits]],
    wrong_counts: Mapping[str, int],
) -> Choice:
    """The choice from figures that are already drawn; `traits` and wrong pictures by encoding."""
    level = request.confidence_level
    results, excess = judge_needs(request.needs, draws, traits, confidence_level=level)
    places = [draws.place(wish.figure) for wish in request.wishes]
    signs = np.array([1.0 if wish.figure.better == "less" else -1.0 for wish in request.wishes])
    # More streams than every run tried are no better: others may play them too.
    most = {"streams": request.most_streams, "editors": request.most_editors}
    least = np.array([-math.log(most.get(w.figure.task, math.inf)) for w in request.wishes])
    model = preference.ChoiceModel(
        request=request,
        draws=draws,
        excess=excess,
        costs=np.maximum(draws.draws[:, :, places] * signs, least),
        point_costs=np.maximum(draws.points[:, places] * signs, least),
        first=_needless(request, draws.encodings),
    )
    columns = [[row[n] for row in results.values()] for n in range(len(request.needs))]
    not_shown = tuple(n for n, of in zip(request.needs, columns, strict=True) if _is_unshown(of))
    entries = [
        _judge(model, e, results[name], not_shown, wrong_counts.get(name, 0))
        for e, name in enumerate(draws.encodings)
    ]
    return _conclude(model, entries, not_shown)


def _is_unshown(results: Sequence[NeedResult]) -> bool:
    """Whether no encoding has the figure of a need, but for those that do without."""
    is_shown = [r.outcome != "not shown" for r in results if r.no_number != "nothing to do"]
    return bool(is_shown) and not any(is_shown)


def _needless(request: ChoiceRequest, encodings: Sequence[str]) -> int:
    """The place of the original where a need says how footage must play (`ChoiceModel.first`)."""
    tasks = {need.figure.task for need in request.needs if need.figure and need.figure.task}
    specs = [TASKS[task] for task in tasks if task in TASKS]
    is_asked = any(not spec.is_judged and not spec.is_free_for_original for spec in specs)
    return encodings.index(ORIGINAL) if is_asked and ORIGINAL in encodings else preference.NOBODY


def _judge(
    model: preference.ChoiceModel,
    e: int,
    results: Sequence[NeedResult],
    not_shown: Sequence[Need],
    wrong_count: int,
) -> JudgedEncoding:
    """One encoding by its needs, but for those `not_shown` of any, and by what else bars it."""
    draws, name = model.draws, model.draws.encodings[e]
    missing = [result.lack for result in results if result.lack and result.need not in not_shown]
    known = [result for result in results if result.lack not in missing]
    lacks = (*_bars(model, e, wrong_count), *missing)
    chance = float((model.excess[:, e] <= 0).all(axis=1).mean())
    is_unsure = draws.is_thin and any(result.chance is None for result in known)
    status: Status = "open"
    if any(result.outcome == "misses" for result in results):
        status = "ruled out"
    elif lacks:
        status = "not judged"
    elif not any(result.outcome == "open" for result in known):
        status = "meets"
    names = [wish.figure.name for wish in model.request.wishes]
    wished = {figure: draws.samples[name, figure] for figure in names}
    return JudgedEncoding(
        encoding=name,
        status=status,
        lacks=lacks,
        needs=tuple(results),
        figures={figure: one.estimate for figure, one in wished.items() if one.estimate},
        settings={figure: one.setting for figure, one in wished.items() if one.setting is not None},
        no_numbers={figure: one.no_number for figure, one in wished.items() if one.no_number},
        chance_all=None if missing or is_unsure else chance,
        chance_measured=None if is_unsure else chance,
    )


def _bars(model: preference.ChoiceModel, e: int, wrong_count: int) -> tuple[Lack, ...]:
    """Why an encoding takes no part, whatever the needs say."""
    bars = [Lack(kind="wrong pictures", have=wrong_count)] if wrong_count else []
    for goal, wish in enumerate(model.request.wishes):
        if lack := model.draws.samples[model.draws.encodings[e], wish.figure.name].lack:
            bars.append(lack.model_copy(update={"wish": wish}))
        elif model.request.weights and np.isinf(model.point_costs[e, goal]):
            bars.append(Lack(kind="no weight", wish=wish))
    return tuple(bars)


def _conclude(
    model: preference.ChoiceModel, entries: Sequence[JudgedEncoding], not_shown: tuple[Need, ...]
) -> Choice:
    draws, comparable = model.draws, np.array([not entry.lacks for entry in entries])
    status = np.array([entry.status for entry in entries])
    in_play = np.isin(status, ("meets", "open"))
    best = np.zeros(len(entries))
    if not draws.is_thin:
        best = preference.shares_preferred(model, model.passes & in_play)
    chosen, candidates = preference.find_leader(model, in_play, best)
    second = preference.find_runner_up(model, best, in_play, candidates, chosen)
    leader, ahead = model.name(chosen), preference.chance_ahead(model, chosen, second)
    cannot_say = bool(not_shown) and leader is not None
    verdict: Verdict = "none meets" if (status == "ruled out").any() else "nothing to judge"
    if leader is not None:
        verdict = "cannot say" if cannot_say else "ahead"
    is_by_rule = chosen == model.choose(candidates)
    choice = Choice(
        **dict(model.request),
        verdict=verdict,
        recommendation=None if cannot_say else leader,
        by_other_needs=leader if cannot_say else None,
        chance_best=None if leader is None or draws.is_thin else float(best[chosen]),
        runner_up=model.name(second),
        chance_ahead=ahead,
        is_told_apart=ahead is not None and ahead >= model.request.confidence_level,
        decided_by=preference.decided_by(model, chosen, second),
        rounds_short=_few_rounds(model),
        needs_not_shown=not_shown,
        encodings=_placed(model, entries, in_play, best, cannot_say=cannot_say),
        nearest=nearest_misses(entries) if verdict == "none meets" else (),
        tipping_points=preference.find_tipping_points(model, candidates, chosen, comparable)
        if is_by_rule
        else (),
        unit_count=draws.unit_count,
        is_thin=draws.is_thin,
        draw_count=draws.draws.shape[0],
    )
    if verdict != "ahead":
        return choice
    if choice.is_sure:
        return choice.model_copy(update={"verdict": "recommended"})
    missing = _rounds_missing(entries[chosen], ahead, model)
    return choice.model_copy(update={"rounds_missing": missing})


def _placed(
    model: preference.ChoiceModel,
    entries: Sequence[JudgedEncoding],
    in_play: Flags,
    best: Floats,
    *,
    cannot_say: bool,
) -> tuple[JudgedEncoding, ...]:
    """With what draws say of each one in play; where it `cannot_say` nobody surely meets all."""
    placed = []
    costs = preference.above_floor(model.costs, model.request)
    dominated = preference.dominance(costs, model.passes & in_play)
    if (first := model.first) != preference.NOBODY:  # where it meets the needs, nobody is better
        better = model.passes & in_play & ~model.passes[:, [first]]
        dominated[first] = preference.dominated_share(costs, better, first)
    for entry, is_in_play, chance, of_best in zip(
        entries, in_play, dominated.tolist(), best.tolist(), strict=True
    ):
        changes: dict[str, object] = {}
        if is_in_play and not model.draws.is_thin:
            front = "off it" if chance >= FRONT_LEVEL else "may be on it"
            changes = {"chance_best": of_best, "chance_dominated": chance}
            changes["front"] = "on it" if chance <= 1 - FRONT_LEVEL else front
        if cannot_say:
            changes["chance_all"] = None
            changes["status"] = "open" if entry.status == "meets" else entry.status
        placed.append(entry.model_copy(update=changes))
    return tuple(placed)


MOST_ROUNDS_MISSING: Final = 100
"""More than anybody measures: what is that near does not matter to the choice."""


def _few_rounds(model: preference.ChoiceModel) -> int:
    """Rounds that are missing before anybody is recommended: as many as a ranking takes, or enough
    for a chance where whole runs are drawn; none where no rounds are asked for."""
    count, is_round = model.draws.unit_count, model.request.unit == "round"
    enough = RANKING_ROUNDS if is_round else MINIMUM_ROUNDS
    return max(0, enough - count) if count else 0


def _rounds_missing(
    leader: JudgedEncoding, ahead: float | None, model: preference.ChoiceModel
) -> int | None:
    """About how many more rounds would settle who leads, if what is seen is so: a doubt of so many
    standard errors shrinks with the root of the rounds; None where hardly any number would."""
    draws, level = model.draws, model.request.confidence_level
    if draws.is_thin:
        return _few_rounds(model)
    missing = [result.rounds_missing for result in leader.outcomes("open")]
    for chance in (ahead, leader.chance_measured):
        if chance is not None and chance < level:
            if chance <= 0.5:
                return None
            ratio = (special.ndtri(level) / special.ndtri(chance)) ** 2
            missing.append(math.ceil(draws.unit_count * (ratio - 1)))
    most = max([*missing, _few_rounds(model)])
    return most if 0 < most <= MOST_ROUNDS_MISSING else None
