"""What a worker process is told, and what it answers; both travel as one JSON line."""

import json
from hashlib import sha256
from typing import Annotated, Any, Final, Literal

from pydantic import BeforeValidator, Field, SerializeAsAny, TypeAdapter

from mezzmark.model.encoding import Encoding
from mezzmark.model.fact import Fact
from mezzmark.model.footage import ClipSpec
from mezzmark.model.records import read_measurement
from mezzmark.model.tasks import TASKS
from mezzmark.model.tasks.kernel import BandwidthFacts
from mezzmark.model.tasks.spec import MediaReference, ProcessFacts


class BandwidthJob(Fact):
    """Copy memory in 1, 2, … processes at once; see `mezzmark.engines.encode.reference`."""

    task: Literal["bandwidth"] = "bandwidth"
    process_counts: tuple[int, ...]


class PrepareOriginalJob(Fact):
    """Make (or find in the cache) the camera original of a recipe clip, and its index."""

    task: Literal["prepare-original"] = "prepare-original"
    clip: ClipSpec
    seed: int
    cache_dir: str


class FoundFile(Fact):
    """A file of the user's: `name` is how it is told of; `is_named` where it was asked for itself
    and not found in a folder or by a glob."""

    path: str
    name: str
    is_named: bool


class SortFilesJob(Fact):
    """Tell which of these files are clips; see `mezzmark.engines.footage.folder`."""

    task: Literal["sort-files"] = "sort-files"
    files: tuple[FoundFile, ...]


class PrepareOwnJob(Fact):
    """Index one of the user's own files over its excerpt; the file is opened read-only."""

    task: Literal["prepare-own"] = "prepare-own"
    media_path: str
    excerpt_s: float
    cache_dir: str


class PrepareEncodingJob(Fact):
    """Encode a prepared clip to an encoding (or find it in the cache), and index it."""

    task: Literal["prepare-encoding"] = "prepare-encoding"
    source: MediaReference
    encoding: Encoding
    thread_count: int
    cache_dir: str


class PreparePicturesJob(Fact):
    """Store (or find in the cache) the clip's first pictures in a pixel format, decoded, where they
    take no more than `limit_bytes`."""

    task: Literal["prepare-pictures"] = "prepare-pictures"
    source: MediaReference
    pixel_format: str
    frame_count: int
    limit_bytes: int
    cache_dir: str


PREPARATIONS: Final[dict[str, tuple[type[Fact], str]]] = {
    "bandwidth": (BandwidthJob, "mezzmark.engines.encode.reference:run_bandwidth"),
    "prepare-original": (PrepareOriginalJob, "mezzmark.engines.footage.originals:prepare_original"),
    "sort-files": (SortFilesJob, "mezzmark.engines.footage.folder:sort_files"),
    "prepare-own": (PrepareOwnJob, "mezzmark.engines.footage.originals:prepare_own"),
    "prepare-encoding": (
        PrepareEncodingJob,
        "mezzmark.engines.encode.encoded_file:prepare_encoding",
    ),
    "prepare-pictures": (
        PreparePicturesJob,
        "mezzmark.engines.encode.stored_pictures:prepare_pictures",
    ),
}
"""Jobs that come before measuring, by the name in their `task`, and the function of each
("module:function"): (job, advance) → Answer."""

Job = Any
"""A task's job (`model.tasks`) or a preparation: frozen, with its name in `task`."""


def read_job(line: bytes) -> Job:
    """The job in a JSON line. Raises ValueError for one of no known task."""
    name = json.loads(line)["task"]
    model = PREPARATIONS[name][0] if name in PREPARATIONS else TASKS[name].job_model
    return model.model_validate_json(line)


class PreparedMedia(Fact):
    """A file ready to be measured."""

    kind: Literal["prepared"] = "prepared"
    media: MediaReference
    fingerprint: str
    file_bytes: int
    frame_count: int
    duration_s: float
    was_cached: bool


class Measured(Fact):
    """A trial's measurement and what its process used; `flags`, which the runner adds, as in
    `Trial`."""

    kind: Literal["measured"] = "measured"
    measurement: Annotated[SerializeAsAny[Fact], BeforeValidator(read_measurement)]
    process: ProcessFacts
    flags: tuple[str, ...] = ()


class BandwidthMeasured(Fact):
    """The machine's memory bandwidth."""

    kind: Literal["bandwidth"] = "bandwidth"
    bandwidth: BandwidthFacts


class JobFailed(Fact):
    """The job could not be done, and why; `exit_code` is that of the error behind it."""

    kind: Literal["job_failed"] = "job_failed"
    where: str
    what: str
    remedy: str
    exit_code: int


class Shot(Fact):
    """A clip: its file, and the names of those in which a spanned shot goes on."""

    path: str
    further_names: tuple[str, ...] = ()


class SortedFiles(Fact):
    """The clips among some files, and why each of the others is none of its own."""

    kind: Literal["sorted"] = "sorted"
    shots: tuple[Shot, ...]
    left_out: tuple[JobFailed, ...] = ()


class ProgressUpdate(Fact):
    """A line of progress from a long preparation."""

    kind: Literal["progress"] = "progress"
    message: str
    done_fraction: float


class WorkerFailed(Fact):
    """What the runner notes in place of an answer when the worker gave none.

    `crashed`: it ended without answering; `timed_out`: it was killed after its time;
    `cancelled`: it was killed because the run is being stopped. `killed_by` names the signal by
    which somebody else, or the system, ended it; a library that crashed is ended by others.
    """

    kind: Literal["worker_failed"] = "worker_failed"
    outcome: Literal["crashed", "timed_out", "cancelled"]
    reason: str
    killed_by: str = ""


Answer = Annotated[
    PreparedMedia
    | SortedFiles
    | Measured
    | BandwidthMeasured
    | JobFailed
    | ProgressUpdate
    | WorkerFailed,
    Field(discriminator="kind"),
]
ANSWER_ADAPTER: TypeAdapter[Answer] = TypeAdapter(Answer)


def job_format() -> str:
    """What an installation understands, in a few digits: the names of all fields of jobs and
    answers. Two that agree can do each other's jobs."""
    models = [model for model, _ in PREPARATIONS.values()]
    models += [m for spec in TASKS.values() for m in (spec.job_model, spec.measurement_model)]
    schemas = [ANSWER_ADAPTER.json_schema(), *(model.model_json_schema() for model in models)]
    fields = {
        f"{name}: {sorted(found.get('properties', ()))}"
        for schema in schemas
        for name, found in ((schema.get("title", ""), schema), *schema.get("$defs", {}).items())
    }
    return sha256("\n".join(sorted(fields)).encode()).hexdigest()[:12]
