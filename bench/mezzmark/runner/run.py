"""Runs a scenario: prepare, then rounds of trials, each on disk before anyone hears of it."""

from collections.abc import Callable, Generator, Iterator
from contextlib import closing
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Any

from mezzmark import own_files
from mezzmark.host.common import Clock, HostWatch, read_host_moment
from mezzmark.model.cell import PlannedTrial
from mezzmark.model.errors import DiskFullError, InterruptedRunError
from mezzmark.model.fleet import Performed
from mezzmark.model.jobs import Job, JobFailed, Measured, WorkerFailed
from mezzmark.model.preparations import Answer
from mezzmark.model.records import Trial
from mezzmark.model.run import Manifest
from mezzmark.model.scenario import Scenario
from mezzmark.model.tasks import TASKS
from mezzmark.runner import events, start
from mezzmark.runner.prepare import Footage, prepare_footage
from mezzmark.runner.roots import cleared, place_footage
from mezzmark.runner.rounds import Rounds, StopWhen
from mezzmark.runner.workers import AheadWorkers, Dispatch, last_answer, raise_if
from mezzmark.store import run_store

Perform = Callable[[Job, float], Performed]
"""Does a trial's job, and tells when and around what it ran."""


@dataclass(frozen=True, slots=True)
class Elsewhere:
    """A `Dispatch` to another machine, whose clock and moments come with each result."""

    perform: Perform

    def __call__(self, job: Job, timeout_s: float) -> Iterator[Answer]:
        """The result alone."""
        yield self.perform(job, timeout_s).answer


def perform_job(job: Job, timeout_s: float, *, dispatch: Dispatch, clock: Clock) -> Performed:
    """Do a job on this machine; `wall_ns` includes the start of its process."""
    started_utc = clock.utc()
    host_before = read_host_moment()
    watch = HostWatch()
    start_ns = clock.monotonic_ns()
    answer = last_answer(dispatch(job, timeout_s))
    return Performed(
        answer=answer,
        started_utc=started_utc,
        wall_ns=clock.monotonic_ns() - start_ns,
        host_before=host_before,
        host_during=watch.read_during(),
    )


def run_scenario(
    scenario: Scenario,
    *,
    run_dir: str | Path,
    cache_dir: str | Path,
    resume: bool = False,
    dispatch: Dispatch | None = None,
    clock: Clock | None = None,
    stop_when: StopWhen | None = None,
    footage: Footage | None = None,
) -> Generator[events.Event]:
    """Measure a scenario into `run_dir`, saying what happens as it happens. A trial is on disk
    before its `TrialFinished` is yielded. Ctrl-C and `kill` end the run between trials with
    InterruptedRunError, dropping the running one; `resume` carries on, and RunError names what has
    changed if that makes it another run. `dispatch` stands in for worker processes here, or is
    `Elsewhere`, `stop_when` for the stop by precision, `footage` for what would be prepared."""
    run_dir, cache_dir = Path(run_dir), Path(cache_dir)
    is_new = not run_dir.exists()
    elsewhere = dispatch if isinstance(dispatch, Elsewhere) else None
    run_store.reserve_run_dir(run_dir, resume=resume)
    with (
        run_store.lock_folder(run_dir),
        start.clean_start(run_dir, is_new=is_new),
        start.trap_signals() as flag,
        closing(AheadWorkers(flag.is_set)) as workers,
        cleared(scenario.roots, run_dir, elsewhere) as left,
    ):
        is_resumed = run_store.reserve_run_dir(run_dir, resume=resume)
        if is_resumed:
            start.check_same_run(run_dir, scenario)
        dispatch, clock = dispatch or workers, clock or Clock()
        if footage is None:
            footage = yield from prepare_footage(scenario, cache_dir=cache_dir, dispatch=dispatch)
        described = start.describe_run(scenario, footage, cache_dir=cache_dir, clock=clock)
        footage, described = yield from place_footage(
            footage, scenario.roots, described, dispatch, run_dir
        )
        manifest, trials = start.open_run(run_dir, described, dispatch, is_resumed=is_resumed)
        cells, clock_ns = start.manifest_cells(manifest), clock.monotonic_ns
        rounds = Rounds(scenario, cells, trials, clock_ns=clock_ns, stop_when=stop_when)
        here = partial(perform_job, dispatch=dispatch, clock=clock)
        perform = dispatch.perform if isinstance(dispatch, Elsewhere) else here
        yield from _Session(run_dir, manifest, footage, rounds, perform, flag).measure()
    if left:
        yield events.Noted(message=f"copies could not be removed from: root {', '.join(left)}.")


