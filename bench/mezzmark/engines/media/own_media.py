"""The user's own files: indexed over an excerpt, opened read-only, never copied."""

import hashlib
from itertools import pairwise
from pathlib import Path
from statistics import median_low
from typing import Final

import av

from mezzmark.engines.media.cache import cache_key, file_fingerprint, library_versions
from mezzmark.engines.media.frame_index import (
    ProgressUpdate,
    build_frame_index,
    read_frame_index,
    write_frame_index,
)
from mezzmark.engines.media.probe import unfit
from mezzmark.model.errors import DestinationError, FootageError
from mezzmark.model.footage import FrameIndex
from mezzmark.model.jobs import PreparedMedia, PrepareOwnJob
from mezzmark.model.tasks.spec import MediaReference
from mezzmark.own_files import translate_os_errors

FULLY_READ_BYTES: Final = 1 << 30
"""Up to 1 GiB a file's fingerprint is the SHA-256 of all its bytes: a few seconds of reading."""

SAMPLE_BYTES: Final = 1 << 20
SAMPLE_COUNT: Final = 256
"""Of a larger file 256 MiB are read: its first and last MiB and 254 evenly between, with its size.
A change that touches none of them goes unnoticed; camera files are written once, and a cut or
another take changes the ends and the size."""

INDEX_SUFFIX: Final = ".own-index.json"


def prepare_own(job: PrepareOwnJob, advance: ProgressUpdate) -> PreparedMedia:
    """Index the first `job.excerpt_s` seconds of a file, or find that index in the cache.

    Raises FootageError for a file that cannot be measured, DiskFullError when the index cannot
    be written.
    """
    path = Path(job.media_path)
    advance(f"reading {path.name}", 0.0)
    fingerprint = fingerprint_own(path)
    key = cache_key(
        kind="own",
        fingerprint=fingerprint,
        excerpt_s=job.excerpt_s,
        av_version=av.__version__,
        libraries=library_versions(),
    )
    index_path = Path(job.cache_dir) / f"{key}{INDEX_SUFFIX}"
    index = _cached_index(index_path, path)
    was_cached = index is not None
    if index is None:
        index = build_frame_index(path, max_duration_s=job.excerpt_s, advance=advance)
        _store(index, index_path)
    return PreparedMedia(
        media=MediaReference(media_path=job.media_path, index_path=str(index_path)),
        fingerprint=fingerprint,
        file_bytes=index.file_bytes,
        frame_count=index.frame_count,
        duration_s=index_duration_s(index),
        was_cached=was_cached,
    )


def fingerprint_own(path: Path) -> str:
    """SHA-256 of the file in hex; of a file above 1 GiB that of samples, marked `sampled:`."""
    try:
        file_bytes = path.stat().st_size
        if file_bytes <= FULLY_READ_BYTES:
            return file_fingerprint(path)
        return f"sampled:{_sampled_digest(path, file_bytes)}"
    except OSError as error:
        what = f"cannot be read ({error.strerror or error})"
        raise unfit(path, what, "Check the path, and that the file may be read.") from error


def index_duration_s(index: FrameIndex) -> float:
    """How long the indexed pictures are shown, the last one as long as is usual in the file."""
    steps = [later - earlier for earlier, later in pairwise(index.pts)]
    if not steps:
        return float(1 / index.frame_rate) if index.frame_rate else 0.0
    return float((index.pts[-1] - index.pts[0] + median_low(steps)) * index.time_base)


def _sampled_digest(path: Path, file_bytes: int) -> str:
    digest = hashlib.sha256(str(file_bytes).encode())
    last = file_bytes - SAMPLE_BYTES
    with path.open("rb") as stream:
        for sample in range(SAMPLE_COUNT):
            stream.seek(last * sample // (SAMPLE_COUNT - 1))
            digest.update(stream.read(SAMPLE_BYTES))
    return digest.hexdigest()


def _cached_index(index_path: Path, media_path: Path) -> FrameIndex | None:
    """The index of an earlier run, told the place where the file lies now; None to make it anew."""
    try:
        index = read_frame_index(index_path)
    except FootageError:
        return None
    if index.file_bytes != media_path.stat().st_size:
        return None
    if index.path != str(media_path):
        index = index.model_copy(update={"path": str(media_path)})
        _store(index, index_path)
    return index


def _store(index: FrameIndex, index_path: Path) -> None:
    with translate_os_errors(
        index_path.parent,
        kind=DestinationError,
        full="Free some space, or choose another cache folder.",
        other="Choose another cache folder.",
    ):
        index_path.parent.mkdir(parents=True, exist_ok=True)
        write_frame_index(index, index_path)
