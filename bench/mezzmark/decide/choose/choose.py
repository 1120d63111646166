"""Which encoding to use: needs rule out, wishes prefer, and every claim has its chance.

There is no overall score.
"""

from collections import Counter
from collections.abc import Mapping, Sequence
from typing import Final

import numpy as np

from mezzmark.decide.choose.choice import (
    FRONT_LEVEL,
    RIVAL_CHANCE,
    Addition,
    Choice,
    ChoiceRequest,
    Front,
    JudgedEncoding,
    Lack,
    Unit,
    Verdict,
)
from mezzmark.decide.choose.draws import CHOICE_SEED, DRAW_COUNT, FigureDraws, Flags, draw_figures
from mezzmark.decide.choose.evidence import RunFigures, list_encodings
from mezzmark.decide.choose.needs import (
    Traits,
    encoding_traits,
    judge_encoding,
    judge_needs,
    list_not_shown,
    nearest_misses,
)
from mezzmark.decide.choose.preference import NOBODY, ChoiceModel, Rule, dominance, prefer
from mezzmark.decide.choose.request import DEFAULT_WISHES, what_to_add
from mezzmark.decide.choose.sensitivity import find_tipping_points
from mezzmark.decide.estimate.complete_rounds import cut_short_round, run_names
from mezzmark.decide.estimate.observed_run import MeasuredRun, ObservedRun
from mezzmark.decide.estimate.rounds import MINIMUM_ROUNDS
from mezzmark.model.errors import RunError, ScenarioError
from mezzmark.model.request import ENCODING_FACTS, ChooseSettings, Need, Wish, check_fact_values
from mezzmark.model.run import Manifest
from mezzmark.model.tasks.scrub import ScrubMeasurement

_MACHINE: Final = ("host_label", "cpu_model", "usable_core_count", "memory_bytes")


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
    cut_short = ((place, cut_short_round(run)) for place, run in enumerate(observed))
    draws = draw_figures(
        {figure: known.samples(figure, encodings) for figure in figures},
        encodings,
        unit=_unit(len(runs)),
        cut_short={(place, index) for place, index in cut_short if index is not None},
        rng=np.random.default_rng(CHOICE_SEED),
        draw_count=draw_count,
    )
    request = _request(settings, asked, draws, known, observed)
    return choose_among(request, draws, traits, _count_wrong(observed))


def _unit(run_count: int) -> Unit:
    """From three runs on whole runs are drawn, for days differ more than rounds do."""
    return "run" if run_count >= MINIMUM_ROUNDS else "round"


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
    unit, begun = _unit(len(runs)), [len({t.round_index for t in run.trials}) for run in runs]
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
        unit=unit,
        run_count=len(runs),
        begun_count=len(runs) if unit == "run" else sum(begun),
    )


def refuse_unlike_runs(runs: Sequence[MeasuredRun]) -> None:
    """RunError unless all runs are of one machine, and clips and encodings of one name the same."""
    names = run_names(runs)
    for run, name in zip(runs[1:], names[1:], strict=True):
        unlike = _unlikeness(runs[0].manifest, run.manifest)
        if unlike:
            raise RunError(
                where=name,
                what=f"it cannot be put together with {names[0]}: {unlike}",
                remedy="Choose from runs of one machine and the same footage, one set at a time",
            )


def _unlikeness(first: Manifest, other: Manifest) -> str:
    for key in _MACHINE:
        if getattr(first.host, key) != getattr(other.host, key):
            return f"the machine's {key.replace('_', ' ')} differs"
    if {c.clip: c.fingerprint for c in first.clips} != {c.clip: c.fingerprint for c in other.clips}:
        return "the clips are not the same"
    known = {encoding.name: encoding for encoding in first.encodings}
    for encoding in other.encodings:
        if known.get(encoding.name, encoding) != encoding:
            return f'encoding "{encoding.name}" is defined differently'
    return ""


def _checked_traits(
    runs: Sequence[ObservedRun], encodings: Sequence[str], needs: Sequence[Need]
) -> dict[str, Sequence[Traits]]:
    """What each encoding is; ScenarioError where a need names what none of them is."""
    traits: dict[str, Sequence[Traits]] = {
        name: next((found for run in runs if (found := encoding_traits(run.manifest, name))), ())
        for name in encodings
    }
    met = {
        fact: {entry[fact] for found in traits.values() for entry in found if fact in entry}
        for fact in ENCODING_FACTS
    }
    check_fact_values(needs, met)
    return traits


def _how_to_measure(need: Need, runs: Sequence[ObservedRun]) -> Addition | None:
    """What makes a run measure a need's figure; None where a run's scenario asked for it."""
    if need.figure is None:
        return None
    added = [what_to_add(need.figure, run.manifest.scenario) for run in runs]
    return None if None in added else added[0]


def _count_wrong(runs: Sequence[ObservedRun]) -> Counter[str]:
    """Wrong pictures by encoding, over all runs and ways of moving."""
    counts: Counter[str] = Counter()
    for trial in (trial for run in runs for trial in run.trials):
        if isinstance(trial.measurement, ScrubMeasurement):
            counts[trial.cell.encoding] += trial.measurement.proof.count("wrong")
    return counts


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
        rule=Rule.build(request.weights, request.indifference_fraction),
    )
    not_shown = list_not_shown(request.needs, results)
    chances = passes.all(axis=2).mean(axis=0)
    entries = [
        judge_encoding(
            e,
            draws,
            results[name],
            request.wishes,
            _bars(model, e, wrong_counts.get(name, 0)),
            not_shown=not_shown,
            chance=float(chances[e]),
            confidence_level=level,
        )
        for e, name in enumerate(draws.encodings)
    ]
    return _conclude(model, entries, not_shown)


