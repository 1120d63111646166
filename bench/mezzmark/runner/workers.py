"""Runs one worker process: hands it a job, passes its answers on, and sees that it ends.

The worker has its own process group (session on POSIX), so that Ctrl-C reaches the runner only and
a kill whatever the worker has started. It dies with its parent. To start one takes longer than many
trials measure: `AheadWorkers` starts several at a time, each for one job.
"""

import os
import queue
import signal
import subprocess
import sys
import tempfile
import threading
import time
from collections import defaultdict, deque
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass
from typing import BinaryIO, Final

from pydantic import ValidationError

from mezzmark.host.common import PauseWatch, read_usable_core_count
from mezzmark.model.errors import DestinationError, DiskFullError, MezzmarkError
from mezzmark.model.jobs import Job, JobFailed, Measured, ProgressUpdate, WorkerFailed
from mezzmark.model.preparations import ANSWER_ADAPTER, Answer
from mezzmark.model.tasks import TASKS
from mezzmark.worker import DIE_WITH_PARENT

Dispatch = Callable[[Job, float], Iterator[Answer]]
"""Does a job and passes on each line of progress; the last answer is the result."""

TEARDOWN_S = 5.0
"""A worker that has answered leaves at once; after so long it is killed, its answer kept."""

POLL_S = 0.2
"""How soon a wish to stop is noticed: five wake-ups a second cost well below 0.1 % of a core."""

STARTED_AT_ONCE: Final = 8
"""Workers that are started together at most; each that waits holds some 30 MB of its own."""

START_S: Final = 20.0
"""A worker that has not loaded its task's modules by then is given up, and another one started."""

STDERR_TAIL_BYTES = 2_000
STDERR_LINES = 2
"""A library's last complaint, or the end of a traceback; the rest would only give paths away."""

_WORKER_VARIABLES: Final = dict.fromkeys(
    ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS", "PYDANTIC_DISABLE_PLUGINS"), "1"
)
"""Else arithmetic libraries start a thread a core when they load, seconds of processor time a
trial, and pydantic reads what every package says of itself. The user's own values win."""

NO_ANSWER: Final = WorkerFailed(outcome="crashed", reason="the worker gave no answer")


@dataclass(frozen=True, slots=True)
class _Worker:
    """A process, its lines so far (None is their end), and what it says on standard error."""

    process: subprocess.Popen[bytes]
    lines: queue.SimpleQueue[bytes | None]
    complaints: BinaryIO


def last_answer(answers: Iterator[Answer]) -> Answer:
    """The result among a job's answers: measured, prepared or refused, or WorkerFailed."""
    return [NO_ANSWER, *answers][-1]


def raise_machine_fault(answer: Answer, subject: str) -> None:
    """The error of a preparation for which the machine is at fault: storage full or not writable,
    memory that ran out, a worker killed. What was left out for that could be made next time."""
    kept = "What was made is kept in the cache: the same command goes on from there"
    if isinstance(answer, WorkerFailed) and answer.killed_by:
        what = f"the worker that prepared it was stopped from outside: {answer.reason}"
        remedy = f"{kept}. Leave it more memory if that ran out."
        raise MezzmarkError(where=subject, what=what, remedy=remedy)
    raise_if(answer, MezzmarkError, where=subject)
    raise_if(answer, DiskFullError)
    raise_if(answer, DestinationError)


def raise_if(answer: Answer, kind: type[MezzmarkError], *, where: str = "") -> None:
    """The error, where it is why the job failed."""
    if isinstance(answer, JobFailed) and answer.exit_code == kind.exit_code:
        raise kind(where=where or answer.where, what=answer.what, remedy=answer.remedy)


