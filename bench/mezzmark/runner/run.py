"""Runs a scenario: prepare, then rounds of trials, each on disk before anyone hears of it."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

from mezzmark.host.common import Clock, HostWatch, read_host_moment
from mezzmark.model.cell import PlannedTrial
from mezzmark.model.errors import InterruptedRunError
from mezzmark.model.fact import NS_PER_S
from mezzmark.model.jobs import Answer, Job, WorkerFailed
from mezzmark.model.records import Trial
from mezzmark.model.run import Manifest
from mezzmark.model.scenario import Scenario
from mezzmark.runner.events import (
    CellGivenUp,
    Event,
    Prepared,
    RoundFinished,
    RoundStarted,
    Stopped,
    TrialFinished,
    TrialStarted,
)
from mezzmark.runner.plan import PlannedCell, plan_round
from mezzmark.runner.prepare import Footage, prepare_footage
from mezzmark.runner.rounds import (
    Progress,
    StopWhen,
    TimeLeft,
    forecast_rounds,
    stop_at_precision,
    stop_reason,
    time_left,
)
from mezzmark.runner.start import (
    StopFlag,
    begin_run,
    check_same_run,
    choose_dispatch,
    clean_start,
    describe_run,
    manifest_cells,
    resume_run,
    trap_signals,
)
from mezzmark.runner.trials import TrialContext, describe_job, record_trial
from mezzmark.runner.workers import Dispatch, Execute, last_answer, raise_if_disk_full
from mezzmark.store.run_store import (
    append_trial,
    clear_scratch,
    lock_run,
    reserve_run_dir,
    scratch_folder,
    write_manifest,
)


def run_scenario(
    scenario: Scenario,
    *,
    run_dir: str | Path,
    cache_dir: str | Path,
    resume: bool = False,
    execute: Execute | None = None,
    clock: Clock | None = None,
    stop_when: StopWhen | None = None,
    footage: Footage | None = None,
) -> Iterator[Event]:
    """Measure a scenario into `run_dir`, saying what happens as it happens; prints nothing.

    A trial is on disk before its `TrialFinished` is yielded. Ctrl-C and `kill` end the run between
    trials with InterruptedRunError, the trial that was running being dropped; with `resume` the
    same call carries on where it stopped, and RunError names what has changed meanwhile if that
    makes it another run. `execute` stands in for worker processes, `stop_when` for the stop by
    precision, `footage` for what would be prepared.
    """
    run_dir, cache_dir = Path(run_dir), Path(cache_dir)
    is_new = not run_dir.exists()
    reserve_run_dir(run_dir, resume=resume)
    with lock_run(run_dir), clean_start(run_dir, is_new=is_new), trap_signals() as flag:
        is_resumed = reserve_run_dir(run_dir, resume=resume)
        if is_resumed:
            check_same_run(run_dir, scenario)
        dispatch = choose_dispatch(execute, flag)
        if footage is None:
            footage = yield from prepare_footage(scenario, cache_dir=cache_dir, dispatch=dispatch)
        clock = clock or Clock()
        manifest = describe_run(scenario, footage, cache_dir=cache_dir, clock=clock)
        if is_resumed:
            run = resume_run(run_dir, manifest)
        else:
            run = begin_run(run_dir, manifest, dispatch)
        rounds = _Rounds(
            run_dir=run_dir,
            manifest=run.manifest,
            footage=footage,
            cells=manifest_cells(run.manifest),
            progress=Progress(run.trials),
            dispatch=dispatch,
            flag=flag,
            clock=clock,
            started_ns=clock.monotonic_ns(),
            stop_when=stop_when or stop_at_precision(scenario),
        )
        yield from rounds.measure()


@dataclass(slots=True, kw_only=True)
class _Rounds:
    """The measuring part of one session of a run."""

    run_dir: Path
    manifest: Manifest
    footage: Footage
    cells: tuple[PlannedCell, ...]
    progress: Progress
    dispatch: Dispatch
    flag: StopFlag
    clock: Clock
    started_ns: int
    stop_when: StopWhen
    is_forecast: bool = False

    @property
    def scenario(self) -> Scenario:
        return self.manifest.scenario

    def measure(self) -> Iterator[Event]:
        """All rounds that are still to be done, and the reason why there is no further one."""
        per_round = len(self._plan(1))
        yield Prepared(
            manifest=self.manifest,
            done=len(self.progress.trials),
            total=self._total(per_round),
        )
        clear_scratch(self.run_dir)  # of a killed session
        round_index = 0
        while True:
            planned = self._plan(round_index)
            reason = "" if self._is_begun(round_index) else self._stop_reason(round_index, planned)
            if reason:
                break
            left = self._left(planned)
            if left:
                yield from self._round(round_index, left, per_round)
            round_index += 1
        self.manifest = self.manifest.model_copy(update={"stop_reason": reason})
        write_manifest(self.run_dir, self.manifest)
        clear_scratch(self.run_dir)
        yield Stopped(reason=reason)

    def _total(self, per_round: int) -> int:
        """Trials of all rounds; the first also has those that come once."""
        return len(self._plan(0)) + (self.scenario.rounds - 1) * per_round

    def _plan(self, round_index: int) -> tuple[PlannedTrial, ...]:
        return plan_round(self.cells, round_index, self.scenario.seed)

    def _is_begun(self, round_index: int) -> bool:
        return any(trial.round_index == round_index for trial in self.progress.trials)

    def _left(self, planned: tuple[PlannedTrial, ...]) -> list[PlannedTrial]:
        done = self.progress.done_places()
        return [
            trial
            for trial in planned
            if (trial.round_index, trial.position) not in done
            and not self.progress.is_given_up(trial.cell)
        ]

    def _stop_reason(self, round_count: int, planned: tuple[PlannedTrial, ...]) -> str:
        if not self.cells:
            return "nothing could be prepared that the scenario wants measured"
        timed = [trial.cell for trial in planned if trial.cell.task != "kernel"]
        if not timed:
            return "everything is judged once, and nothing is timed"
        if all(self.progress.is_given_up(cell) for cell in timed):
            return "no cell can be measured: each failed again and again"
        return stop_reason(
            self.scenario,
            self.progress.trials,
            round_count=round_count,
            elapsed_s=self._elapsed_s(),
            next_round_s=self._expected_s(planned),
            stop_when=self.stop_when,
        )

    def _elapsed_s(self) -> float:
        """Time spent measuring, earlier sessions of a resumed run included."""
        return self.progress.earlier_s + (self.clock.monotonic_ns() - self.started_ns) / NS_PER_S

    def _expected_s(self, planned: Sequence[PlannedTrial]) -> float | None:
        return self.progress.expected_s(planned, elapsed_s=self._elapsed_s())

    def _round(self, round_index: int, left: list[PlannedTrial], per_round: int) -> Iterator[Event]:
        total = self._total(per_round)
        yield RoundStarted(
            round_index=round_index,
            round_count=self.scenario.rounds,
            trial_count=len(left),
            minimum_rounds=self.scenario.minimum_rounds,
        )
        for place, planned in enumerate(left):
            if self.progress.is_given_up(planned.cell):
                continue
            once = len(self._plan(0)) - per_round if round_index else 0
            done = once + round_index * per_round + planned.position
            time = self._time_left(left[place:])
            yield TrialStarted(
                cell=planned.cell,
                done=done,
                total=total,
                eta_s=time.whole_s if time else None,
                minimum_eta_s=time.minimum_s if time else None,
            )
            trial = self._trial(planned)
            append_trial(self.run_dir, trial)
            self.progress.note(trial)
            yield TrialFinished(trial=trial, done=done + 1, total=total)
            if self.progress.is_given_up(trial.cell):
                yield CellGivenUp(cell=trial.cell, reason=trial.reason)
        yield RoundFinished(round_index=round_index, round_count=self.scenario.rounds)
        yield from self._forecast(round_index + 1)

    def _time_left(self, left: list[PlannedTrial]) -> TimeLeft | None:
        rest_s = self._expected_s(left)
        round_s = self._expected_s(self._plan(left[0].round_index))
        if rest_s is None or round_s is None:
            return None
        return time_left(
            self.scenario,
            round_index=left[0].round_index,
            rest_s=rest_s,
            round_s=round_s,
            elapsed_s=self._elapsed_s(),
        )

    def _forecast(self, rounds_done: int) -> Iterator[Event]:
        """How long the rounds to come take, told once, when the first of this session is over."""
        round_s = self._expected_s(self._plan(rounds_done))
        if self.is_forecast or not round_s or rounds_done >= self.scenario.rounds:
            return
        self.is_forecast = True
        yield forecast_rounds(
            self.scenario,
            rounds_done=rounds_done,
            round_s=round_s,
            elapsed_s=self._elapsed_s(),
        )

    def _trial(self, planned: PlannedTrial) -> Trial:
        self._raise_if_stopped()
        with scratch_folder(self.run_dir) as folder:
            job = describe_job(
                planned, scenario=self.scenario, footage=self.footage, scratch_dir=str(folder)
            )
            answer, context = self._perform(job)
        if isinstance(answer, WorkerFailed) and answer.outcome == "cancelled":
            self._raise_if_stopped()
        raise_if_disk_full(answer)
        return record_trial(planned, answer, context)

    def _perform(self, job: Job) -> tuple[Answer, TrialContext]:
        started_utc = self.clock.utc()
        host_before = read_host_moment()
        watch = HostWatch()
        start_ns = self.clock.monotonic_ns()
        try:
            answer = last_answer(self.dispatch(job, self.scenario.trial_timeout_s))
        except KeyboardInterrupt:
            self.flag.signal_name = "SIGINT"
            self._raise_if_stopped()
            raise
        wall_ns = self.clock.monotonic_ns() - start_ns
        return answer, TrialContext(
            started_utc=started_utc,
            wall_ns=wall_ns,
            host_before=host_before,
            host_during=watch.read_during(),
        )

    def _raise_if_stopped(self) -> None:
        if self.flag.is_set():
            raise InterruptedRunError(
                where=str(self.run_dir),
                what=f"stopped by {self.flag.signal_name}; "
                f"{len(self.progress.trials)} finished trials are on disk",
                remedy="The same command with --resume and this --out resumes from there.",
            )
