"""Which encoding to use: needs rule out, wishes prefer, and every claim has its chance."""

from collections.abc import Collection, Sequence
from typing import Any, Final

import numpy as np
from pydantic import ValidationError

from mezzmark.decide.choose import evidence
from mezzmark.decide.choose.choice import Addition, Choice, ChoiceRequest, JudgedEncoding
from mezzmark.decide.choose.draws import CHOICE_SEED, DRAW_COUNT, FigureDraws, draw_figures
from mezzmark.decide.choose.judge import choose_among
from mezzmark.decide.choose.needs import Traits, kept_things, traits_of
from mezzmark.decide.estimate.best_player import best_players
from mezzmark.decide.estimate.observed_run import ObservedRun, Runs, truncated_round
from mezzmark.decide.machine.noise import judge_disturbance
from mezzmark.model.errors import MezzmarkError, ScenarioError, nearest
from mezzmark.model.figures import FigureName
from mezzmark.model.making import Making, making_of
from mezzmark.model.problems import scenario_error
from mezzmark.model.request import (
    ChooseSettings,
    Need,
    Wish,
    doubtful_limit,
    parse_wishes,
    unknown_value,
)
from mezzmark.model.scenario import Scenario
from mezzmark.model.tasks.editors import EditorsSettings
from mezzmark.model.tasks.fidelity import metric_of
from mezzmark.model.tasks.streams import StreamsSettings

DEFAULT_WISHES: Final = parse_wishes(
    ("less scrub.jump.p50_ms", "more encode.throughput_fps", "less bitrate_bps")
)
"""Where nobody says otherwise: waiting, down to the floor, comes before encode time, and that
before size: a person waits many times a day, footage once, and disks are bought."""

DEFAULT_NEEDS: Final = (Need.parse("fidelity.delta_e_max <= 2"),)
"""Beside the default wishes, where fidelity was measured: colour shifts beyond 2 are seen side by
side (common practice)."""

