"""Jobs that come before measuring, and their answers. Workers that measure do without them."""

from hashlib import sha256
from typing import Annotated, Final, Literal

from pydantic import Field, TypeAdapter

from mezzmark.model.encoding import Encoding
from mezzmark.model.fact import Amount, Fact
from mezzmark.model.footage import ClipSpec
from mezzmark.model.jobs import JobFailed, Measured, PreparedMedia, ProgressUpdate, WorkerFailed
from mezzmark.model.run import MediaManifest, Root
from mezzmark.model.scenario import RootSettings
from mezzmark.model.tasks import TASKS
from mezzmark.model.tasks.kernel import BandwidthFacts
from mezzmark.model.tasks.spec import MediaReference


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
    """A file of the user's, told of by `name`; `is_named`: not found in a folder or by a glob."""

    path: str
    name: str
    is_named: bool


class SortFilesJob(Fact):
    """Tell which of these files are clips; see `mezzmark.engines.footage.folder`."""

    task: Literal["sort-files"] = "sort-files"
    files: tuple[FoundFile, ...]


class PrepareOwnJob(Fact):
    """Index one of the user's own files, or so much of it; the file is opened read-only."""

    task: Literal["prepare-own"] = "prepare-own"
    media_path: str
    excerpt_s: Amount | None
    cache_dir: str


class PrepareEncodingJob(Fact):
    """Encode a prepared clip to an encoding (or find it in the cache), and index it. `fingerprint`
    is that of the user's own file, whose sound, timecode and tags go along; empty of other clips.
    If it `is_sought` it is only found, or NotMadeError. Where the host `made_by` has encoded it
    already, the file at `made_path` is taken, and proved as one's own."""

    task: Literal["prepare-encoding"] = "prepare-encoding"
    source: MediaReference
    fingerprint: str = ""
    encoding: Encoding
    thread_count: int
    cache_dir: str
    is_sought: bool = False
    made_path: str = ""
    made_by: str = ""


class PreparePicturesJob(Fact):
    """Store (or find in the cache) a clip's first pictures, decoded, up to `limit_bytes`."""

    task: Literal["prepare-pictures"] = "prepare-pictures"
    source: MediaReference
    pixel_format: str
    frame_count: int
    limit_bytes: int
    cache_dir: str


class PlacedFile(MediaManifest):
    """A prepared file, or its copy on a root."""

    path: str


class PlaceFilesJob(Fact):
    """Remove what this `owner` left on a root and, unless `is_over`, copy files to a new folder."""

    task: Literal["place-files"] = "place-files"
    root: RootSettings
    owner: str
    files: tuple[PlacedFile, ...] = ()
    is_over: bool = False


_ENCODE, _FOOTAGE = "mezzmark.engines.encode", "mezzmark.engines.footage"

PREPARATIONS: Final[dict[str, tuple[type[Fact], str]]] = {
    "bandwidth": (BandwidthJob, f"{_ENCODE}.reference:run_bandwidth"),
    "prepare-original": (PrepareOriginalJob, f"{_FOOTAGE}.originals:prepare_original"),
    "sort-files": (SortFilesJob, f"{_FOOTAGE}.folder:sort_files"),
    "prepare-own": (PrepareOwnJob, f"{_FOOTAGE}.originals:prepare_own"),
    "prepare-encoding": (PrepareEncodingJob, f"{_ENCODE}.encoded_file:prepare_encoding"),
    "place-files": (PlaceFilesJob, "mezzmark.engines.media.placed_files:place_files"),
    "prepare-pictures": (PreparePicturesJob, f"{_ENCODE}.stored_pictures:prepare_pictures"),
}
"""Jobs before measuring by the name in `task`, and "module:function": (job, advance) → Answer."""


class BandwidthMeasured(Fact):
    """The machine's memory bandwidth."""

    kind: Literal["bandwidth"] = "bandwidth"
    bandwidth: BandwidthFacts


class Shot(Fact):
    """A clip: its file, and the names of those in which a spanned shot goes on."""

    path: str
    further_names: tuple[str, ...] = ()


class SortedFiles(Fact):
    """The clips among some files, and why each of the others is none of its own."""

    kind: Literal["sorted"] = "sorted"
    shots: tuple[Shot, ...]
    left_out: tuple[JobFailed, ...] = ()


class PlacedFiles(Fact):
    """The folder of the copies, these, and what is known of the root; empty once all is removed."""

    kind: Literal["placed"] = "placed"
    folder: str = ""
    files: tuple[PlacedFile, ...] = ()
    root: Root | None = None


Answer = Annotated[
    PreparedMedia
    | PlacedFiles
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
