"""Which encoding to use: needs rule out, wishes prefer, and every claim has its chance."""

from collections.abc import Mapping, Sequence
from typing import Any, Final

import numpy as np

from mezzmark.decide.choose.choice import (
    FRONT_LEVEL,
    Addition,
    Choice,
    ChoiceRequest,
    JudgedEncoding,
    Lack,
    NeedResult,
    Status,
)
from mezzmark.decide.choose.draws import CHOICE_SEED, DRAW_COUNT, FigureDraws, draw_figures
from mezzmark.decide.choose.evidence import (
    RunFigures,
    count_wrong,
    list_encodings,
    refuse_unlike_runs,
)
from mezzmark.decide.choose.needs import Traits, judge_needs, nearest_misses, traits_of
from mezzmark.decide.choose.preference import (
    ChoiceModel,
    chance_ahead,
    chances_best,
    decided_by,
    dominance,
    find_candidates,
    find_runner_up,
    find_tipping_points,
)
from mezzmark.decide.estimate.observed_run import MeasuredRun, ObservedRun, truncated_round
from mezzmark.model.errors import ScenarioError
from mezzmark.model.figures import FigureName
from mezzmark.model.request import (
    ChooseSettings,
    Need,
    Wish,
    doubtful_limit,
    parse_wishes,
    unknown_value,
)
from mezzmark.model.scenario import Scenario
from mezzmark.model.tasks.fidelity import metric_of

