"""What a worker process is told, and what it answers; both travel as one JSON line."""

from typing import Annotated, Literal

from pydantic import Field, TypeAdapter

from mezzmark.model.encoding import Encoding
from mezzmark.model.fact import Fact
from mezzmark.model.fidelity import FidelitySettings
from mezzmark.model.footage import ClipSpec
from mezzmark.model.records import Measurement, ProcessFacts
from mezzmark.model.run import BandwidthFacts
from mezzmark.model.scenario import Policy, Threading
from mezzmark.model.throughput import ClipOrder, DeliverySettings, Passes


class MediaReference(Fact):
    """A media file and the index made of it (`FrameIndex` as JSON)."""

    media_path: str
    index_path: str


class ScrubJob(Fact):
    """Play these requests; a request is (clip position, frame index).

    `injected_slowdown_fraction` makes every move take longer by that share of itself, so that a
    machine can be asked whether it would find such a change.
    """

    task: Literal["scrub"] = "scrub"
    media: tuple[MediaReference, ...]
    requests: tuple[tuple[int, int], ...]
    policy: Policy
    thread_count: int
    threading: Threading
    decoder: Literal["software", "cuda"]
    viewer_height_px: int
    injected_slowdown_fraction: float = Field(default=0.0, ge=0, le=10)


class EncodeJob(Fact):
    """Decode `frame_count` frames of the source into memory, encode them, check the result.

    `scratch_dir` is an existing folder of the run's own; the file written there is removed by
    whoever made the folder.
    """

    task: Literal["encode"] = "encode"
    source: MediaReference
    encoding: Encoding
    frame_count: int
    thread_count: int
    scratch_dir: str


class GridJob(Fact):
    """Encode `frame_count` frames in `job_count` processes released together, check every file.

    Each process decodes the frames into its own memory before the release. `scratch_dir` as in
    `EncodeJob`.
    """

    task: Literal["grid"] = "grid"
    source: MediaReference
    encoding: Encoding
    frame_count: int
    thread_count: int
    job_count: int
    is_pinned: bool
    scratch_dir: str


class IngestSource(Fact):
    """One clip of the folder: `frame_count` frames from its start are ingested."""

    clip: str
    media: MediaReference
    frame_count: int


class IngestJob(Fact):
    """Encode a folder with a pool of `job_count` worker processes of `thread_count` threads.

    Files are written to `scratch_dir` as in `EncodeJob`; the sources are opened read-only.
    """

    task: Literal["ingest"] = "ingest"
    sources: tuple[IngestSource, ...]
    encoding: Encoding
    thread_count: int
    job_count: int
    order: ClipOrder
    height_px: int | None
    scratch_dir: str


class DeliveryJob(Fact):
    """Export `frame_count` frames of a prepared encoding in one or two passes."""

    task: Literal["delivery"] = "delivery"
    source: MediaReference
    frame_count: int
    settings: DeliverySettings
    passes: Passes
    thread_count: int
    scratch_dir: str


class FidelityJob(Fact):
    """Judge what an encoding does to the first pictures of a clip; see `FidelitySettings`.

    `scratch_dir` is an existing folder of the run's own, as in `EncodeJob`.
    """

    task: Literal["fidelity"] = "fidelity"
    source: MediaReference
    encoding: Encoding
    settings: FidelitySettings
    thread_count: int
    scratch_dir: str


class BandwidthJob(Fact):
    """Copy memory in 1, 2, … processes at once; see `mezzmark.engines.encode.reference`."""

    task: Literal["bandwidth"] = "bandwidth"
    process_counts: tuple[int, ...]


class KernelJob(Fact):
    """Run the reference workload `repeats` times."""

    task: Literal["kernel"] = "kernel"
    repeats: int


class PrepareOriginalJob(Fact):
    """Make (or find in the cache) the camera original of a recipe clip, and its index."""

    task: Literal["prepare-original"] = "prepare-original"
    clip: ClipSpec
    seed: int
    cache_dir: str


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


Job = Annotated[
    ScrubJob
    | EncodeJob
    | GridJob
    | IngestJob
    | DeliveryJob
    | FidelityJob
    | KernelJob
    | BandwidthJob
    | PrepareOriginalJob
    | PrepareOwnJob
    | PrepareEncodingJob,
    Field(discriminator="task"),
]
JOB_ADAPTER: TypeAdapter[Job] = TypeAdapter(Job)


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
    """A trial's measurement and what its process used."""

    kind: Literal["measured"] = "measured"
    measurement: Measurement
    process: ProcessFacts


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


class ProgressUpdate(Fact):
    """A line of progress from a long preparation."""

    kind: Literal["progress"] = "progress"
    message: str
    done_fraction: float


class WorkerFailed(Fact):
    """What the runner notes in place of an answer when the worker gave none.

    `crashed`: it ended without answering; `timed_out`: it was killed after its time;
    `cancelled`: it was killed because the run is being stopped.
    """

    kind: Literal["worker_failed"] = "worker_failed"
    outcome: Literal["crashed", "timed_out", "cancelled"]
    reason: str


Answer = Annotated[
    PreparedMedia | Measured | BandwidthMeasured | JobFailed | ProgressUpdate | WorkerFailed,
    Field(discriminator="kind"),
]
ANSWER_ADAPTER: TypeAdapter[Answer] = TypeAdapter(Answer)
