"""Which encoding to use: needs rule out, wishes prefer, and every claim has its chance.

There is no overall score. Ordered wishes decide one after the other; weighted ones by a weighted
sum of log ratios, which is only ever compared between encodings, never shown.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final, Literal

import numpy as np

from mezzmark.decide.choose.chances import (
    NOBODY,
    Rule,
    World,
    chance_ahead,
    decided_by,
    find_runner_up,
    prefer,
    reasons_not_judged,
    with_chances,
)
from mezzmark.decide.choose.choice import Choice, Flip, JudgedEncoding, Verdict
from mezzmark.decide.choose.draws import (
    CHOICE_SEED,
    DRAW_COUNT,
    Flags,
    Likely,
    draw_figures,
)
from mezzmark.decide.choose.evidence import RunFigures, list_encodings
from mezzmark.decide.choose.flips import Decision, find_flips
from mezzmark.decide.choose.needs import Traits, encoding_traits, judge_needs
from mezzmark.decide.choose.parts import (
    count_begun,
    cut_short_rounds,
    judge_encodings_by_needs,
    nearest_misses,
    refuse_unlike_runs,
    without_claims,
    wrong_pictures,
)
from mezzmark.decide.choose.question import (
    DEFAULT_WISHES,
    Question,
    find_remedies,
    measured_wishes,
    possible_wishes,
)
from mezzmark.decide.estimate.observed_run import MeasuredRun
from mezzmark.decide.estimate.rounds import MINIMUM_ROUNDS
from mezzmark.model.request import (
    FACT_NAMES,
    ChooseSettings,
    Need,
    Wish,
    check_fact_values,
    parse_need,
    parse_wishes,
)
from mezzmark.report.prose import choice as choose_words

METHOD: Final = (
    "t draws on the log scale about the report's estimates, rounds paired across encodings; ruled "
    "out by t, Holm over needs and encodings"
)


def choose_encoding(
    runs: Sequence[MeasuredRun], settings: ChooseSettings, *, draw_count: int = DRAW_COUNT
) -> Choice:
    """The recommendation under needs and wishes, from one or more runs of one machine.

    Needs that no run measured are `not shown`, never passed; wishes that none measured are left
    out and named. Raises RunError for runs that do not belong together, ScenarioError where no
    wish was measured or a need names a codec or container that nothing has, ValueError without
    runs.
    """
    if not runs:
        raise ValueError("a choice needs at least one run")
    refuse_unlike_runs(runs)
    needs = tuple(parse_need(text) for text in dict.fromkeys(settings.needs))
    stated = parse_wishes(settings.wishes, weights=settings.weights)
    asked = stated or parse_wishes(DEFAULT_WISHES)
    known = RunFigures(runs, confidence_level=settings.confidence_level)
    encodings = list_encodings(runs)
    traits = _checked_traits(runs, encodings, needs)
    likely = _draw(known, encodings, (needs, asked), runs, settings, draw_count)
    others = possible_wishes(known.measured_names())
    wishes, dropped = measured_wishes(asked, likely, others)
    question = Question(
        needs=needs,
        wishes=wishes,
        settings=settings,
        dropped=dropped,
        has_default_wishes=not stated,
        run_count=len(runs),
        begun_count=count_begun(runs),
        remedies=find_remedies(needs, runs),
        others=others,
    )
    return choose_among(question, likely, traits, wrong_pictures(runs))


def _checked_traits(
    runs: Sequence[MeasuredRun], encodings: Sequence[str], needs: Sequence[Need]
) -> dict[str, Sequence[Traits]]:
    """What each encoding is; ScenarioError where a need names what none of them is."""
    traits: dict[str, Sequence[Traits]] = {
        name: next((found for run in runs if (found := encoding_traits(run.manifest, name))), ())
        for name in encodings
    }
    check_fact_values(
        needs,
        {
            fact: {entry[fact] for found in traits.values() for entry in found if fact in entry}
            for fact in FACT_NAMES
        },
    )
    return traits


def choose_among(
    question: Question,
    likely: Likely,
    traits: Mapping[str, Sequence[Traits]],
    wrong_counts: Mapping[str, int],
) -> Choice:
    """The choice from figures that are already drawn; `traits` and wrong pictures by encoding."""
    world = _build_world(question, likely, traits)
    entries = judge_encodings_by_needs(
        likely,
        world.judged,
        question.wishes,
        reasons_not_judged(world, question.wishes, wrong_counts),
        confidence_level=question.settings.confidence_level,
    )
    return _conclude(entries, world, question)


def _draw(
    known: RunFigures,
    encodings: Sequence[str],
    asked: tuple[Sequence[Need], Sequence[Wish]],
    runs: Sequence[MeasuredRun],
    settings: ChooseSettings,
    draw_count: int,
) -> Likely:
    needs, wishes = asked
    figures = {need.figure.name: need.figure for need in needs if need.figure is not None}
    figures |= {wish.figure.name: wish.figure for wish in wishes}
    return draw_figures(
        tuple(figures.values()),
        {name: known.columns(figure, encodings) for name, figure in figures.items()},
        encodings,
        unit=_unit(len(runs)),
        cut_short=cut_short_rounds(runs),
        confidence_level=settings.confidence_level,
        rng=np.random.default_rng(CHOICE_SEED),
        draw_count=draw_count,
    )


def _unit(run_count: int) -> Literal["round", "run"]:
    """What was drawn again and again: from three runs on whole runs, for days differ more than
    rounds do."""
    return "run" if run_count >= MINIMUM_ROUNDS else "round"


def _build_world(
    question: Question, likely: Likely, traits: Mapping[str, Sequence[Traits]]
) -> World:
    settings, wishes = question.settings, question.wishes
    places = [likely.place(wish.figure.name) for wish in wishes]
    signs = np.array([1.0 if wish.figure.better == "less" else -1.0 for wish in wishes])
    weights = tuple(wish.weight for wish in wishes if wish.weight is not None)
    return World(
        likely=likely,
        judged=judge_needs(
            question.needs, likely, traits, confidence_level=settings.confidence_level
        ),
        costs=likely.draws[:, :, places] * signs,
        point_costs=likely.points[:, places] * signs,
        rule=Rule.build(weights, settings.indifference_fraction),
    )


def _candidates(entries: Sequence[JudgedEncoding], world: World) -> tuple[Flags, Verdict]:
    """Who may be recommended: the sure ones; without any, the likeliest to meet all needs."""
    status = np.array([entry.status for entry in entries])
    if (status == "meets").any():
        return np.asarray(status == "meets"), "recommended"
    is_open = np.asarray(status == "open")
    if is_open.any():
        chances = np.where(is_open, world.judged.chance_all, -1.0)
        return np.asarray(chances >= chances.max()), "none is sure"
    return np.zeros(len(entries), dtype=np.bool_), (
        "none meets" if (status == "ruled out").any() else "nothing to judge"
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class _Decided:
    """Who is chosen among the `entries` and who comes next, by name; what would flip it."""

    verdict: Verdict
    entries: tuple[JudgedEncoding, ...]
    leader: str | None
    chance_best: float | None
    runner_up: str | None
    chance_ahead: float | None
    decided_by: str
    flips: tuple[Flip, ...]


def _conclude(entries: Sequence[JudgedEncoding], world: World, question: Question) -> Choice:
    candidates, verdict = _candidates(entries, world)
    chosen = int(prefer(world.point_costs, candidates, world.rule))
    entries = with_chances(entries, world)
    second = find_runner_up(entries, world, candidates, chosen)
    decision = Decision(
        encodings=world.likely.encodings,
        wishes=question.wishes,
        costs=world.point_costs,
        candidates=candidates,
        rule=world.rule,
        chosen=chosen,
    )
    flips = find_flips(
        decision,
        question.needs,
        world.likely,
        world.judged.passes,
        np.array([entry.is_comparable for entry in entries]),
        confidence_level=question.settings.confidence_level,
    )
    is_pair = NOBODY not in (chosen, second)
    cannot_say = bool(world.judged.not_shown) and chosen != NOBODY
    decided = _Decided(
        verdict="cannot say" if cannot_say else verdict,
        entries=without_claims(entries) if cannot_say else entries,
        leader=decision.name(chosen),
        chance_best=None if chosen == NOBODY else entries[chosen].chance_best,
        runner_up=decision.name(second),
        chance_ahead=chance_ahead(world, chosen, second),
        decided_by=decided_by(world, question.wishes, chosen, second) if is_pair else "",
        flips=flips,
    )
    return _build_choice(decided, world, question)


def _build_choice(decided: _Decided, world: World, question: Question) -> Choice:
    """What was decided, with what was asked and what it rests on; one field after the other."""
    likely, settings = world.likely, question.settings
    not_shown, ahead = world.judged.not_shown, decided.chance_ahead
    cannot_say = decided.verdict == "cannot say"
    return Choice(
        verdict=decided.verdict,
        recommendation=None if cannot_say else decided.leader,
        by_other_needs=decided.leader if cannot_say else None,
        chance_best=decided.chance_best,
        runner_up=decided.runner_up,
        chance_ahead=ahead,
        is_told_apart=ahead is not None and ahead >= settings.confidence_level,
        decided_by=decided.decided_by,
        needs=tuple(need.text for need in question.needs),
        needs_not_shown=not_shown,
        needs_not_shown_remedies=question.remedies_of(not_shown),
        wishes=tuple(wish.text for wish in question.wishes),
        wishes_not_measured=question.dropped,
        weights=world.rule.weights,
        has_default_wishes=question.has_default_wishes,
        indifference_fraction=settings.indifference_fraction,
        confidence_level=settings.confidence_level,
        encodings=decided.entries,
        nearest=nearest_misses(decided.entries) if decided.verdict == "none meets" else (),
        flips=decided.flips,
        unit=_unit(question.run_count),
        unit_count=likely.unit_count,
        begun_count=question.begun_count,
        draw_count=likely.draws.shape[0],
        method=METHOD,
        notes=choose_words.notes(question, likely),
    )
