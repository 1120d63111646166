"""Originals: the frames of a recipe as a camera delivers them, a long-GOP file with B frames in the
cache; or the user's own files, indexed over an excerpt, opened read-only, never copied."""

import hashlib
from collections.abc import Callable
from itertools import pairwise
from pathlib import Path
from statistics import median_low
from typing import Final

import av
from av.video.frame import VideoFrame

from mezzmark.engines.encode.encoded_file import made_ahead, telling, write_frames
from mezzmark.engines.encode.encoders import PLAIN_ENCODERS, open_encoder
from mezzmark.engines.encode.timing import evenly_timed
from mezzmark.engines.footage.recipe import RECIPE_TAGS, RECIPE_VERSION, generate_frames
from mezzmark.engines.media import cache, frame_index
from mezzmark.engines.media.pixels import Planes, frame_from_planes
from mezzmark.engines.media.probe import unfit
from mezzmark.model.encoding import ORIGINAL, Encoding, planar_format
from mezzmark.model.errors import FootageError
from mezzmark.model.footage import FrameIndex, OriginalSpec, Recipe, constant_rate
from mezzmark.model.jobs import PreparedMedia
from mezzmark.model.preparations import PrepareOriginalJob, PrepareOwnJob
from mezzmark.model.tasks.spec import MediaReference

ORIGINAL_VERSION: Final = 2
"""Part of every cache key: to be raised whenever the same facts give another file."""

AVC_THREADS: Final = 1
"""With rate control by buffer, x264 gives another file each time as soon as it has two threads; the
same recipe must give the same file everywhere, or runs could not be compared."""

HEVC_THREADS: Final = 4
"""Fixed, because the picture that x265 makes depends on it; enough for a fast making."""

MEDIA_NAME: Final = "original.mp4"
BUFFER_SECONDS: Final = 0.5
"""Rate control may borrow this much: a camera writes to a card of limited speed."""

ENCODING_SHARE: Final = 0.7
"""Of the progress shown; the rest is the decode that makes the index."""

SIZE_MARGIN: Final = 1.5

FULLY_READ_BYTES: Final = 1 << 30
"""Up to 1 GiB a file's fingerprint is the SHA-256 of all its bytes: a few seconds of reading."""

SAMPLE_BYTES: Final = 1 << 20
SAMPLE_COUNT: Final = 256
"""Of a larger file 256 MiB are read, evenly, ends and size included: a cut or another take changes
those. A change that touches none of them goes unnoticed."""

INDEX_SUFFIX: Final = ".own-index.json"


def prepare_original(job: PrepareOriginalJob, advance: frame_index.ProgressUpdate) -> PreparedMedia:
    """The camera original of a recipe clip and its index, made or cached; `advance` is given what
    is done and its share. FootageError if it has no recipe, EngineError without the encoder,
    DiskFullError without room."""
    recipe, original = job.clip.recipe, job.clip.original
    if recipe is None:
        what = "it has no recipe to make an original from"
        raise unfit(f'clip "{job.clip.name}"', what, "Give it a recipe, or measure own footage")
    key = cache.cache_key(
        kind="original",
        original_version=ORIGINAL_VERSION,
        recipe_version=RECIPE_VERSION,
        recipe=recipe,
        original=original.model_dump(mode="json", exclude_none=True),
        seed=job.seed,
        library_versions=cache.library_versions(),
    )

    def make(folder: Path) -> FrameIndex:
        path, message = folder / MEDIA_NAME, f"making {job.clip.name}"

        def tell(share: float) -> None:
            advance(message, share * ENCODING_SHARE)

        write_original(path, recipe, original, job.seed, advance=tell)
        advance(f"checking {job.clip.name}", ENCODING_SHARE)
        # Groups are closed unless the scenario asks for others: `original_encoding`.
        is_closed = not (original.open_groups or original.intra_refresh)
        index = frame_index.build_frame_index(path, is_stamped=True, has_closed_groups=is_closed)
        if index.stamps != tuple(range(recipe.frame_count)):
            told_apart = len(set(index.stamps) - {frame_index.NO_STAMP})
            made = f"of {recipe.frame_count} frames made"
            what = f"{made}, {told_apart} can be told apart by their stamps after encoding"
            raise unfit(path, what, "Raise the original's bit rate")
        return index

    needed_bytes = int(SIZE_MARGIN * original.bitrate_bps * recipe.duration_s / 8) + 1_000_000
    return cache.fetch_entry(Path(job.cache_dir), key, make, needed_bytes=needed_bytes)


def write_original(
    path: Path,
    recipe: Recipe,
    original: OriginalSpec,
    seed: int,
    *,
    advance: Callable[[float], None],
) -> None:
    """Encode the recipe's frames into a new MP4 file; `advance` is given the share done."""
    encoding = original_encoding(recipe, original)

    def frame_of(planes: Planes) -> VideoFrame:
        luma, *chroma = planes
        if original.chroma == "4:2:2":  # every line of chroma twice
            chroma = [plane.repeat(2, axis=0) for plane in chroma]
        return frame_from_planes((luma, *chroma), encoding.pixel_format, RECIPE_TAGS)

    planes = telling(generate_frames(recipe, seed), recipe.frame_count, advance)
    encoder = open_encoder(
        path,
        encoding,
        size=(recipe.width_px, recipe.height_px),
        frame_rate=recipe.frame_rate,
        tags=RECIPE_TAGS,
        thread_count=AVC_THREADS if original.codec == "AVC" else HEVC_THREADS,
    )
    write_frames(evenly_timed(made_ahead(map(frame_of, planes)), recipe.frame_rate), encoder)


