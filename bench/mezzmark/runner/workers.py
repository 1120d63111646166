"""Runs one worker process: hands it a job, passes its answers on, and sees that it ends.

The worker has its own process group (session on POSIX), so that Ctrl-C reaches the runner only
and a kill reaches whatever the worker has started. It dies with its parent in any case.
"""

import os
import queue
import signal
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Callable, Iterator, Mapping
from contextlib import suppress
from typing import BinaryIO, Final

from pydantic import ValidationError

from mezzmark.host.common import PauseWatch
from mezzmark.model.errors import DestinationError, DiskFullError, MezzmarkError
from mezzmark.model.jobs import Job, JobFailed, Measured, ProgressUpdate, WorkerFailed
from mezzmark.model.preparations import ANSWER_ADAPTER, Answer
from mezzmark.worker import DIE_WITH_PARENT

Dispatch = Callable[[Job, float], Iterator[Answer]]
"""Does a job and passes on each line of progress; the last answer is the result."""

TEARDOWN_S = 5.0
"""A worker that has answered leaves at once; after so long it is killed, its answer kept."""

POLL_S = 0.2
"""How soon a wish to stop is noticed: five wake-ups a second cost well below 0.1 % of a core."""

STDERR_TAIL_BYTES = 2_000
STDERR_LINES = 2
"""A library's last complaint, or the end of a traceback; the rest would only give paths away."""

_WORKER_VARIABLES: Final = dict.fromkeys(
    ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS", "PYDANTIC_DISABLE_PLUGINS"), "1"
)
"""Arithmetic libraries start a thread for every core when they load, which costs a 16-core machine
seconds of processor time a trial; no trial here does linear algebra. Looking for plugins reads what
every installed package says of itself. The user's own values win."""

NO_ANSWER: Final = WorkerFailed(outcome="crashed", reason="the worker gave no answer")

_Lines = queue.SimpleQueue[bytes | None]
"""The worker's lines; None is their end."""


def last_answer(answers: Iterator[Answer]) -> Answer:
    """The result among a job's answers: measured, prepared or refused, or WorkerFailed."""
    return [NO_ANSWER, *answers][-1]


def raise_if_disk_full(answer: Answer) -> None:
    """DiskFullError where that is why the job failed: no other job would fare better."""
    _raise_if(answer, DiskFullError)


def raise_machine_fault(answer: Answer, subject: str) -> None:
    """The error of a preparation that neither footage nor encoding is at fault for: storage that is
    full or cannot be written, memory that ran out, a worker that something else killed. What was
    left out for such a reason could be made the next time, and would be missing from the run."""
    kept = "What was made is kept in the cache: the same command goes on from there"
    if isinstance(answer, WorkerFailed) and answer.killed_by:
        raise MezzmarkError(
            where=subject,
            what=f"the worker that prepared it was stopped from outside: {answer.reason}",
            remedy=f"{kept}. Leave it more memory if that ran out.",
        )
    _raise_if(answer, MezzmarkError, where=subject)
    _raise_if(answer, DiskFullError)
    _raise_if(answer, DestinationError)


def _raise_if(answer: Answer, kind: type[MezzmarkError], *, where: str = "") -> None:
    if isinstance(answer, JobFailed) and answer.exit_code == kind.exit_code:
        raise kind(where=where or answer.where, what=answer.what, remedy=answer.remedy)


def run_worker(
    job: Job,
    timeout_s: float,
    *,
    is_cancelled: Callable[[], bool] = lambda: False,
    python: str = "",
) -> Iterator[Answer]:
    """Answers of a fresh worker as they come, the last one being its result; `python` is another
    installation's interpreter.

    `timeout_s` runs anew after each line of progress. Whatever ends this generator (a result, a
    timeout, `is_cancelled`, an exception, being closed) leaves no process behind.
    """
    with tempfile.TemporaryFile() as complaints:
        process = _start(complaints, python)
        try:
            lines = _send_and_listen(process, job)
            is_answered = False
            for answer in _listen(process, lines, timeout_s, is_cancelled):
                is_answered = not isinstance(answer, ProgressUpdate)
                yield answer
            if not is_answered:
                yield _describe_end(process, complaints)
        except ValidationError:
            yield WorkerFailed(outcome="crashed", reason="the worker's answer cannot be read")
        finally:
            _end(process)


