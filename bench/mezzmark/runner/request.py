"""What is asked to be measured, and whether this machine can: a scenario with limits of its own, of
a resumed run or asked for; the demo on the synthetic clip or on the user's own files."""

import os
from collections import Counter
from collections.abc import Collection, Sequence
from dataclasses import dataclass
from itertools import product
from pathlib import Path
from typing import Final

from mezzmark.host.common import read_usable_core_count
from mezzmark.model.catalogue.core import find_encoding, resolve_custom
from mezzmark.model.encoding import ORIGINAL
from mezzmark.model.errors import ScenarioError, count_text
from mezzmark.model.problems import place
from mezzmark.model.scenario import RootSettings, Scenario
from mezzmark.runner.footage_files import find_files
from mezzmark.runner.plan import count_trials, plan_cells
from mezzmark.store.run_store import MANIFEST_NAME, read_manifest
from mezzmark.store.toml_files import build_scenario, read_scenario

DEMO_SCENARIO: Final = "first-look"

DEMO_EXCERPT_S: Final = 4.0
"""Seconds of an own file that the demo measures: as long as the synthetic clip."""

_NAMED_FILES: Final = 2
"""A title names so many files; further ones are counted."""


@dataclass(frozen=True, slots=True, kw_only=True)
class AskedLimits:
    """What was asked for beside the scenario; None where nothing was."""

    rounds: int | None = None
    time_budget_s: float | None = None
    seed: int | None = None


def plan_measurement(
    scenario: str | Scenario,
    asked: AskedLimits,
    *,
    footage: Sequence[str] = (),
    roots: Sequence[str] = (),
    earlier_run: Path | None = None,
) -> tuple[Scenario, tuple[str, ...]]:
    """What is to be measured, and notes on it. A scenario that is named takes what was not asked
    for from the resumed run; one that is handed in says all itself. `roots` are further ones."""
    if isinstance(scenario, Scenario):
        return limit_scenario(_with_roots(scenario, roots), asked)
    stored = _stored_scenario(earlier_run)
    plan = (
        plan_demo(footage, earlier_run=earlier_run)
        if scenario == DEMO_SCENARIO
        else read_scenario(scenario, footage=footage, earlier=stored)
    )
    return limit_scenario(_with_roots(plan, roots), asked, stored=stored)


def _with_roots(plan: Scenario, paths: Sequence[str]) -> Scenario:
    """Each called as its folder; ScenarioError where no task reads them."""
    places = [Path(os.path.expanduser(path)).absolute() for path in paths]
    more = (RootSettings(name=place.name[:60] or place.anchor, path=str(place)) for place in places)
    whole = plan.model_copy(update={"roots": (*plan.roots, *more)})
    if paths and not any("roots" in type(table).model_fields for table in plan.tasks.values()):
        what = "--root was passed but no task of this scenario reads files from a root"
        remedy = "Add a [scrub], [ingest] or [storage] table, or leave --root out."
        raise ScenarioError(where=plan.name, what=what, remedy=remedy)
    return whole


def plan_demo(footage: Sequence[str], *, earlier_run: Path | None = None) -> Scenario:
    """The demo on these files, or those of the resumed run. FootageError where there is none."""
    if footage:
        files = [str(Path(os.path.expanduser(file)).absolute()) for file in footage]
        clip = {"name": "own", "files": files, "excerpt_s": DEMO_EXCERPT_S}
        return read_scenario(DEMO_SCENARIO, changes={"clips": [clip], "title": _title(files)})
    plan = read_scenario(DEMO_SCENARIO)
    stored = _stored_scenario(earlier_run)
    if stored is None or stored.name != plan.name:
        return plan
    return plan.model_copy(update={"clips": stored.clips, "title": stored.title})


def limit_scenario(
    plan: Scenario, asked: AskedLimits, *, stored: Scenario | None = None
) -> tuple[Scenario, tuple[str, ...]]:
    """The scenario with the limits asked for, or else those of the resumed run; and notes on what
    nobody wrote. Fewer rounds lower the minimum. ScenarioError for an impossible limit."""
    own = stored if stored is not None and stored.name == plan.name else plan
    rounds = own.rounds if asked.rounds is None else asked.rounds
    minimum = own.minimum_rounds if asked.rounds is None else plan.minimum_rounds
    limits = {
        "rounds": rounds,
        "minimum_rounds": min(rounds, minimum),
        "time_budget_s": own.time_budget_s if asked.time_budget_s is None else asked.time_budget_s,
        "seed": own.seed if asked.seed is None else asked.seed,
    }
    lowered = f"minimum_rounds is {minimum} and lowered to {rounds}, the rounds asked for."
    notes = [lowered] if rounds < minimum else []
    requests = (asked.rounds, asked.time_budget_s, asked.seed)
    kept = [
        f"{text} (the scenario now says {now})"
        for request, text, now in zip(requests, _limits(own), _limits(plan), strict=True)
        if request is None and text != now
    ]
    if kept:
        notes.append(f"resumed with the run's own limits: {', '.join(kept)}.")
    return build_scenario({**dict(plan), **limits}, source=plan.name), tuple(notes)


def count_planned(
    plan: Scenario, clips: Sequence[str], missing: Collection[str]
) -> tuple[Counter[str], Counter[str]]:
    """As `count_trials`, of these clips in all encodings but those that are missing."""
    names = {ORIGINAL, *plan.encodings, *(custom.name for custom in plan.custom_encodings)}
    media = tuple(product(clips, names - set(missing)))
    cells = plan_cells(plan, media=media, core_count=read_usable_core_count())
    return count_trials(cells, plan.seed)


def check_encodings(plan: Scenario, *, source: str, text: str) -> dict[str, str]:
    """Catalogue encodings that this FFmpeg cannot make, with the reason. ScenarioError, with the
    line in `text`, for a custom one that it does not take."""
    from mezzmark.engines.encode.encoders import probe_encoding, suggest

    for index, custom in enumerate(plan.custom_encodings):
        fault = probe_encoding(resolve_custom(custom))
        if fault is not None:
            key, remedy = suggest(fault)
            where = place(source, text=text, path=("custom_encodings", index, key))
            what = f'encoding "{custom.name}" cannot be made: {fault.words}'
            raise ScenarioError(where=where, what=what, remedy=remedy)
    return {
        name: fault.words
        for name in plan.encodings
        if name != ORIGINAL and (fault := probe_encoding(find_encoding(name)))
    }


def _stored_scenario(run_dir: Path | None) -> Scenario | None:
    """The scenario of the run in this folder, if one lies there; RunError if it cannot be read."""
    if run_dir is None or not (run_dir / MANIFEST_NAME).is_file():
        return None
    return read_manifest(run_dir).scenario


def _limits(plan: Scenario) -> tuple[str, str, str]:
    budget_s = plan.time_budget_s
    budget = "no time budget" if budget_s is None else f"time budget {budget_s:g} s"
    least = f"{plan.minimum_rounds} to " if plan.minimum_rounds < plan.rounds else ""
    return f"{least}{count_text(plan.rounds, 'round')}", budget, f"seed {plan.seed}"


def _title(files: Sequence[str]) -> str:
    paths: dict[str, None] = {}
    for file in files:
        found = [file] if os.path.isdir(file) else [one.path for one in find_files([file])]
        paths |= dict.fromkeys(found)
    names = [Path(path).name for path in paths]
    named = ", ".join(names[:_NAMED_FILES])
    more = f" and {len(names) - _NAMED_FILES} more" if len(names) > _NAMED_FILES else ""
    return f"A first look at {named}{more}: five encodings, a few minutes"
