"""Which encoding to use: needs rule out, wishes prefer, and every claim has its chance.

There is no overall score. Ordered wishes decide one after the other; weighted ones by a weighted
sum of log ratios, which is only ever compared between encodings, never shown.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from mezzmark.decide import choose_words
from mezzmark.decide.choose_chances import (
    World,
    chance_ahead,
    decided_by,
    find_runner_up,
    reasons_not_judged,
    with_chances,
)
from mezzmark.decide.choose_draws import (
    CHOICE_SEED,
    DRAW_COUNT,
    Flags,
    Likely,
    draw_figures,
)
from mezzmark.decide.choose_evidence import RunFigures, list_encodings
from mezzmark.decide.choose_flips import Decision, find_flips
from mezzmark.decide.choose_needs import judge_needs
from mezzmark.decide.choose_parts import (
    judge_encodings_by_needs,
    nearest_misses,
    refuse_unlike_runs,
    wrong_pictures,
)
from mezzmark.decide.choose_preference import NOBODY, Rule, prefer
from mezzmark.decide.choose_traits import Traits, encoding_traits
from mezzmark.decide.evidence import MeasuredRun
from mezzmark.decide.rounds import MINIMUM_ROUNDS
from mezzmark.facts.choice import Choice, JudgedEncoding, Verdict
from mezzmark.facts.choosing import ChooseSettings, Need, Wish, parse_need, parse_wishes
from mezzmark.facts.errors import ScenarioError
from mezzmark.facts.scenario import Scenario

DEFAULT_WISHES: Final = (
    "less scrub.jump.p50_ms",
    "less bitrate_bps",
    "more encode.throughput_fps",
)
"""Where nobody says otherwise: waiting comes before size, and size before encode time, for a
person waits many times a day, a disk fills once, and encoding runs unattended."""

METHOD: Final = (
    "t draws of the mean logs, rounds paired across encodings; ruled out by t, Holm over needs "
    "and encodings"
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Question:
    """What is asked: needs, wishes that were measured, those that were not (`dropped`), and where
    they come from."""

    needs: tuple[Need, ...]
    wishes: tuple[Wish, ...]
    settings: ChooseSettings
    dropped: tuple[str, ...] = ()
    has_default_wishes: bool = False
    run_count: int = 1


def choose_encoding(
    runs: Sequence[MeasuredRun], settings: ChooseSettings, *, draw_count: int = DRAW_COUNT
) -> Choice:
    """The recommendation under needs and wishes, from one or more runs of one machine.

    Needs that no run measured are `not shown`, never passed; wishes that none measured are left
    out and named. Raises RunError for runs that do not belong together, ScenarioError where no
    wish was measured, ValueError without runs.
    """
    if not runs:
        raise ValueError("a choice needs at least one run")
    refuse_unlike_runs([run.manifest for run in runs])
    needs = tuple(parse_need(text) for text in dict.fromkeys(settings.needs))
    stated = parse_wishes(settings.wishes, weights=settings.weights)
    asked = stated or parse_wishes(DEFAULT_WISHES)
    likely = _draw(runs, needs, asked, draw_count)
    wishes, dropped = _measured_wishes(asked, likely)
    question = Question(
        needs=needs,
        wishes=wishes,
        settings=settings,
        dropped=dropped,
        has_default_wishes=not stated,
        run_count=len(runs),
    )
    traits = {
        name: next((found for run in runs if (found := encoding_traits(run.manifest, name))), ())
        for name in likely.encodings
    }
    return choose_among(question, likely, traits, wrong_pictures(runs))


def settings_for(
    scenarios: Sequence[Scenario],
    *,
    needs: Sequence[str] = (),
    wishes: Sequence[str] = (),
    indifference_fraction: float | None = None,
    confidence_level: float | None = None,
) -> ChooseSettings:
    """What is given, completed by the first scenario that has a `[choose]` table.

    Needs given replace the scenario's needs, wishes given its wishes and weights. ScenarioError
    names what cannot be read.
    """
    base = next((s.choose for s in scenarios if s.choose is not None), ChooseSettings())
    changes: dict[str, object] = {}
    if needs:
        changes["needs"] = tuple(parse_need(text).text for text in needs)
    if wishes:
        found = parse_wishes(wishes)
        weights = {wish.text: wish.weight for wish in found if wish.weight is not None}
        changes |= {"weights": weights, "wishes": () if weights else tuple(w.text for w in found)}
    if indifference_fraction is not None:
        changes["indifference_fraction"] = indifference_fraction
    if confidence_level is not None:
        changes["confidence_level"] = confidence_level
    return ChooseSettings.model_validate(base.model_dump() | changes)


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
    runs: Sequence[MeasuredRun], needs: Sequence[Need], wishes: Sequence[Wish], draw_count: int
) -> Likely:
    figures = {need.figure.name: need.figure for need in needs if need.figure is not None}
    figures |= {wish.figure.name: wish.figure for wish in wishes}
    encodings = list_encodings(runs)
    known = RunFigures(runs)
    return draw_figures(
        tuple(figures.values()),
        {name: known.columns(figure, encodings) for name, figure in figures.items()},
        encodings,
        run_count=len(runs),
        rng=np.random.default_rng(CHOICE_SEED),
        draw_count=draw_count,
    )


def _measured_wishes(
    wishes: Sequence[Wish], likely: Likely
) -> tuple[tuple[Wish, ...], tuple[str, ...]]:
    """Wishes whose figure some encoding has, and those that none has."""
    known = [bool((~np.isnan(likely.points[:, likely.place(w.figure.name)])).any()) for w in wishes]
    kept = tuple(w for w, is_known in zip(wishes, known, strict=True) if is_known)
    if not kept:
        raise ScenarioError(
            where=f'wish "{wishes[0].text}"',
            what="none of the wishes was measured in these runs",
            remedy="Wish for what was measured (the report lists it), or measure the missing task",
        )
    return kept, tuple(w.text for w, is_known in zip(wishes, known, strict=True) if not is_known)


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


def _conclude(entries: Sequence[JudgedEncoding], world: World, question: Question) -> Choice:
    likely, rule, settings, wishes = world.likely, world.rule, question.settings, question.wishes
    candidates, verdict = _candidates(entries, world)
    chosen = int(prefer(world.point_costs, candidates, rule))
    second = find_runner_up(entries, world, candidates, chosen)
    entries = with_chances(entries, world)
    ahead = chance_ahead(world, chosen, second)
    decision = Decision(
        encodings=likely.encodings,
        wishes=wishes,
        costs=world.point_costs,
        candidates=candidates,
        rule=rule,
        chosen=chosen,
    )
    flips = find_flips(
        decision,
        question.needs,
        likely,
        world.judged.passes,
        np.array([entry.is_comparable for entry in entries]),
        confidence_level=settings.confidence_level,
    )
    return Choice(
        verdict=verdict,
        recommendation=decision.name(chosen),
        chance_best=None if chosen == NOBODY else entries[chosen].chance_best,
        runner_up=decision.name(second),
        chance_ahead=ahead,
        is_told_apart=ahead is not None and ahead >= settings.confidence_level,
        decided_by="" if NOBODY in (chosen, second) else decided_by(world, wishes, chosen, second),
        needs=tuple(need.text for need in question.needs),
        needs_not_shown=world.judged.not_shown,
        wishes=tuple(wish.text for wish in wishes),
        weights=rule.weights,
        has_default_wishes=question.has_default_wishes,
        indifference_fraction=settings.indifference_fraction,
        confidence_level=settings.confidence_level,
        encodings=tuple(entries),
        nearest=nearest_misses(entries) if verdict == "none meets" else (),
        flips=flips,
        unit="run" if question.run_count >= MINIMUM_ROUNDS else "round",
        unit_count=likely.unit_count,
        draw_count=likely.draws.shape[0],
        method=METHOD,
        notes=choose_words.notes(question.dropped, likely, run_count=question.run_count),
    )