def original_encoding(recipe: Recipe, original: OriginalSpec) -> Encoding:
    """Fixed groups of pictures, as a camera makes them, at the fastest settings that keep B frames.
    A buffer holds the rate of AVC over short clips, where an average alone has no time to settle.
    x265 would give another file each time with a buffer and threads, so it has none."""
    settings: dict[str, object] = {
        "keyint": original.keyframe_interval,
        "min-keyint": original.keyframe_interval,
        "scenecut": 0,
        "bframes": original.b_frames,
        "b-adapt": 0,
    }
    asked = {
        "slices": original.slices,
        "ref": original.references,
        "open-gop": original.open_groups,
        "intra-refresh": original.intra_refresh,
        "b-pyramid": original.b_pyramid,
    }
    stated = {name: int(value) for name, value in asked.items() if value is not None}
    if original.codec == "AVC":
        kbps = original.bitrate_bps // 1000
        settings |= {"vbv-maxrate": kbps, "vbv-bufsize": round(kbps * BUFFER_SECONDS)}
        options = {"preset": "superfast", "x264-params": _joined(settings | stated)}
    else:
        # x265 sizes its pools by the machine unless told, whatever FFmpeg's thread count says.
        settings |= {"open-gop": 0, "pools": HEVC_THREADS, "frame-threads": 2}
        parameters = _joined(settings | stated)
        options = {"preset": "ultrafast", "x265-params": f"{parameters}:log-level=error"}
    return Encoding(
        name=ORIGINAL,
        codec=original.codec,
        encoder=PLAIN_ENCODERS[original.codec],
        container="mp4",
        pixel_format=planar_format(original.chroma or "4:2:0", recipe.bit_depth),
        options=options,
        bitrate_bps=original.bitrate_bps,
        keyframe_interval=original.keyframe_interval,
        b_frames=original.b_frames,
        is_intra=False,
    )


def _joined(settings: dict[str, object]) -> str:
    return ":".join(f"{name}={value}" for name, value in settings.items())


def prepare_own(job: PrepareOwnJob, advance: frame_index.ProgressUpdate) -> PreparedMedia:
    """Index the first `job.excerpt_s` seconds of a file, or all; or find that index in the cache.
    Raises FootageError for a file that cannot be measured, DiskFullError without room."""
    path = Path(job.media_path)
    advance(f"reading {path.name}", 0.0)
    fingerprint = fingerprint_own(path)
    key = cache.cache_key(
        kind="own",
        fingerprint=fingerprint,
        excerpt_s=job.excerpt_s,
        av_version=av.__version__,
        libraries=cache.library_versions(),
    )
    index_path = Path(job.cache_dir) / f"{key}{INDEX_SUFFIX}"
    index = cached = _cached_index(index_path, path)
    if index is None:
        index = frame_index.build_frame_index(path, max_duration_s=job.excerpt_s, advance=advance)
        _store(index, index_path)
    return PreparedMedia(
        media=MediaReference(media_path=job.media_path, index_path=str(index_path)),
        fingerprint=fingerprint,
        file_bytes=index.file_bytes,
        frame_count=index.frame_count,
        duration_s=index_duration_s(index),
        was_cached=cached is not None,
    )


def fingerprint_own(path: Path) -> str:
    """SHA-256 of the file in hex; of a file above 1 GiB that of samples, marked `sampled:`."""
    try:
        file_bytes = path.stat().st_size
        if file_bytes <= FULLY_READ_BYTES:
            return cache.file_fingerprint(path)
        digest = hashlib.sha256(str(file_bytes).encode())
        last = file_bytes - SAMPLE_BYTES
        with path.open("rb") as stream:
            for sample in range(SAMPLE_COUNT):
                stream.seek(last * sample // (SAMPLE_COUNT - 1))
                digest.update(stream.read(SAMPLE_BYTES))
        return f"sampled:{digest.hexdigest()}"
    except OSError as error:
        what = f"cannot be read ({error.strerror or error})"
        raise unfit(path, what, "Check the path, and that the file may be read.") from error


def index_duration_s(index: FrameIndex) -> float:
    """How long the indexed pictures are shown, the last one as long as is usual in the file."""
    steps = [later - earlier for earlier, later in pairwise(index.pts)]
    if not steps:
        return float(1 / constant_rate(index))
    return float((index.pts[-1] - index.pts[0] + median_low(steps)) * index.time_base)


def _cached_index(index_path: Path, media_path: Path) -> FrameIndex | None:
    """The index of an earlier run, told the place where the file lies now; None to make it anew."""
    try:
        index = frame_index.read_frame_index(index_path)
    except FootageError:
        return None
    if index.file_bytes != media_path.stat().st_size or index.suspicions is None:
        return None
    if index.path != str(media_path):
        index = index.model_copy(update={"path": str(media_path)})
        _store(index, index_path)
    return index


def _store(index: FrameIndex, index_path: Path) -> None:
    with cache.cache_errors(index_path.parent):
        frame_index.write_frame_index(index, index_path)
