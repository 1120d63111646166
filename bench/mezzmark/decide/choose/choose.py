"""Which encoding to use: needs rule out, wishes prefer, and every claim has its chance."""

import math
from collections.abc import Collection, Mapping, Sequence
from typing import Any, Final

import numpy as np
from scipy import special

from mezzmark.decide.choose import preference
from mezzmark.decide.choose.choice import (
    FRONT_LEVEL,
    Addition,
    Choice,
    ChoiceRequest,
    JudgedEncoding,
    Lack,
    NeedResult,
    Status,
    Verdict,
)
from mezzmark.decide.choose.draws import (
    CHOICE_SEED,
    DRAW_COUNT,
    FigureDraws,
    Flags,
    Floats,
    draw_figures,
)
from mezzmark.decide.choose.evidence import (
    RunFigures,
    Sized,
    count_wrong,
    list_encodings,
    refuse_unlike_runs,
)
from mezzmark.decide.choose.needs import Traits, judge_needs, nearest_misses, traits_of
from mezzmark.decide.estimate.best_player import best_players
from mezzmark.decide.estimate.observed_run import MeasuredRun, ObservedRun, truncated_round
from mezzmark.decide.estimate.ranking import RANKING_ROUNDS
from mezzmark.decide.estimate.rounds import MINIMUM_ROUNDS
from mezzmark.model.encoding import ORIGINAL
from mezzmark.model.errors import ScenarioError, nearest
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
from mezzmark.model.tasks import TASKS
from mezzmark.model.tasks.fidelity import metric_of

DEFAULT_WISHES: Final = parse_wishes(
    ("less scrub.jump.p50_ms", "more encode.throughput_fps", "less bitrate_bps")
)
"""Where nobody says otherwise: waiting, down to the floor, comes before encode time, and that
before size, for a person waits many times a day, footage waits once for its encode, and disks are
bought."""

DEFAULT_NEEDS: Final = (Need.parse("fidelity.delta_e_max <= 2"),)
"""Beside the default wishes, where fidelity was measured: colour shifts beyond 2 are seen side by
side (common practice)."""


def settings_for(
    scenarios: Sequence[Scenario],
    *,
    needs: Sequence[str] = (),
    wishes: Sequence[str] = (),
    indifference_fraction: float | None = None,
    confidence_level: float | None = None,
    clips: Sequence[str] = (),
    allow_missing: bool = False,
    base: ChooseSettings | None = None,
) -> ChooseSettings:
    """What is given, completed by `base`, or by the first scenario that has a `[choose]` table.
    Needs given replace the scenario's needs, wishes given its wishes and weights. ScenarioError
    names what cannot be read, and a limit that was hardly meant so."""
    asked = tuple(map(Need.parse, needs))
    if doubt := next(filter(None, map(doubtful_limit, asked)), None):
        raise doubt
    stated = (s.choose for s in scenarios if s.choose is not None)
    base = base or next(stated, ChooseSettings())
    given: dict[str, object] = {
        "needs": asked or None,
        "wishes": parse_wishes(wishes) or None,
        "weights": {} if wishes else None,
        "indifference_fraction": indifference_fraction,
        "confidence_level": confidence_level,
        "clips": tuple(clips) or None,
        "allow_missing": allow_missing or None,
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
    if figure.task in ("", "shop"):
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
    runs: Sequence[MeasuredRun],
    settings: ChooseSettings,
    *,
    draw_count: int = DRAW_COUNT,
    among: Collection[str] = (),
    sized: Sized | None = None,
) -> Choice:
    """The recommendation under needs and wishes, from one or more runs of one machine; of all their
    encodings, or of those `among`.

    Needs that no run measured are `not shown`, never passed; wishes that none measured are left
    out and named. Raises RunError for runs that do not belong together, ScenarioError where no
    wish was measured or a need names a codec or container that nothing has, ValueError without
    runs.
    """
    if not runs:
        raise ValueError("a choice needs at least one run")
    observed = [ObservedRun.of(run) for run in runs]
    refuse_unlike_runs(observed)
    clips = _deciding_clips(observed, settings.clips)
    if not (settings.goals or settings.needs) and any(
        t.cell.task == "fidelity" for run in observed for t in run.trials
    ):
        settings = settings.model_copy(update={"needs": DEFAULT_NEEDS})
    asked = settings.goals or DEFAULT_WISHES
    encodings = [name for name in list_encodings(observed) if not among or name in among]
    traits = _checked_traits(observed, encodings, settings.needs)
    known = RunFigures(
        observed, confidence_level=settings.confidence_level, clips=clips, sized=sized
    )
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
    choice = choose_among(request, draws, traits, count_wrong(observed))
    if settings.allow_missing:
        return _with_beside(choice, observed, settings, draw_count)
    return choice