def worker_command() -> tuple[str, ...]:
    """How a worker is started: this interpreter, whatever else is on the search path."""
    return (sys.executable, "-m", "mezzmark.worker", DIE_WITH_PARENT)


def own_environment(environment: Mapping[str, str]) -> dict[str, str]:
    """Without what would make another interpreter load this installation's modules."""
    foreign = ("PYTHONPATH", "PYTHONHOME", "__PYVENV_LAUNCHER__")
    return {name: value for name, value in environment.items() if name not in foreign}


def _start(complaints: BinaryIO, python: str) -> subprocess.Popen[bytes]:
    variables: Mapping[str, str] = own_environment(os.environ) if python else os.environ
    return subprocess.Popen(
        (python, *worker_command()[1:]) if python else worker_command(),
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=complaints,
        env={**_WORKER_VARIABLES, **variables},
        start_new_session=True,  # POSIX
        creationflags=getattr(subprocess, "CREATE_NEW_PROCESS_GROUP", 0),  # Windows
    )


def _send_and_listen(process: subprocess.Popen[bytes], job: Job) -> _Lines:
    """Send the job and collect the worker's lines, both aside so that neither can block the run.

    Standard input stays open: the worker takes its end for the end of its parent.
    """
    lines: _Lines = queue.SimpleQueue()
    text = job.model_dump_json().encode() + b"\n"

    def talk() -> None:
        assert process.stdin is not None
        assert process.stdout is not None
        # A worker that dies early breaks the pipe: how it ended is told by its exit status.
        with process.stdout, suppress(OSError, ValueError):
            process.stdin.write(text)
            process.stdin.flush()
            for line in process.stdout:
                lines.put(line)
        lines.put(None)

    threading.Thread(target=talk, daemon=True).start()
    return lines


def _listen(
    process: subprocess.Popen[bytes],
    lines: _Lines,
    timeout_s: float,
    is_cancelled: Callable[[], bool],
) -> Iterator[Answer]:
    deadline_s = time.monotonic() + timeout_s
    watch = PauseWatch(process.pid)
    while True:
        watch.look()
        left_s = deadline_s - time.monotonic()
        if is_cancelled():
            yield WorkerFailed(outcome="cancelled", reason="the run was stopped")
            return
        if left_s <= 0:
            reason = f"no answer within {timeout_s:g} s; killed"
            yield WorkerFailed(outcome="timed_out", reason=reason)
            return
        try:
            line = lines.get(timeout=min(POLL_S, left_s))
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
        with suppress(subprocess.TimeoutExpired):
            process.wait(TEARDOWN_S)
        yield answer
        return


def _describe_end(process: subprocess.Popen[bytes], complaints: BinaryIO) -> WorkerFailed:
    """How a worker without an answer ended, and the last it said on standard error."""
    killed_by = ""
    try:
        status = process.wait(TEARDOWN_S)
    except subprocess.TimeoutExpired:
        end = "closed its output without an answer"
    else:
        names = {number.value: number.name for number in signal.Signals}
        killer = names.get(-status, f"signal {-status}")
        end = f"exit status {status}" if status >= 0 else f"ended by {killer}"
        killed_by = killer if killer in {"SIGKILL", "SIGTERM"} else ""
        if killer == "SIGKILL":
            end += " (the system does this when memory runs out)"
    size = complaints.seek(0, os.SEEK_END)
    complaints.seek(max(0, size - STDERR_TAIL_BYTES))
    said = complaints.read().decode("utf-8", errors="replace").split("\n")
    tail = [line.strip() for line in said if line.strip()][-STDERR_LINES:]
    reason = f"{end}: {' / '.join(tail)}" if tail else end
    return WorkerFailed(outcome="crashed", reason=reason, killed_by=killed_by)


def _end(process: subprocess.Popen[bytes]) -> None:
    """Kill the worker and what it started, if it still runs, and let go of the pipe to it."""
    if process.poll() is None and sys.platform == "win32":
        kill_tree = ("taskkill", "/f", "/t", "/pid", str(process.pid))
        subprocess.run(kill_tree, capture_output=True, check=False)
        process.kill()
    elif process.poll() is None:
        with suppress(ProcessLookupError):
            os.killpg(process.pid, signal.SIGKILL)
    process.wait()
    if process.stdin is not None:
        with suppress(OSError):  # what could not be written to a dead worker
            process.stdin.close()