@dataclass(frozen=True, slots=True)
class _Session:
    """The measuring part of one session of a run."""

    run_dir: Path
    manifest: Manifest
    footage: Footage
    rounds: Rounds
    perform: Perform
    flag: start.StopFlag

    def measure(self) -> Iterator[events.Event]:
        """All rounds that are still to be done, and the reason why there is no further one."""
        rounds = self.rounds
        yield events.Prepared(manifest=self.manifest, done=len(rounds.trials), total=rounds.total)
        own_files.clear_marked(self.run_dir, own_files.SCRATCH_PREFIX)  # of a killed session
        round_index, forecast = 0, None
        while rounds.is_begun(round_index) or not (reason := rounds.stop_reason(round_index)):
            if left := rounds.left(round_index):
                yield from self._round(round_index, left)
                if forecast is None and not rounds.stop_reason(round_index + 1):
                    forecast = rounds.forecast(round_index + 1)
                    yield from filter(None, [forecast])
            round_index += 1
        stopped = self.manifest.model_copy(update={"stop_reason": reason})
        run_store.write_manifest(self.run_dir, stopped)
        own_files.clear_marked(self.run_dir, own_files.SCRATCH_PREFIX)
        yield events.Stopped(reason=reason)

    def _round(self, round_index: int, left: list[PlannedTrial]) -> Iterator[events.Event]:
        rounds, total = self.rounds, self.rounds.total
        yield events.RoundStarted(
            round_index=round_index,
            round_count=rounds.scenario.rounds,
            trial_count=len(left),
            minimum_rounds=rounds.scenario.minimum_rounds,
        )
        forecast = None
        for number, planned in enumerate(left):
            if rounds.is_left_out(planned):
                continue
            if forecast is None and (forecast := rounds.early_forecast(left[number:])):
                yield forecast
            done = rounds.place(planned)
            time_left = rounds.time_left(left[number:])
            yield events.TrialStarted(cell=planned.cell, done=done, total=total, **time_left)
            trial = self._trial(rounds.with_player(planned))
            run_store.append_trial(self.run_dir, trial)
            rounds.note(trial)
            yield events.TrialFinished(trial=trial, done=done + 1, total=total)
            if rounds.is_given_up(trial):
                root = rounds.root_given_up(trial)
                yield events.CellGivenUp(cell=trial.cell, reason=trial.reason, root=root)
        yield events.RoundFinished(round_index=round_index)

    def _trial(self, planned: PlannedTrial) -> Trial:
        self._raise_if_stopped()
        lasting_s = 60 * (planned.cell.setting["minutes"] or 0)
        timeout_s = self.rounds.scenario.trial_timeout_s + lasting_s
        with run_store.scratch_folder(self.run_dir) as folder:
            job = describe_job(planned, self.rounds.scenario, self.footage, scratch_dir=str(folder))
            try:
                done = self.perform(job, timeout_s)
            except KeyboardInterrupt:
                self.flag.signal_name = "SIGINT"
                self._raise_if_stopped()
                raise
        answer = done.answer
        if isinstance(answer, WorkerFailed) and answer.outcome == "cancelled":
            self._raise_if_stopped()
        if not planned.cell.setting["root"]:  # elsewhere there may be room
            raise_if(answer, DiskFullError)  # no other job would fare better
        circumstances = {name: value for name, value in done if name not in ("kind", "answer")}
        return record_trial(planned, answer, **circumstances)

    def _raise_if_stopped(self) -> None:
        if self.flag.is_set():
            on_disk = f"{len(self.rounds.trials)} finished trials are on disk"
            what = f"stopped by {self.flag.signal_name}; {on_disk}"
            remedy = "The same command with --resume and this --out resumes from there."
            raise InterruptedRunError(where=str(self.run_dir), what=what, remedy=remedy)


def describe_job(
    planned: PlannedTrial, scenario: Scenario, footage: Footage, *, scratch_dir: str
) -> Job:
    """What a worker must do for this trial."""
    task = planned.cell.task
    inputs = footage.prepared(planned.cell.setting["root"], scratch_dir=scratch_dir)
    return TASKS[task].job(planned, scenario.tasks.get(task), inputs)


def record_trial(planned: PlannedTrial, answer: Answer, **circumstances: Any) -> Trial:
    """The record of a trial, whatever came of it. `circumstances` are its fields of when it ran,
    how long it took as its parent saw it (process start included), and what the machine did."""
    match answer:
        case Measured():
            came_of_it = {"outcome": "finished", **dict(answer)}
            del came_of_it["kind"]
        case JobFailed(where=where, what=what, flags=flags):
            came_of_it = {"outcome": "failed", "reason": f"{where}: {what}", "flags": flags}
        case WorkerFailed(outcome=outcome, reason=reason):
            came_of_it = {"outcome": outcome, "reason": reason}
        case _:
            reason = f"the worker answered with {answer.kind}"
            came_of_it = {"outcome": "crashed", "reason": reason}
    return Trial.model_validate({**dict(planned), **circumstances, **came_of_it})
