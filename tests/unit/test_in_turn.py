"""Several runs by one command: one after the other, and two installations in turn."""

import sys
from pathlib import Path

import pytest

from mezzmark import api
from mezzmark.decide.compare.evidence import choose_design, findable_fraction
from mezzmark.model.cell import Cell
from mezzmark.model.errors import InterruptedRunError, UsageError
from mezzmark.model.footage import ClipSpec, Recipe
from mezzmark.model.preparations import job_format
from mezzmark.model.scenario import Scenario
from mezzmark.model.tasks.encode import EncodeSettings
from mezzmark.runner import in_turn
from mezzmark.runner.events import Noted, Prepared, TrialStarted
from mezzmark.runner.in_turn import Environment, ask_environment, describe_environment
from mezzmark.runner.run import run_scenario
from mezzmark.store.run_store import read_run
from simulation.synthetic_engine import SyntheticEngine, Truth
from simulation.synthetic_footage import synthetic_footage

OTHER = Path("elsewhere/python")


@pytest.fixture
def plan() -> Scenario:
    return Scenario(
        name="synthetic",
        seed=3,
        rounds=3,
        minimum_rounds=3,
        clips=(ClipSpec(name="a", recipe=Recipe()),),
        encodings=("vc3-sq",),
        encode=EncodeSettings(threads=(1,), frames=10),
    )


@pytest.fixture
def pythons(monkeypatch: pytest.MonkeyPatch, plan: Scenario) -> list[str]:
    """The interpreter of each job, "" for this one; work and footage are made up."""
    engine, seen = SyntheticEngine(seed=1, usual=Truth(median_ms=0.0001)), []

    def worker(job, timeout_s, *, is_cancelled, python=""):
        seen.append(python)
        yield engine(job, timeout_s)

    def prepared(scenario, *, cache_dir, dispatch):
        yield from ()
        return synthetic_footage(scenario)

    other = Environment(
        job_format="f", mezzmark="9.9", python="CPython 9", library_versions={"libavcodec": "99"}
    )
    monkeypatch.setattr(in_turn, "run_worker", worker)
    monkeypatch.setattr(in_turn, "prepare_footage", prepared)
    monkeypatch.setattr(in_turn, "ask_environment", lambda python: other)
    return seen


def test_two_installations_alternate_by_rounds(
    tmp_path: Path, plan: Scenario, pythons: list[str]
) -> None:
    """A B, B A, A B, three trials a round; two ordinary folders, of which the second says what
    measured it."""
    asked = {"against": OTHER, "out": tmp_path / "x", "cache": tmp_path}
    first, second = api.measure_series(plan, **asked)
    here, there = [""] * 3, [str(OTHER)] * 3
    assert pythons == [*here, *there, *there, *here, *here, *there]
    runs = [read_run(first), read_run(second)]
    assert [len(run.trials) for run in runs] == [9, 9]
    assert [trial.seed for trial in runs[0].trials] == [trial.seed for trial in runs[1].trials]
    assert runs[1].manifest.mezzmark_version == "9.9"
    assert runs[1].manifest.host.library_versions == {"libavcodec": "99"}
    assert runs[0].manifest.host.library_versions != {"libavcodec": "99"}
    assert choose_design(runs[:1], runs[1:]) == "interleaved"


def test_what_was_stopped_in_turn_goes_on(
    tmp_path: Path, plan: Scenario, pythons: list[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Stopped after seven trials, the same with resume ends with nine trials on each side."""
    worker = in_turn.run_worker

    def until_stopped(job, timeout_s, **options):
        if len(pythons) == 7:
            raise KeyboardInterrupt
        return worker(job, timeout_s, **options)

    asked = {"against": OTHER, "out": tmp_path / "x", "cache": tmp_path}
    monkeypatch.setattr(in_turn, "run_worker", until_stopped)
    with pytest.raises(InterruptedRunError):
        api.measure_series(plan, **asked)
    monkeypatch.setattr(in_turn, "run_worker", worker)
    runs = [read_run(run) for run in api.measure_series(plan, resume=True, **asked)]
    assert [len(run.trials) for run in runs] == [9, 9]


def test_runs_are_repeated_in_folders_of_their_own(
    tmp_path: Path, plan: Scenario, monkeypatch: pytest.MonkeyPatch
) -> None:
    """`out` with -1, -2 and -3, one after the other, and what three find is told once, before the
    first trial; with `against` it is refused."""

    def made_up(plan, *, run_dir, cache_dir, resume):
        engine = SyntheticEngine(seed=1, usual=Truth(median_ms=0.0001))
        return run_scenario(
            plan,
            run_dir=run_dir,
            cache_dir=cache_dir,
            footage=synthetic_footage(plan),
            dispatch=lambda job, timeout_s: iter([engine(job, timeout_s)]),
        )

    monkeypatch.setattr("mezzmark.runner.run.run_scenario", made_up)
    events = []
    asked = {"out": tmp_path / "x", "cache": tmp_path, "on_event": events.append}
    found = api.measure_series(plan, repeat=3, **asked)
    assert found == tuple(tmp_path / f"x-{k}" for k in (1, 2, 3))
    kinds = [type(event) for event in events]
    assert (kinds.count(Prepared), kinds.count(Noted)) == (3, 1)
    assert kinds.index(Prepared) < kinds.index(Noted) < kinds.index(TrialStarted)
    assert api.measure(plan, **asked) == tmp_path / "x"
    with pytest.raises(UsageError):
        api.measure_series(plan, repeat=2, against=OTHER)


def test_an_installation_that_takes_other_jobs_is_refused(monkeypatch: pytest.MonkeyPatch) -> None:
    """What is no interpreter, and one whose jobs or answers have other fields."""
    with pytest.raises(UsageError, match="no installation answered"):
        ask_environment(OTHER)
    own = Environment.model_validate_json(describe_environment())
    assert own.job_format == job_format()
    answer = type("Answer", (), {"stdout": describe_environment().encode()})
    monkeypatch.setattr(in_turn.subprocess, "run", lambda *_, **__: answer)
    assert ask_environment(Path(sys.executable)) == own
    monkeypatch.setattr(in_turn, "job_format", lambda: "another")
    with pytest.raises(UsageError, match="takes other jobs"):
        ask_environment(Path(sys.executable))


def test_more_runs_find_less() -> None:
    """One, two and three runs a side of five cells at 5 %: each finds smaller slowings, none as
    small as the tolerance."""
    cells = [Cell(task="scrub", clip=f"{k}", encoding="e") for k in range(5)]
    found = [
        findable_fraction(cells, 10, run_count=count, tolerance_fraction=0.05)
        for count in (1, 2, 3)
    ]
    assert 0.15 > found[0] > found[1] > found[2] > 0.05
