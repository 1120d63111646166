"""One job in a fresh process: `python -m mezzmark.worker` reads a job, writes its answers.

The job is one JSON line on standard input (`model.jobs.Job`), each answer one JSON line on
standard output (`model.jobs.Answer`). Where a task is named on the command line, its modules are
loaded first, and an empty line says that the job may come. The result is written before anything is
torn down, and the process then leaves at once: libraries that hang or crash while freeing their
objects can no longer cost a finished trial.
"""

import gc

if __name__ == "__main__":
    gc.disable()  # loading makes objects that stay: looking for cycles among them takes a tenth

import os
import sys
from collections.abc import Callable
from importlib import import_module
from pathlib import Path
from typing import TYPE_CHECKING, BinaryIO

from mezzmark.host.common import end_with_parent, read_clock_ns
from mezzmark.model.errors import MezzmarkError
from mezzmark.model.jobs import Job, JobFailed, ProgressUpdate, read_job
from mezzmark.model.tasks import TASKS
from mezzmark.own_files import STORAGE_ERRORS, made_scratch, storage_error

if TYPE_CHECKING:  # what a job does not need is not loaded
    from mezzmark.model.preparations import Answer

DIE_WITH_PARENT = "--die-with-parent"
"""Given by the runner, which keeps the worker's standard input open while it lives."""


def main() -> None:
    """Answer the one job on standard input; leaves the process and never returns."""
    answers = _claim_standard_output()
    if tasks := [word for word in sys.argv[1:] if word in TASKS]:
        _load(tasks[0])
        answers.write(b"\n")
    line = sys.stdin.buffer.readline()
    if not line:
        os._exit(1)  # the parent has gone
    if DIE_WITH_PARENT in sys.argv[1:]:
        end_with_parent(lambda: os.read(sys.stdin.fileno(), 1))
    job = read_job(line)

    def advance(message: str, done_fraction: float) -> None:
        _write(answers, ProgressUpdate(message=message, done_fraction=done_fraction))

    _write(answers, _answer(job, advance))
    os._exit(0)


def _answer(job: Job, advance: Callable[[str, float], None]) -> "Answer":
    try:
        try:
            with made_scratch(Path(getattr(job, "scratch_dir", "."))):
                return perform(job, advance)
        except OSError as error:
            if isinstance(error, MezzmarkError) or error.errno not in STORAGE_ERRORS:
                raise
            where = str(error.filename or f"job {job.task}")
            raise storage_error(
                error, where, remedy="Make room or mend the storage; a run goes on with --resume."
            ) from None
    except MezzmarkError as error:
        return JobFailed.by(error)
    except MemoryError:
        return JobFailed(
            where=f"job {job.task}",
            what="there was not enough memory",
            remedy="Use fewer frames, a smaller picture or fewer threads.",
            exit_code=MezzmarkError.exit_code,
        )


def perform(job: Job, advance: Callable[[str, float], None]) -> "Answer":
    """Do the job in this process; `advance` is told a message and the share done, 0 to 1. Engines
    are imported here so that each job loads only its own."""
    work = _load(job.task)
    if not gc.isenabled():
        gc.freeze()  # nor is what was loaded looked at when a collection is asked for
        gc.enable()
    answer: Answer = work(job, read_clock_ns if job.task in TASKS else advance)
    return answer


def _load(task: str) -> Callable[..., "Answer"]:
    """What does the jobs of this task."""
    if task in TASKS:
        entry = TASKS[task].engine_entry
    else:
        from mezzmark.model.preparations import PREPARATIONS

        entry = PREPARATIONS[task][1]
    module, function = entry.split(":")
    work: Callable[..., Answer] = getattr(import_module(module), function)
    return work


def _claim_standard_output() -> BinaryIO:
    """A private copy of standard output; whatever a library prints goes to standard error."""
    sys.stdout.flush()
    private = os.dup(sys.stdout.fileno())
    os.dup2(sys.stderr.fileno(), sys.stdout.fileno())
    if sys.platform == "win32":
        import msvcrt

        msvcrt.setmode(private, os.O_BINARY)
    return os.fdopen(private, "wb", buffering=0)


def _write(answers: BinaryIO, answer: "Answer") -> None:
    line = memoryview(answer.model_dump_json().encode() + b"\n")
    while line:
        line = line[answers.write(line) or 0 :]


if __name__ == "__main__":
    main()