DEFAULT_WISHES: Final = parse_wishes(
    ("less scrub.jump.p50_ms", "less bitrate_bps", "more encode.throughput_fps")
)
"""Where nobody says otherwise: waiting comes before size, and size before encode time, for a
person waits many times a day, a disk fills once, and encoding runs unattended."""


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
    names what cannot be read, and a limit that was hardly meant so.
    """
    asked = tuple(map(Need.parse, needs))
    if doubt := next(filter(None, map(doubtful_limit, asked)), None):
        raise doubt
    base = next((s.choose for s in scenarios if s.choose is not None), ChooseSettings())
    given: dict[str, object] = {
        "needs": asked or None,
        "wishes": parse_wishes(wishes) or None,
        "weights": {} if wishes else None,
        "indifference_fraction": indifference_fraction,
        "confidence_level": confidence_level,
    }
    changes = {key: value for key, value in given.items() if value is not None}
    return ChooseSettings.model_validate(dict(base) | changes)


def list_unmeasured(scenario: Scenario) -> tuple[tuple[Need | Wish, Addition], ...]:
    """Needs and wishes of `[choose]` that no run of this scenario can answer, in their order, each
    with what is missing."""
    settings = scenario.choose or ChooseSettings()
    asked: tuple[Need | Wish, ...] = (*settings.needs, *settings.goals)
    return tuple(
        (one, addition)
        for one in asked
        if one.figure is not None and (addition := what_to_add(one.figure, scenario)) is not None
    )


def what_to_add(figure: FigureName, scenario: Scenario) -> Addition | None:
    """What makes the scenario measure a figure; None where it does already."""
    if not figure.task:
        return None
    settings: Any = scenario.tasks.get(figure.task)
    if settings is None:
        key = "patterns" if figure.pattern else ""
        return Addition(task=figure.task, key=key, value=figure.pattern or "", is_new_table=True)
    asked: dict[str, str | int | None] = {
        "patterns": figure.pattern,
        "metrics": metric_of(figure.figure),
        "threads": figure.thread_count,
        "jobs": figure.job_count,
    }
    for key, value in asked.items():
        # "half" and "all" are counts that only the machine knows.
        if value and not {value, "half", "all"} & set(getattr(settings, key, (value,))):
            return Addition(task=figure.task, key=key, value=value)
    return None


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
    observed = [ObservedRun.of(run) for run in runs]
    refuse_unlike_runs(observed)
    asked = settings.goals or DEFAULT_WISHES
    encodings = list_encodings(observed)
    traits = _checked_traits(observed, encodings, settings.needs)
    known = RunFigures(observed, confidence_level=settings.confidence_level)
    named: tuple[Need | Wish, ...] = (*settings.needs, *asked)
    figures = dict.fromkeys(one.figure for one in named if one.figure is not None)
    cut_short = ((place, truncated_round(run)) for place, run in enumerate(observed))
    draws = draw_figures(
        {figure: known.samples(figure, encodings) for figure in figures},
        encodings,
        unit=known.unit,
        cut_short={(place, index) for place, index in cut_short if index is not None},
        rng=np.random.default_rng(CHOICE_SEED),
        draw_count=draw_count,
    )
    request = _request(settings, asked, draws, known, observed)
    return choose_among(request, draws, traits, count_wrong(observed))


def _request(
    settings: ChooseSettings,
    asked: Sequence[Wish],
    draws: FigureDraws,
    known: RunFigures,
    runs: Sequence[ObservedRun],
) -> ChoiceRequest:
    """What is asked as far as these runs can answer it; ScenarioError where they answer no wish."""
    possible = tuple(Wish(figure=figure) for figure in known.timed_figures())
    measured = [w for w in asked if not np.isnan(draws.points[:, draws.place(w.figure)]).all()]
    if not measured:
        raise ScenarioError(
            where=f'wish "{asked[0].goal}"',
            what="none of the wishes was measured in these runs",
            remedy=f"Wish for what was measured ({', '.join(map(str, possible))}), or measure the "
            "missing task",
        )
    wishes = tuple(wish.unweighted for wish in measured)
    additions = {need: _how_to_measure(need, runs) for need in settings.needs}
    begun = [len({trial.round_index for trial in run.trials}) for run in runs]
    return ChoiceRequest(
        needs=tuple(additions),
        wishes=wishes,
        weights=tuple(wish.weight for wish in measured if wish.weight is not None),
        indifference_fraction=settings.indifference_fraction,
        confidence_level=settings.confidence_level,
        wishes_not_measured=tuple(wish.unweighted for wish in asked if wish not in measured),
        alternatives=tuple(wish for wish in possible if wish not in wishes),
        how_to_measure={need: addition for need, addition in additions.items() if addition},
        has_default_wishes=not settings.goals,
        unit=known.unit,
        run_count=len(runs),
        begun_count=len(runs) if known.unit == "run" else sum(begun),
    )


def _checked_traits(
    runs: Sequence[ObservedRun], encodings: Sequence[str], needs: Sequence[Need]
) -> dict[str, Sequence[Traits]]:
    """What each encoding is, the original once a clip, since clips may differ; ScenarioError where
    a need names what none of them is."""
    traits: dict[str, Sequence[Traits]] = {}
    for name in encodings:
        found = (run.manifest.find_encodings(name) for run in runs)
        traits[name] = [traits_of(encoding) for encoding in next(filter(None, found), ())]
    for need in needs:
        met = {entry.get(need.subject, "") for known in traits.values() for entry in known} - {""}
        if problem := unknown_value(need, met):
            raise problem
    return traits


def _how_to_measure(need: Need, runs: Sequence[ObservedRun]) -> Addition | None:
    """What makes a run measure a need's figure; None where a run's scenario asked for it."""
    if need.figure is None:
        return None
    added = [what_to_add(need.figure, run.manifest.scenario) for run in runs]
    return None if None in added else added[0]


def choose_among(
    request: ChoiceRequest,
    draws: FigureDraws,
    traits: Mapping[str, Sequence[Traits]],
    wrong_counts: Mapping[str, int],
) -> Choice:
    """The choice from figures that are already drawn; `traits` and wrong pictures by encoding."""
    level = request.confidence_level
    results, passes = judge_needs(request.needs, draws, traits, confidence_level=level)
    places = [draws.place(wish.figure) for wish in request.wishes]
    signs = np.array([1.0 if wish.figure.better == "less" else -1.0 for wish in request.wishes])
    model = ChoiceModel(
        request=request,
        draws=draws,
        passes=passes,
        costs=draws.draws[:, :, places] * signs,
        point_costs=draws.points[:, places] * signs,
    )
    not_shown = tuple(
        need
        for n, need in enumerate(request.needs)
        if all(row[n].outcome == "not shown" for row in results.values())
    )
    entries = [
        _judge(model, e, results[name], not_shown, wrong_counts.get(name, 0))
        for e, name in enumerate(draws.encodings)
    ]
    return _conclude(model, entries, not_shown)


def _judge(
    model: ChoiceModel,
    e: int,
    results: Sequence[NeedResult],
    not_shown: Sequence[Need],
    wrong_count: int,
) -> JudgedEncoding:
    """One encoding by its needs, but for those `not_shown` of any, and by what else bars it; with
    the figures that the wishes look at."""
    draws, name = model.draws, model.draws.encodings[e]
    missing = [result.lack for result in results if result.lack and result.need not in not_shown]
    known = [result for result in results if result.lack not in missing]
    lacks = (*_bars(model, e, wrong_count), *missing)
    chance = float(model.passes[:, e].all(axis=1).mean())
    is_unsure = draws.is_thin and any(result.chance is None for result in known)
    status: Status = "open"
    if any(result.outcome == "misses" for result in results):
        status = "ruled out"
    elif lacks:
        status = "not judged"
    elif chance >= model.request.confidence_level and not is_unsure:
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


def _bars(model: ChoiceModel, e: int, wrong_count: int) -> tuple[Lack, ...]:
    """Why an encoding takes no part, whatever the needs say."""
    bars = [Lack(kind="wrong pictures", have=wrong_count)] if wrong_count else []
    for goal, wish in enumerate(model.request.wishes):
        if lack := model.draws.samples[model.draws.encodings[e], wish.figure.name].lack:
            bars.append(lack.model_copy(update={"wish": wish}))
        elif model.request.weights and np.isinf(model.point_costs[e, goal]):
            bars.append(Lack(kind="no weight", wish=wish))
    return tuple(bars)


def _conclude(
    model: ChoiceModel, entries: Sequence[JudgedEncoding], not_shown: tuple[Need, ...]
) -> Choice:
    draws, level = model.draws, model.request.confidence_level
    status = np.array([entry.status for entry in entries])
    in_play = np.isin(status, ("meets", "open"))
    candidates, verdict = find_candidates(status, model.passes.all(axis=2).mean(axis=0))
    chosen = model.choose(candidates)
    best = np.zeros(len(entries)) if draws.is_thin else chances_best(model, in_play)
    second = find_runner_up(model, best, in_play, candidates, chosen)
    leader, ahead = model.name(chosen), chance_ahead(model, chosen, second)
    cannot_say = bool(not_shown) and leader is not None
    changes: list[dict[str, object]] = [{} for _ in entries]
    if not draws.is_thin:
        dominated = dominance(model.costs, in_play)
        for e in np.flatnonzero(in_play):
            chance = float(dominated[e])
            front = "off it" if chance >= FRONT_LEVEL else "may be on it"
            changes[e] = {
                "chance_best": float(best[e]),
                "chance_dominated": chance,
                "front": "on it" if chance <= 1 - FRONT_LEVEL else front,
            }
    if cannot_say:  # nobody is known to meet all
        for change, entry in zip(changes, entries, strict=True):
            change["chance_all"] = None
            change["status"] = "open" if entry.status == "meets" else entry.status
    return Choice(
        **dict(model.request),
        verdict="cannot say" if cannot_say else verdict,
        recommendation=None if cannot_say else leader,
        by_other_needs=leader if cannot_say else None,
        chance_best=None if leader is None or draws.is_thin else float(best[chosen]),
        runner_up=model.name(second),
        chance_ahead=ahead,
        is_told_apart=ahead is not None and ahead >= level,
        decided_by=decided_by(model, chosen, second),
        needs_not_shown=not_shown,
        encodings=tuple(
            entry.model_copy(update=change) for entry, change in zip(entries, changes, strict=True)
        ),
        nearest=nearest_misses(entries) if verdict == "none meets" else (),
        tipping_points=find_tipping_points(
            model, candidates, chosen, np.array([not entry.lacks for entry in entries])
        ),
        unit_count=draws.unit_count,
        is_thin=draws.is_thin,
        draw_count=draws.draws.shape[0],
    )