NO_PROXY: Final = Need.parse("proxy = false")
"""Where proxies were measured beside others and no need speaks of them: they only serve editing."""


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
    names what cannot be read, is not legal, or was hardly meant so."""
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
    data = dict(base) | changes
    try:
        return ChooseSettings.model_validate(data)
    except ValidationError as failure:
        raise scenario_error(failure, source="choose", data=data, model=ChooseSettings) from failure


def list_unmeasured(scenario: Scenario) -> tuple[tuple[Need | Wish, Addition], ...]:
    """What of `[choose]` no run of this scenario answers, in order, each with what is missing."""
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
    runs: Runs,
    settings: ChooseSettings,
    *,
    draw_count: int = DRAW_COUNT,
    among: Collection[str] = (),
    sized: evidence.Sized | None = None,
) -> Choice:
    """The recommendation under needs and wishes, from one or more runs of one machine; of all their
    encodings, or of those `among`. Needs that no run measured are `not shown`, never passed; wishes
    that none measured are left out and named. RunError for runs that do not go together,
    ScenarioError if no wish was measured or a need names what nothing has, ValueError of no run."""
    if not runs:
        raise ValueError("a choice needs at least one run")
    observed = [ObservedRun.of(run) for run in runs]
    evidence.refuse_unlike_runs(observed)
    clips = _deciding_clips(observed, settings.clips)
    needs = _completed_needs(settings, observed)
    has_default_needs = bool(needs) and not settings.needs
    settings = settings.model_copy(update={"needs": needs})
    asked = settings.goals or DEFAULT_WISHES
    encodings = [name for name in evidence.list_encodings(observed) if not among or name in among]
    traits = _checked_traits(observed, encodings, settings.needs)
    known = evidence.RunFigures(
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
    request = request.model_copy(update={"has_default_needs": has_default_needs})
    choice = choose_among(request, draws, traits, evidence.count_wrong(observed))
    if settings.allow_missing:
        return _with_beside(choice, observed, settings, draw_count)
    return choice


def choose_with_doubt(
    runs: Runs, settings: ChooseSettings, *, sized: evidence.Sized | None = None
) -> Choice:
    """As `choose_encoding`, with `disturbance` and `making`."""
    observed = [ObservedRun.of(run) for run in runs]
    choice = choose_encoding(observed, settings, sized=sized)

    def chosen(part: Sequence[ObservedRun]) -> frozenset[str]:
        try:
            found = choice if part is observed else choose_encoding(part, settings, sized=sized)
        except MezzmarkError:  # too little is left
            return frozenset()
        return frozenset(found.chosen)

    doubt = judge_disturbance(observed, chosen, is_choice=True)
    return choice.model_copy(update={"disturbance": doubt, "making": _making(choice, observed)})


def _making(choice: Choice, runs: Sequence[ObservedRun]) -> Making | None:
    """How the recommended files are made of the first deciding clip, and of those like it."""
    manifests = [run.manifest for run in runs]
    found = (e for m in manifests for e in m.find_encodings(choice.recommendation or ""))
    clips = (c for m in manifests for c in m.clips if c.clip in choice.clips)
    encoding = next(found, None)
    return making_of(encoding, next(clips).original) if encoding else None


def _with_beside(
    choice: Choice, runs: Sequence[ObservedRun], settings: ChooseSettings, draw_count: int
) -> Choice:
    """With those that lack a clip set against the leader, each on its own clips alone."""
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


def _completed_needs(settings: ChooseSettings, runs: Sequence[ObservedRun]) -> tuple[Need, ...]:
    """The needs stated, and those that go without saying."""
    needs = settings.needs
    is_judged = any(trial.cell.task == "fidelity" for run in runs for trial in run.trials)
    if is_judged and not (settings.goals or needs):
        needs = DEFAULT_NEEDS
    made = {encoding.is_proxy for run in runs for encoding in run.manifest.encodings}
    is_open = len(made) > 1 and all(need.subject != NO_PROXY.subject for need in needs)
    return (*needs, NO_PROXY) if is_open else needs


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
    known: evidence.RunFigures,
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
    tables = [table for scenario in scenarios for table in scenario.tasks.values()]
    begun = [len({trial.round_index for trial in run.trials}) for run in runs]
    return ChoiceRequest(
        needs=tuple(additions),
        wishes=wishes,
        weights=tuple(wish.weight for wish in measured if wish.weight is not None),
        indifference_fraction=settings.indifference_fraction,
        confidence_level=settings.confidence_level,
        clips=known.clips,
        most_streams=min([256, *(t.most for t in tables if isinstance(t, StreamsSettings))]),
        most_editors=min([64, *(t.most for t in tables if isinstance(t, EditorsSettings))]),
        floor_ms=1000 / max(rates) if (rates := known.frame_rates.values()) else None,
        wishes_not_measured=tuple(wish.unweighted for wish in asked if wish not in measured),
        alternatives=tuple(wish for wish in possible if wish not in wishes),
        how_to_measure={need: addition for need, addition in additions.items() if addition},
        has_default_wishes=not settings.goals,
        wishes_from=next((s.name for s in scenarios if s.choose and s.choose.goals == asked), ""),
        unit=known.unit,
        run_count=len(runs),
        begun_count=len(runs) if known.unit == "run" else sum(begun),
        best_players=tuple(best for run in runs for best in best_players(run.trials)),
    )


def _checked_traits(
    runs: Sequence[ObservedRun], encodings: Sequence[str], needs: Sequence[Need]
) -> dict[str, Sequence[Traits]]:
    """What each encoding is, the original once a clip; ScenarioError for a need that names none."""
    traits: dict[str, Sequence[Traits]] = {}
    for name in encodings:
        found = (run.manifest.find_encodings(name) for run in runs)
        kept = kept_things(name, [run.manifest for run in runs])
        traits[name] = [traits_of(e) | kept for e in next(filter(None, found), ())]
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