def _with_beside(
    choice: Choice, runs: Sequence[ObservedRun], settings: ChooseSettings, draw_count: int
) -> Choice:
    """The choice with those that lack a clip set against the leader, each on its own clips
    alone."""
    beside: dict[str, JudgedEncoding] = {}
    for entry in choice.encodings:
        missing = {clip for lack in entry.lacks for clip in lack.clips}
        own = tuple(clip for clip in choice.clips if clip not in missing)
        only_clips = all(lack.kind == "clip missing" and lack.clips for lack in entry.lacks)
        if missing and own and only_clips and choice.leader:
            mine = settings.model_copy(update={"clips": own, "allow_missing": False})
            two = (entry.encoding, choice.leader)
            pair = choose_encoding(runs, mine, draw_count=draw_count, among=two)
            chance = pair.find(entry.encoding).chance_best or 0.0
            changes = {"own_clips": own, "chance_beside": chance}
            beside[entry.encoding] = entry.model_copy(update=changes)
    entries = tuple(beside.get(entry.encoding, entry) for entry in choice.encodings)
    return choice.model_copy(update={"encodings": entries})


def _deciding_clips(runs: Sequence[ObservedRun], asked: Sequence[str]) -> tuple[str, ...]:
    """Those asked for, or all: known before any encoding is looked at."""
    known = tuple(clip.clip for clip in runs[0].manifest.clips)
    for name in asked:
        if name not in known:
            close = nearest(name, known, count=1)
            raise ScenarioError(
                where=f'clip "{name}"',
                what="no clip of these runs has that name",
                remedy=f"{f'Nearest: {close[0]}. ' if close else ''}Clips: {', '.join(known)}",
            )
    return tuple(clip for clip in known if clip in asked) or known


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
    scenarios = [run.manifest.scenario for run in runs]
    begun = [len({trial.round_index for trial in run.trials}) for run in runs]
    return ChoiceRequest(
        needs=tuple(additions),
        wishes=wishes,
        weights=tuple(wish.weight for wish in measured if wish.weight is not None),
        indifference_fraction=settings.indifference_fraction,
        confidence_level=settings.confidence_level,
        clips=known.clips,
        floor_ms=1000 / max(rates) if (rates := known.frame_rates.values()) else None,
        wishes_not_measured=tuple(wish.unweighted for wish in asked if wish not in measured),
        alternatives=tuple(wish for wish in possible if wish not in wishes),
        how_to_measure={need: addition for need, addition in additions.items() if addition},
        has_default_wishes=not settings.goals,
        has_default_needs=settings.needs is DEFAULT_NEEDS,
        wishes_from=next((s.name for s in scenarios if s.choose and s.choose.goals == asked), ""),
        unit=known.unit,
        run_count=len(runs),
        begun_count=len(runs) if known.unit == "run" else sum(begun),
        best_players=tuple(best for run in runs for best in best_players(run.trials)),
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
    if need.figure.task == "shop":
        return Addition(task="ingest", is_new_table=True)
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
    results, excess = judge_needs(request.needs, draws, traits, confidence_level=level)
    places = [draws.place(wish.figure) for wish in request.wishes]
    signs = np.array([1.0 if wish.figure.better == "less" else -1.0 for wish in request.wishes])
    model = preference.ChoiceModel(
        request=request,
        draws=draws,
        excess=excess,
        costs=draws.draws[:, :, places] * signs,
        point_costs=draws.points[:, places] * signs,
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
    """The place of the original where a need says how footage must play: where it meets all of
    them, no intermediate is needed."""
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
    """One encoding by its needs, but for those `not_shown` of any, and by what else bars it; with
    the figures that the wishes look at."""
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
    best = np.zeros(len(entries)) if draws.is_thin else preference.chances_best(model, in_play)
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
    """With what draws say of each one in play beside the others; where a need was not measured
    nobody is known to meet all."""
    placed = []
    dominated = preference.dominance(preference.above_floor(model.costs, model.request), in_play)
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
