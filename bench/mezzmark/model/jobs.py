"""What a worker process is told, and what it answers; both travel as one JSON line."""

from typing import Annotated, Any, Literal, Self

from pydantic import BeforeValidator, SerializeAsAny
from pydantic_core import from_json

from mezzmark.model.errors import MezzmarkError
from mezzmark.model.fact import Fact, Length
from mezzmark.model.survival import Survival
from mezzmark.model.tasks import TASKS, read_measurement
from mezzmark.model.tasks.spec import MediaReference, ProcessFacts

Job = Any
"""A job of `model.tasks` or `model.preparations`: frozen, with its name in `task`."""


def read_job(line: bytes) -> Job:
    """The job in a JSON line. Raises ValueError for one of no known task."""
    told = from_json(line)
    name = told.get("task") if isinstance(told, dict) else None
    if not isinstance(name, str):
        raise ValueError("a job names its task")
    if name in TASKS:
        return TASKS[name].job_model.model_validate_json(line)
    from mezzmark.model.preparations import PREPARATIONS  # no trial has need of it

    if name not in PREPARATIONS:
        raise ValueError(f"there is no task {name!r}")
    return PREPARATIONS[name][0].model_validate_json(line)


class PreparedMedia(Fact):
    """A file ready to be measured; what is not said here is as in `MediaManifest`."""

    kind: Literal["prepared"] = "prepared"
    media: MediaReference
    fingerprint: str
    file_bytes: int
    frame_count: int
    duration_s: Length
    was_cached: bool
    survives: tuple[Survival, ...] = ()
    is_aspect_lost: bool = False
    made_by: str = ""


class Measured(Fact):
    """A trial's measurement and what its process used; the runner adds `flags`, as in `Trial`."""

    kind: Literal["measured"] = "measured"
    measurement: Annotated[SerializeAsAny[Fact], BeforeValidator(read_measurement)]
    process: ProcessFacts
    flags: tuple[str, ...] = ()


class JobFailed(Fact):
    """The job could not be done, and why; `exit_code` and `flags` are those of the error."""

    kind: Literal["job_failed"] = "job_failed"
    where: str
    what: str
    remedy: str
    exit_code: int
    flags: tuple[str, ...] = ()

    @classmethod
    def by(cls, error: MezzmarkError, where: str = "") -> Self:
        """The answer in place of an error, of a file that goes by the name `where`."""
        told = {name: getattr(error, name) for name in ("what", "remedy", "exit_code", "flags")}
        return cls(where=where or error.where, **told)


class ProgressUpdate(Fact):
    """A line of progress from a long preparation."""

    kind: Literal["progress"] = "progress"
    message: str
    done_fraction: float


class WorkerFailed(Fact):
    """What the runner notes in place of an answer when the worker gave none. `crashed`: it ended
    without answering; `timed_out`: it was killed after its time; `cancelled`: it was killed because
    the run is being stopped. `killed_by` names the signal by which somebody else, or the system,
    ended it; a library that crashed is ended by others."""

    kind: Literal["worker_failed"] = "worker_failed"
    outcome: Literal["crashed", "timed_out", "cancelled"]
    reason: str
    killed_by: str = ""
