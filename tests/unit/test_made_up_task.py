"""A task is a row of the task table: a made-up one works with no edit elsewhere in the model."""

from collections.abc import Iterator
from pathlib import Path
from typing import Literal

import pytest
from mezzmark.runner.trials import TrialContext, record_trial
from pydantic import Field, ValidationError

from fixtures.fabricated_run import Fabrication, fabricate_manifest
from mezzmark.model.cell import Cell, PlannedTrial, Setting
from mezzmark.model.errors import ScenarioError
from mezzmark.model.fact import NS_PER_S, Fact
from mezzmark.model.figures import figure_names, parse_figure
from mezzmark.model.jobs import ANSWER_ADAPTER, Measured, read_job
from mezzmark.model.problems import scenario_error
from mezzmark.model.records import HostMoment
from mezzmark.model.scenario import Scenario
from mezzmark.model.tasks import TASKS
from mezzmark.model.tasks.spec import (
    CountChoice,
    MediaReference,
    PreparedFootage,
    ProcessFacts,
    Seen,
    Stock,
    TaskSpec,
    Work,
    speed_figure,
)
from mezzmark.runner.plan import plan_cells, plan_round
from mezzmark.store.run_store import append_trial, create_run, read_run

MEDIA = MediaReference(media_path="a.mov", index_path="a.json")


class FetchSettings(Fact):
    """The table `[fetch]`."""

    threads: tuple[CountChoice, ...] = Field(default=(1, "all"), min_length=1)
    repeats: int = Field(default=3, ge=1)


class FetchJob(Fact):
    """Read a file again and again."""

    task: Literal["fetch"] = "fetch"
    source: MediaReference
    thread_count: int
    repeats: int
    scratch_dir: str


class FetchMeasurement(Fact):
    """The time of all readings together."""

    task: Literal["fetch"] = "fetch"
    frame_count: int
    wall_ns: int


def _plan(settings: FetchSettings, stock: Stock) -> Iterator[Cell]:
    for clip, name in stock.present():
        for threads in stock.counts(settings.threads):
            yield Cell(task="fetch", clip=clip, encoding=name, setting=Setting(threads=threads))


def _job(planned: PlannedTrial, settings: FetchSettings, footage: PreparedFootage) -> FetchJob:
    return FetchJob(
        source=footage.media[planned.cell.clip, planned.cell.encoding],
        thread_count=planned.cell.setting["threads"],
        repeats=settings.repeats,
        scratch_dir=footage.scratch_dir,
    )


def _work(seen: Seen) -> Work:
    measured = seen.measured
    return Work(sample_count=1, frame_count=measured.frame_count, wall_ns=measured.wall_ns)


FETCH = TaskSpec(
    name="fetch",
    label="fetching",
    verb="fetch",
    axes=("threads",),
    settings_model=FetchSettings,
    job_model=FetchJob,
    measurement_model=FetchMeasurement,
    engine_entry="nowhere:fetch",
    plan=_plan,
    job=_job,
    work=_work,
    figures=(speed_figure(_work, "fetch speed"),),
    headline="throughput_fps",
)


@pytest.fixture(autouse=True)
def _with_the_row(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(TASKS, "fetch", FETCH)


def scenario(**table: object) -> Scenario:
    """A scenario that asks for the made-up task alone."""
    clips = [{"name": "a", "recipe": {}}]
    return Scenario.model_validate({"name": "fetches", "seed": 1, "clips": clips, "fetch": table})


def test_planned_answered_stored_and_read_back(tmp_path: Path) -> None:
    """The table in the scenario becomes cells, a job, an answer, a line on disk and the same trial
    again; every model survives JSON."""
    asked = scenario(repeats=2)
    assert asked.tasks == {"fetch": FetchSettings(repeats=2)}
    assert Scenario.model_validate_json(asked.model_dump_json()) == asked

    cells = plan_cells(asked, media=[("a", "original")], core_count=4)
    assert [cell.cell_id for cell, _ in cells] == [
        "fetch | a | original | 1t",
        "fetch | a | original | 4t",
    ]
    planned = next(p for p in plan_round(cells, 0, seed=1) if p.cell == cells[1][0])
    footage = PreparedFootage(
        clips=["a"],
        frame_counts={"a": 96},
        media={("a", "original"): MEDIA},
        encodings=(),
        scratch_dir="scratch",
    )
    job = FETCH.job(planned, asked.tasks["fetch"], footage)
    assert job == FetchJob(source=MEDIA, thread_count=4, repeats=2, scratch_dir="scratch")
    assert read_job(job.model_dump_json().encode()) == job

    measurement = FetchMeasurement(frame_count=96, wall_ns=int(2 * NS_PER_S))
    answer = Measured(measurement=measurement, process=ProcessFacts(cpu_ns=5))
    told = ANSWER_ADAPTER.validate_json(answer.model_dump_json())
    assert told == answer
    moment = HostMoment()
    trial = record_trial(
        planned,
        told,
        TrialContext(started_utc="2026", wall_ns=9, host_before=moment, host_during=moment),
    )
    manifest = fabricate_manifest(Fabrication()).model_copy(update={"scenario": asked})
    create_run(tmp_path / "run", manifest)
    append_trial(tmp_path / "run", trial)
    run = read_run(tmp_path / "run")
    assert (run.manifest, run.trials, run.unknown) == (manifest, (trial,), {})
    view = FETCH.view(run.trials[0].measurement, trial.process)
    assert FETCH.figure("throughput_fps").of(view) == 48


def test_named_figures_and_schema_follow_the_row() -> None:
    """Needs can name its figure, with its axes' counts, and the scenario's JSON Schema has its
    table."""
    assert "fetch.throughput_fps" in figure_names()
    assert parse_figure("fetch.2t.throughput_fps", where="test").thread_count == 2
    with pytest.raises(ScenarioError):
        parse_figure("fetch.2j.throughput_fps", where="test")
    table = Scenario.model_json_schema()["properties"]["fetch"]
    assert set(table["properties"]) == {"threads", "repeats"}


def test_a_mistake_in_its_table_is_told_with_its_line() -> None:
    """The file's line, the key, and the table's own nearest key."""
    text = '[fetch]\nrepeat = 2\n\n[[clips]]\nname = "a"\n'
    data = {"name": "n", "seed": 1, "clips": [{"name": "a", "recipe": {}}], "fetch": {"repeat": 2}}
    with pytest.raises(ValidationError) as failure:
        Scenario.model_validate(data)
    error = scenario_error(failure.value, source="s.toml", text=text, data=data, model=Scenario)
    assert error.where == "s.toml, line 2, fetch.repeat"
    assert '"repeats"' in error.remedy
