"""Worker processes that answer, crash, hang, or talk too much: each ends as it should."""

import os
import subprocess
import sys
import textwrap
from collections.abc import Iterator
from contextlib import closing

import psutil
import pytest

from mezzmark.host import common
from mezzmark.host.common import PauseWatch
from mezzmark.model.jobs import Job, JobFailed, Measured, ProgressUpdate, WorkerFailed
from mezzmark.model.preparations import Answer, PrepareOwnJob
from mezzmark.model.tasks.kernel import KernelJob
from mezzmark.runner import workers
from mezzmark.runner.workers import AheadWorkers, last_answer, run_worker
from simulation.suspended_trials import flagged, workers_running

KERNEL = KernelJob(repeats=2)
PLENTY_S = 60
HELD_JOB = """
import sys, os, time, signal
job = sys.stdin.readline()
"""


def result_of(job: Job, timeout_s: float = PLENTY_S) -> Answer:
    return last_answer(run_worker(job, timeout_s))


def plant(monkeypatch: pytest.MonkeyPatch, program: str) -> None:
    """Put another program in the worker's place."""
    command = (sys.executable, "-c", HELD_JOB + textwrap.dedent(program))
    monkeypatch.setattr(workers, "worker_command", lambda: command)


def test_a_worker_measures_in_a_process_of_its_own() -> None:
    """The reference kernel comes back measured, with the process's own peak memory."""
    answer = result_of(KERNEL)
    assert isinstance(answer, Measured)
    assert answer.measurement.task == "kernel"
    assert len(answer.measurement.wall_ns) == 2
    assert min(answer.measurement.wall_ns) > 0
    assert answer.process.cpu_ns >= sum(answer.measurement.wall_ns) // 4


def test_an_expected_error_in_the_worker_comes_back_as_a_refusal(tmp_path) -> None:
    """A missing file is refused with the error's own parts and exit code, not as a crash."""
    job = PrepareOwnJob(
        media_path=str(tmp_path / "missing.mov"), excerpt_s=1, cache_dir=str(tmp_path)
    )
    answer = result_of(job)
    assert isinstance(answer, JobFailed)
    assert answer.exit_code == 21
    assert "missing.mov" in answer.where


@pytest.mark.skipif(sys.platform == "win32", reason="POSIX signals")
def test_a_crash_names_the_signal_and_what_was_said_last(monkeypatch) -> None:
    """A worker that dies by a signal is told by the signal's name and its last complaint."""
    plant(
        monkeypatch,
        """
        print("first", file=sys.stderr); print("heap is corrupt", file=sys.stderr, flush=True)
        os.kill(os.getpid(), signal.SIGSEGV)
        """,
    )
    answer = result_of(KERNEL)
    assert answer == WorkerFailed(
        outcome="crashed", reason="ended by SIGSEGV: first / heap is corrupt"
    )


def test_a_worker_that_ends_without_answer_has_crashed(monkeypatch) -> None:
    """Leaving politely but without an answer is a crash with the exit status."""
    plant(monkeypatch, "sys.exit(3)")
    answer = result_of(KERNEL)
    assert answer == WorkerFailed(outcome="crashed", reason="exit status 3")


def test_a_hanging_worker_is_killed_with_what_it_started(monkeypatch, tmp_path) -> None:
    """After its time a worker and its own child are killed, and the outcome says so."""
    pids = tmp_path / "pids"
    plant(
        monkeypatch,
        f"""
        import subprocess
        child = subprocess.Popen([sys.executable, "-c", "import time; time.sleep(600)"])
        open({str(pids)!r}, "w").write(f"{{os.getpid()}} {{child.pid}}")
        time.sleep(600)
        """,
    )
    answer = result_of(KERNEL, 1.0)
    assert answer == WorkerFailed(outcome="timed_out", reason="no answer within 1 s; killed")
    left = [int(pid) for pid in pids.read_text().split()]
    running = [psutil.Process(pid) for pid in left if psutil.pid_exists(pid)]
    _, alive = psutil.wait_procs(running, timeout=PLENTY_S)
    assert [p for p in alive if p.status() != psutil.STATUS_ZOMBIE] == []


@pytest.mark.skipif(sys.platform == "win32", reason="POSIX signals")
def test_a_worker_that_cannot_be_killed_is_not_waited_for(monkeypatch) -> None:
    """One that outlives its killing, as while storage hangs, is told of and left."""
    kill, asked = workers.os.killpg, []
    plant(monkeypatch, "time.sleep(600)")
    monkeypatch.setattr(workers, "TEARDOWN_S", 0.1)
    monkeypatch.setattr(workers.os, "killpg", lambda *given: asked.append(given))
    answer = result_of(KERNEL, 0.5)
    assert answer.outcome == "timed_out"
    assert "cannot be killed" in answer.reason
    assert len(asked) == 2
    kill(*asked[0])


def test_an_answer_given_before_a_hang_in_teardown_counts(monkeypatch) -> None:
    """A worker that answers and then hangs has answered; it is killed all the same."""
    monkeypatch.setattr(workers, "TEARDOWN_S", 0.1)
    refusal = JobFailed(where="here", what="so", remedy="thus", exit_code=21)
    plant(monkeypatch, f"print({refusal.model_dump_json()!r}, flush=True); time.sleep(600)")
    assert result_of(KERNEL) == refusal