def run_worker(
    job: Job,
    timeout_s: float,
    *,
    is_cancelled: Callable[[], bool] = lambda: False,
    python: str = "",
    worker: _Worker | None = None,
    held: Sequence[int] = (),
) -> Iterator[Answer]:
    """Answers of a fresh worker as they come, the result last; of another installation's `python`,
    or the `worker` that waits; `held` files stay open there. `timeout_s` runs anew after each
    progress. Whatever ends this generator leaves no process behind."""
    worker = worker or _start(python, held=held)
    try:
        _send(worker.process, job)
        is_answered = False
        for answer in _listen(worker, timeout_s, is_cancelled):
            is_answered = not isinstance(answer, ProgressUpdate)
            yield answer
        if not is_answered:
            yield _describe_end(worker)
    except ValidationError:
        yield WorkerFailed(outcome="crashed", reason="the worker's answer cannot be read")
    finally:
        _end(worker)


class AheadWorkers:
    """A `Dispatch` that starts workers of a trial's task together when none waits: nothing is timed
    then. The others wait for later trials, blocked on standard input, until `close`."""

    def __init__(self, is_cancelled: Callable[[], bool]) -> None:
        self._is_cancelled = is_cancelled
        self._at_once = min(STARTED_AT_ONCE, read_usable_core_count())
        self._waiting: dict[str, deque[_Worker]] = defaultdict(deque)

    def __call__(self, job: Job, timeout_s: float) -> Iterator[Answer]:
        """As `run_worker`; what is no trial starts a worker of its own."""
        worker = self._take(job.task) if job.task in TASKS else None
        yield from run_worker(job, timeout_s, is_cancelled=self._is_cancelled, worker=worker)

    def close(self) -> None:
        """End all workers that wait."""
        for waiting in self._waiting.values():
            while waiting:
                _end(waiting.popleft())

    def _take(self, task: str) -> _Worker | None:
        """A worker that has loaded the task and waits; None where all of them died meanwhile."""
        waiting = self._waiting[task]
        if not waiting and self._at_once > 1:
            self._start_together(task)
        while waiting:
            worker = waiting.popleft()
            if worker.lines.empty() and worker.process.poll() is None:
                return worker
            _end(worker)
        return None

    def _start_together(self, task: str) -> None:
        """Returns when each is ready or gone, so that none loads while a trial is timed."""
        waiting = self._waiting[task]
        for _ in range(self._at_once):
            waiting.append(_start(task=task))
        deadline_s = time.monotonic() + START_S
        for _ in range(self._at_once):
            try:
                is_ready = waiting[0].lines.get(timeout=max(0.0, deadline_s - time.monotonic()))
            except queue.Empty:
                is_ready = None
            if is_ready:
                waiting.rotate(-1)
            else:
                _end(waiting.popleft())


def worker_command() -> tuple[str, ...]:
    """How a worker is started: this interpreter, whatever else is on the search path."""
    return (sys.executable, "-m", "mezzmark.worker", DIE_WITH_PARENT)


def own_environment(environment: Mapping[str, str]) -> dict[str, str]:
    """Without what would make another interpreter load this installation's modules."""
    foreign = ("PYTHONPATH", "PYTHONHOME", "__PYVENV_LAUNCHER__")
    return {name: value for name, value in environment.items() if name not in foreign}


def _start(python: str = "", *, task: str = "", held: Sequence[int] = ()) -> _Worker:
    """A worker, and a thread that collects its lines; with a task, an empty one once loaded."""
    variables: Mapping[str, str] = own_environment(os.environ) if python else os.environ
    command = (python, *worker_command()[1:]) if python else worker_command()
    complaints = tempfile.TemporaryFile()  # noqa: SIM115 (`_end` closes it)
    process = subprocess.Popen(
        (*command, task) if task else command,
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=complaints,
        env={**_WORKER_VARIABLES, **variables},
        pass_fds=held,
        start_new_session=True,  # POSIX
        creationflags=getattr(subprocess, "CREATE_NEW_PROCESS_GROUP", 0),  # Windows
    )
    worker = _Worker(process, queue.SimpleQueue(), complaints)

    def collect() -> None:
        assert process.stdout is not None
        with process.stdout, suppress(OSError, ValueError):
            for line in process.stdout:
                worker.lines.put(line)
        worker.lines.put(None)

    threading.Thread(target=collect, daemon=True).start()
    return worker