def _bars(model: ChoiceModel, e: int, wrong_count: int) -> tuple[Lack, ...]:
    """Why an encoding takes no part, whatever the needs say."""
    bars = [Lack(kind="wrong pictures", have=wrong_count)] if wrong_count else []
    for goal, wish in enumerate(model.request.wishes):
        if lack := model.draws.samples[model.draws.encodings[e], wish.figure.name].lack:
            bars.append(lack.model_copy(update={"wish": wish}))
        elif model.rule.weights and np.isinf(model.point_costs[e, goal]):
            bars.append(Lack(kind="no weight", wish=wish))
    return tuple(bars)


def _conclude(
    model: ChoiceModel, entries: Sequence[JudgedEncoding], not_shown: tuple[Need, ...]
) -> Choice:
    request, draws = model.request, model.draws
    candidates, verdict = _candidates(model, entries)
    chosen = int(prefer(model.point_costs, candidates, model.rule))
    entries = _with_chances(model, entries)
    second = _find_runner_up(model, entries, candidates, chosen)
    comparable = np.array([entry.is_comparable for entry in entries])
    leader, ahead = model.name(chosen), _chance_ahead(model, chosen, second)
    cannot_say = bool(not_shown) and leader is not None
    return Choice(
        **dict(request),
        verdict="cannot say" if cannot_say else verdict,
        recommendation=None if cannot_say else leader,
        by_other_needs=leader if cannot_say else None,
        chance_best=None if leader is None else entries[chosen].chance_best,
        runner_up=model.name(second),
        chance_ahead=ahead,
        is_told_apart=ahead is not None and ahead >= request.confidence_level,
        decided_by=_decided_by(model, chosen, second),
        needs_not_shown=not_shown,
        encodings=tuple(map(_without_claim, entries) if cannot_say else entries),
        nearest=nearest_misses(entries) if verdict == "none meets" else (),
        tipping_points=find_tipping_points(model, candidates, chosen, comparable),
        unit_count=draws.unit_count,
        is_thin=draws.is_thin,
        draw_count=draws.draws.shape[0],
    )


def _candidates(model: ChoiceModel, entries: Sequence[JudgedEncoding]) -> tuple[Flags, Verdict]:
    """Who may be recommended: the sure ones; without any, the likeliest to meet all needs."""
    status = np.array([entry.status for entry in entries])
    if (status == "meets").any():
        return np.asarray(status == "meets"), "recommended"
    is_open = np.asarray(status == "open")
    if is_open.any():
        chances = np.where(is_open, model.passes.all(axis=2).mean(axis=0), -1.0)
        return np.asarray(chances >= chances.max()), "none is sure"
    return is_open, "none meets" if (status == "ruled out").any() else "nothing to judge"


def _with_chances(
    model: ChoiceModel, entries: Sequence[JudgedEncoding]
) -> Sequence[JudgedEncoding]:
    """The entries with the chance of being best, and of being dominated, where rounds carry them.

    In every draw the best is the preferred one of those that meet all needs in that draw.
    """
    in_play = np.array([entry.status in ("meets", "open") for entry in entries])
    if not in_play.any() or model.draws.is_thin:
        return entries
    winners = prefer(model.costs, model.passes.all(axis=2) & in_play, model.rule)
    best = np.bincount(winners[winners != NOBODY], minlength=len(entries)) / len(winners)
    dominated = dominance(model.costs, in_play)
    return [
        entry.model_copy(
            update={
                "chance_best": float(best[e]),
                "chance_dominated": float(dominated[e]),
                "front": _front(float(dominated[e])),
            }
        )
        if in_play[e]
        else entry
        for e, entry in enumerate(entries)
    ]


def _front(chance_dominated: float) -> Front:
    if chance_dominated >= FRONT_LEVEL:
        return "off it"
    return "on it" if chance_dominated <= 1 - FRONT_LEVEL else "may be on it"


def _find_runner_up(
    model: ChoiceModel, entries: Sequence[JudgedEncoding], candidates: Flags, chosen: int
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
    return int(prefer(model.point_costs, others, model.rule))


def _chance_ahead(model: ChoiceModel, chosen: int, second: int) -> float | None:
    """The share of draws in which the chosen one comes before the runner-up, only these two
    standing; None where there is no runner-up or too few rounds for a chance."""
    if NOBODY in (chosen, second) or model.draws.is_thin:
        return None
    pair = np.zeros(len(model.draws.encodings), dtype=np.bool_)
    pair[[chosen, second]] = True
    eligible = np.broadcast_to(pair, model.costs.shape[:2])
    return float((prefer(model.costs, eligible, model.rule) == chosen).mean())


def _decided_by(model: ChoiceModel, chosen: int, second: int) -> Wish | None:
    """The wish that sets the chosen one apart from the runner-up; None without one."""
    wishes, rule = model.request.wishes, model.rule
    if NOBODY in (chosen, second):
        return None
    with np.errstate(invalid="ignore"):
        lead = model.point_costs[second] - model.point_costs[chosen]
    if rule.weights:
        return wishes[int((lead * np.array(rule.weights)).argmax())]
    apart = (wish for wish, gap in zip(wishes, lead, strict=True) if abs(gap) > rule.log_margin)
    return next(apart, wishes[-1])


def _without_claim(entry: JudgedEncoding) -> JudgedEncoding:
    """The entry where a need was not measured: nobody is known to meet all."""
    status = "open" if entry.status == "meets" else entry.status
    return entry.model_copy(update={"status": status, "chance_all": None})
