"""How a run begins, or goes on: its folder, its manifest, and that it is the run that was meant."""

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from functools import partial
from pathlib import Path

from mezzmark.facts.jobs import Answer, Job
from mezzmark.facts.run import Manifest
from mezzmark.facts.scenario import Scenario
from mezzmark.runner.footage_files import own_file_names
from mezzmark.runner.interruption import StopWish
from mezzmark.runner.manifest import add_bandwidth
from mezzmark.runner.workers import Converse, Execute, converse_with_worker
from mezzmark.store.run_identity import (
    refuse_lost_footage,
    refuse_other_run,
    refuse_other_scenario,
)
from mezzmark.store.run_store import (
    Run,
    create_run,
    give_up_run_dir,
    read_manifest,
    read_run,
    write_manifest,
)


@contextmanager
def clean_start(run_dir: Path, *, is_new: bool) -> Iterator[None]:
    """A run that ends before its manifest is written leaves no file behind; its folder neither,
    where it made it (`is_new`). Folders made above that one stay: others may use them meanwhile."""
    try:
        yield
    except BaseException:
        give_up_run_dir(run_dir, with_folder=is_new)
        raise


def refuse_another(run_dir: Path, scenario: Scenario) -> None:
    """What can be told before anything is prepared: RunError for another scenario or footage."""
    before = read_manifest(run_dir)
    refuse_other_scenario(before.scenario, scenario, where=str(run_dir))
    refuse_lost_footage(before, own_file_names(scenario.clips), where=str(run_dir))


def begin_run(run_dir: Path, described: Manifest, converse: Converse) -> Run:
    """A new run on disk, without a trial yet."""
    manifest = add_bandwidth(described, converse)
    create_run(run_dir, manifest)
    return Run(run_dir=run_dir, manifest=manifest, trials=(), torn_line_count=0)


def go_on(run_dir: Path, described: Manifest) -> Run:
    """The run on disk, its scenario as asked for now: it may ask for more rounds or more time."""
    run = read_run(run_dir)
    refuse_other_run(run.manifest, described, where=str(run_dir))
    manifest = run.manifest.model_copy(update={"scenario": described.scenario, "stop_reason": ""})
    write_manifest(run_dir, manifest)
    return replace(run, manifest=manifest)


def choose_converse(execute: Execute | None, wish: StopWish) -> Converse:
    """How jobs are talked over: with a worker process, or with what stands in for one."""
    if execute is None:
        return partial(converse_with_worker, is_cancelled=wish.is_made)
    stand_in = execute

    def converse(job: Job, timeout_s: float) -> Iterator[Answer]:
        yield stand_in(job, timeout_s)

    return converse