def _send(process: subprocess.Popen[bytes], job: Job) -> None:
    """Send the job aside: a worker that does not read blocks nothing. Standard input stays open:
    the worker takes its end for the end of its parent."""
    text = job.model_dump_json().encode() + b"\n"

    def write() -> None:
        assert process.stdin is not None
        # A worker that dies early breaks the pipe: how it ended is told by its exit status.
        with suppress(OSError, ValueError):
            process.stdin.write(text)
            process.stdin.flush()

    threading.Thread(target=write, daemon=True).start()


def _listen(
    worker: _Worker, timeout_s: float, is_cancelled: Callable[[], bool]
) -> Iterator[Answer]:
    deadline_s = time.monotonic() + timeout_s
    watch = PauseWatch(worker.process.pid)
    while True:
        watch.look()
        left_s = deadline_s - time.monotonic()
        if is_cancelled():
            yield WorkerFailed(outcome="cancelled", reason="the run was stopped")
            return
        if left_s <= 0:
            end = "killed" if _kill(worker.process) else "it cannot be killed, as storage holds it"
            reason = f"no answer within {timeout_s:g} s; {end}"
            yield WorkerFailed(outcome="timed_out", reason=reason)
            return
        try:
            line = worker.lines.get(timeout=min(POLL_S, left_s))
        except queue.Empty:
            continue
        if line is None:
            return
        answer = ANSWER_ADAPTER.validate_json(line)
        if isinstance(answer, ProgressUpdate):
            deadline_s = time.monotonic() + timeout_s
            yield answer
            continue
        watch.look()
        if watch.was_paused and isinstance(answer, Measured):
            answer = answer.model_copy(update={"flags": ("suspended",)})
        with suppress(queue.Empty):
            worker.lines.get(timeout=TEARDOWN_S)  # its end
        yield answer
        return


def _describe_end(worker: _Worker) -> WorkerFailed:
    """How a worker without an answer ended, and the last it said on standard error."""
    killed_by = ""
    try:
        status = worker.process.wait(TEARDOWN_S)
    except subprocess.TimeoutExpired:
        end = "closed its output without an answer"
    else:
        names = {number.value: number.name for number in signal.Signals}
        killer = names.get(-status, f"signal {-status}")
        end = f"exit status {status}" if status >= 0 else f"ended by {killer}"
        killed_by = killer if killer in {"SIGKILL", "SIGTERM"} else ""
        if killer == "SIGKILL":
            end += " (the system does this when memory runs out)"
    size = worker.complaints.seek(0, os.SEEK_END)
    worker.complaints.seek(max(0, size - STDERR_TAIL_BYTES))
    said = worker.complaints.read().decode("utf-8", errors="replace").split("\n")
    tail = [line.strip() for line in said if line.strip()][-STDERR_LINES:]
    reason = f"{end}: {' / '.join(tail)}" if tail else end
    return WorkerFailed(outcome="crashed", reason=reason, killed_by=killed_by)


def _kill(process: subprocess.Popen[bytes]) -> bool:
    """Kill a worker and what it started; whether it ended, which storage that hangs may prevent."""
    if process.poll() is None and sys.platform == "win32":
        kill_tree = ("taskkill", "/f", "/t", "/pid", str(process.pid))
        subprocess.run(kill_tree, capture_output=True, check=False)
        process.kill()
    elif process.poll() is None:
        with suppress(ProcessLookupError):
            os.killpg(process.pid, signal.SIGKILL)
    with suppress(subprocess.TimeoutExpired):
        process.wait(TEARDOWN_S)
    return process.returncode is not None


def _end(worker: _Worker) -> None:
    """See that the worker has ended, and let go of the pipe to it."""
    _kill(process := worker.process)
    worker.complaints.close()
    if process.stdin is not None:
        with suppress(OSError):  # what could not be written to a dead worker
            process.stdin.close()