def test_progress_is_passed_on_and_unreadable_answers_are_crashes(monkeypatch) -> None:
    """Lines of progress arrive as they are; a line that is no answer ends the trial as crashed."""
    advance = ProgressUpdate(message="half", done_fraction=0.5)
    plant(monkeypatch, f"print({advance.model_dump_json()!r}); print('[h264] error', flush=True)")
    answers = list(run_worker(KERNEL, PLENTY_S))
    assert answers[0] == advance
    assert answers[1:] == [
        WorkerFailed(outcome="crashed", reason="the worker's answer cannot be read")
    ]


def test_a_wish_to_stop_ends_the_worker_at_once(monkeypatch) -> None:
    """A cancelled trial is neither finished nor timed out."""
    plant(monkeypatch, "time.sleep(600)")
    answers = run_worker(KERNEL, PLENTY_S, is_cancelled=lambda: True)
    assert last_answer(answers) == WorkerFailed(outcome="cancelled", reason="the run was stopped")


def test_what_libraries_print_does_not_reach_the_answers(monkeypatch) -> None:
    """Output at the level of file descriptors, as FFmpeg makes it, leaves the answer readable."""
    program = """
        import mezzmark.worker as worker
        import mezzmark.engines.encode.reference as kernel
        import io
        real = kernel.run_kernel
        def noisy(job, clock_ns):
            os.write(1, b"noise on standard output")
            print("more noise", flush=True)
            return real(job, clock_ns)
        kernel.run_kernel = noisy
        sys.stdin = io.TextIOWrapper(io.BytesIO(job.encode()))
        worker.main()
        """
    plant(monkeypatch, program)
    assert isinstance(result_of(KERNEL), Measured)


def test_a_worker_loads_only_what_its_task_needs() -> None:
    """Neither scenarios, manifests, the catalogue nor a library of the report stands in its way."""
    listing = "import mezzmark.worker, sys; print(*sys.modules)"
    ran = subprocess.run((sys.executable, "-c", listing), capture_output=True, check=True)
    loaded = set(ran.stdout.decode().split())
    assert "mezzmark.model.tasks" in loaded
    unneeded = {"mezzmark.model.scenario", "mezzmark.model.run", "mezzmark.model.catalogue"}
    assert not loaded & (unneeded | {"scipy", "pandas", "av"})


@pytest.fixture
def ahead(monkeypatch: pytest.MonkeyPatch) -> Iterator[AheadWorkers]:
    """Two workers at a time, however many cores there are."""
    monkeypatch.setattr(workers, "read_usable_core_count", lambda: 2)
    with closing(AheadWorkers(lambda: False)) as dispatch:
        yield dispatch


def test_workers_start_together_and_each_does_one_job(ahead: AheadWorkers) -> None:
    """After the first of two jobs one loaded process waits, which does the second; a third job
    starts two anew, and when all is over none is left."""
    waiting = []
    for _ in range(3):
        assert isinstance(last_answer(ahead(KERNEL, PLENTY_S)), Measured)
        waiting.append(workers_running())
    assert [len(found) for found in waiting] == [1, 0, 1]
    ahead.close()
    assert not waiting[2][0].is_running()


def test_a_worker_that_died_while_it_waited_costs_no_trial(ahead: AheadWorkers) -> None:
    """The next trial is measured by another one."""
    last_answer(ahead(KERNEL, PLENTY_S))
    waiting = workers_running()
    for child in waiting:
        child.kill()
    psutil.wait_procs(waiting)
    assert isinstance(last_answer(ahead(KERNEL, PLENTY_S)), Measured)


def test_workers_that_cannot_load_in_time_are_replaced(monkeypatch, ahead: AheadWorkers) -> None:
    """They are ended before the trial begins, and one that is started for it alone answers."""
    monkeypatch.setattr(workers, "START_S", 0.2)
    refusal = JobFailed(where="here", what="so", remedy="thus", exit_code=21)
    program = f"""
        if len(sys.argv) > 1 or not job: time.sleep(600)
        print({refusal.model_dump_json()!r}, flush=True)
        """
    plant(monkeypatch, program)
    assert last_answer(ahead(KERNEL, PLENTY_S)) == refusal
    assert workers_running() == []


@pytest.mark.skipif(not hasattr(os, "waitid"), reason="the system does not tell of a stop")
def test_a_trial_whose_process_was_stopped_is_flagged() -> None:
    """One that was left alone is not. (`suspended_trials.py` tries it hundreds of times.)"""
    assert flagged(stop_s=0.5)
    assert not flagged()


@pytest.mark.parametrize("pause", ["asleep", "late", ""])
def test_a_pause_of_the_machine_shows_in_its_clocks(monkeypatch, pause: str) -> None:
    """Sleep is what one clock counts and the other does not; a frozen container, whose processes
    all stand still, is a gap between two looks."""
    clock = {"_slept_ns": 10**9, "monotonic_ns": 10**9}
    monkeypatch.setattr(common, "_slept_ns", lambda: clock["_slept_ns"])
    monkeypatch.setattr(common.time, "monotonic_ns", lambda: clock["monotonic_ns"])
    watch = PauseWatch(os.getpid())
    clock["monotonic_ns"] += 5 * 10**9 if pause == "late" else 2 * 10**8
    clock["_slept_ns"] += 5 * 10**9 if pause == "asleep" else 0
    watch.look()
    assert watch.was_paused == bool(pause)
