"""A run is observed once, whoever asks, and its parts agree with what trials say."""

from pathlib import Path

import pytest

from fixtures.fabricated_run import Fabrication, fabricate_run
from mezzmark.decide.estimate import observed_run
from mezzmark.decide.estimate.observed_run import (
    ObservedRun,
    observe,
    read_costs,
    run_names,
)
from mezzmark.decide.picture.fidelity import judge_run
from mezzmark.model.request import ChooseSettings
from mezzmark.report.view import RunView
from mezzmark.store.run_store import read_run

EXAMPLE = Path(__file__).parents[2] / "results" / "example-natural"


def observed() -> ObservedRun:
    manifest, trials = fabricate_run(Fabrication(rounds=3))
    return ObservedRun(manifest, tuple(trials))


def test_parts_are_those_of_the_trials() -> None:
    """Observations and costs are what the functions of trials give."""
    run = observed()
    assert run.observations == observe(run.trials)
    assert run.costs == read_costs(run.trials)


def test_a_report_with_a_choice_observes_its_trials_once(monkeypatch: pytest.MonkeyPatch) -> None:
    """Ranking, choice and steadiness share the observations of the whole run."""
    counts: list[int] = []

    def counting(trials: object) -> object:
        counts.append(len(list(trials)))  # type: ignore[call-overload]
        return observe(trials)  # type: ignore[arg-type]

    monkeypatch.setattr(observed_run, "observe", counting)
    manifest, trials = fabricate_run(Fabrication(rounds=3))
    asked = ChooseSettings.model_validate({"wishes": ["less bitrate_bps"]})
    scenario = manifest.scenario.model_copy(update={"choose": asked})
    view = RunView(manifest.model_copy(update={"scenario": scenario}), trials)
    assert view.choice is not None
    assert counts == [len(trials)]


def test_known_observations_are_taken() -> None:
    """Whoever has the observations of some trials hands them on."""
    run = observed()
    part = ObservedRun(run.manifest, run.trials[:4], run.observations[:2])
    assert part.observations == run.observations[:2]


def test_pictures_are_judged_once() -> None:
    """The same answer object each time."""
    run = ObservedRun.of(read_run(EXAMPLE))
    first = judge_run(run)
    assert first
    assert judge_run(run) is first


def test_a_run_keeps_its_folder_and_itself() -> None:
    """Messages name an observed run as they name the run that was read."""
    run = read_run(EXAMPLE)
    wrapped = ObservedRun.of(run)
    assert run_names([wrapped]) == run_names([run])
    assert ObservedRun.of(wrapped) is wrapped
