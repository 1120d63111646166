"""What a run that is gone on with brings along: its footage, seed, and how long it measures."""

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from mezzmark.model.scenario import Scenario, lowered_minimum
from mezzmark.runner.prepare import expand_files
from mezzmark.store.run_store import MANIFEST_NAME, read_manifest
from mezzmark.store.toml_files import build_scenario, read_scenario


@dataclass(frozen=True, slots=True, kw_only=True)
class AskedLimits:
    """What was asked for beside the scenario; None where nothing was."""

    rounds: int | None = None
    time_budget_s: float | None = None
    seed: int | None = None


def stored_scenario(run_dir: Path) -> Scenario | None:
    """The scenario of the run in this folder as it was measured; None where no run lies there.

    Raises RunError when the run cannot be read.
    """
    if not (Path(run_dir) / MANIFEST_NAME).is_file():
        return None
    return read_manifest(run_dir).scenario


def limit_scenario(
    plan: Scenario, asked: AskedLimits, *, stored: Scenario | None = None
) -> tuple[Scenario, tuple[str, ...]]:
    """The scenario with the limits asked for, or else those of the run gone on with; and notes on
    what was changed that nobody wrote.

    Fewer rounds than the scenario's minimum lower the minimum. ScenarioError for a limit that
    cannot be.
    """
    own = stored if stored is not None and stored.name == plan.name else plan
    rounds = own.rounds if asked.rounds is None else asked.rounds
    minimum = own.minimum_rounds if asked.rounds is None else plan.minimum_rounds
    limits = {
        "rounds": rounds,
        "minimum_rounds": lowered_minimum(rounds, minimum_rounds=minimum),
        "time_budget_s": own.time_budget_s if asked.time_budget_s is None else asked.time_budget_s,
        "seed": own.seed if asked.seed is None else asked.seed,
    }
    notes = []
    if limits["minimum_rounds"] != minimum:
        notes.append(
            f"{'1 round was' if rounds == 1 else f'{rounds} rounds were'} asked for, fewer than "
            f"the scenario's minimum of {minimum}: "
            f"the minimum of this run is {rounds}."
        )
    notes += _kept_limits_notes(own, plan, asked)
    if own.seed != plan.seed and asked.seed is None:
        notes.append(
            f"going on with the run's own seed, {own.seed}. The scenario now says {plan.seed}; "
            "another seed is another run: measure it into another folder with --out."
        )
    if all(getattr(plan, key) == value for key, value in limits.items()):
        return plan, tuple(notes)
    return build_scenario(plan.model_dump() | limits, source=plan.name), tuple(notes)


def _kept_limits_notes(own: Scenario, plan: Scenario, asked: AskedLimits) -> list[str]:
    """A note where the run's own limits, as far as none were asked for, are not the scenario's."""
    unasked = []
    if asked.rounds is None:
        unasked.append(("--rounds", _rounds(own), _rounds(plan)))
    if asked.time_budget_s is None:
        unasked.append(("--time-budget", _budget(own), _budget(plan)))
    differing = [limit for limit in unasked if limit[1] != limit[2]]
    if not differing:
        return []
    options, kept, said = zip(*differing, strict=True)
    change = f"{' and '.join(options)} {'change them' if len(options) > 1 else 'changes that'}"
    return [
        f"going on with the run's own limits: {', '.join(kept)}. "
        f"The scenario now says {', '.join(said)}; {change}."
    ]


def _rounds(plan: Scenario) -> str:
    return f"{plan.minimum_rounds} to {plan.rounds} rounds"


def _budget(plan: Scenario) -> str:
    return "no time budget" if plan.time_budget_s is None else f"{plan.time_budget_s:g} s"


def plan_measurement(
    scenario: str | Scenario,
    asked: AskedLimits,
    *,
    footage: Sequence[str] = (),
    earlier_run: Path | None = None,
) -> tuple[Scenario, tuple[str, ...]]:
    """What is to be measured, and notes on it. A scenario that is named takes what was not asked
    for from the run gone on with; one that is handed in says all itself."""
    if isinstance(scenario, Scenario):
        return limit_scenario(scenario, asked)
    stored = stored_scenario(earlier_run) if earlier_run else None
    plan = read_scenario(scenario, footage=footage, earlier=stored)
    return limit_scenario(plan, asked, stored=stored)


DEMO_SCENARIO: Final = "first-look"

DEMO_EXCERPT_S: Final = 4.0
"""Seconds of an own file that the demo measures: as long as the made-up clip."""

_NAMED_FILES: Final = 2
"""A title names so many files; further ones are counted."""


def plan_demo(footage: Sequence[str], *, earlier_run: Path | None = None) -> Scenario:
    """The demo's scenario, on these files if there are any, else on those of the run gone on with.

    FootageError for a path that names no file.
    """
    if footage:
        files = [str(Path(file).expanduser().absolute()) for file in footage]
        clip = {"name": "own", "files": files, "excerpt_s": DEMO_EXCERPT_S}
        return read_scenario(DEMO_SCENARIO, changes={"clips": [clip], "title": _title(files)})
    plan = read_scenario(DEMO_SCENARIO)
    stored = stored_scenario(earlier_run) if earlier_run else None
    if stored is None or stored.name != plan.name:
        return plan
    return plan.model_copy(update={"clips": stored.clips, "title": stored.title})


def _title(files: Sequence[str]) -> str:
    names = [Path(file).name for file in expand_files(files)]
    named = ", ".join(names[:_NAMED_FILES])
    more = f" and {len(names) - _NAMED_FILES} more" if len(names) > _NAMED_FILES else ""
    return f"A first look at {named}{more}: five encodings, a few minutes"
