"""Camera originals: the frames of a recipe as a camera delivers them, long-GOP with B frames."""

from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Final

from av.video.frame import VideoFrame

from mezzmark.engines.encode.encoded_file import evenly_timed, write_frames
from mezzmark.engines.encode.encoders import PLAIN_ENCODERS, open_encoder
from mezzmark.engines.footage.recipe import (
    RECIPE_TAGS,
    RECIPE_VERSION,
    generate_frames,
    recipe_pixel_format,
)
from mezzmark.engines.media.cache import cache_key, fetch_entry, library_versions
from mezzmark.engines.media.frame_index import ProgressUpdate, build_frame_index
from mezzmark.engines.media.pixels import frame_from_planes
from mezzmark.model.encoding import ORIGINAL, Encoding
from mezzmark.model.errors import FootageError
from mezzmark.model.footage import FrameIndex, OriginalSpec, Recipe
from mezzmark.model.jobs import PreparedMedia, PrepareOriginalJob

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

ADVANCE_FRAMES: Final = 8
SIZE_MARGIN: Final = 1.5


def prepare_original(job: PrepareOriginalJob, advance: ProgressUpdate) -> PreparedMedia:
    """The camera original of a recipe clip and its index, made or found in the cache.

    `advance(message, done_fraction)` is called now and then. Raises FootageError if the clip has
    no recipe, EngineError without the encoder, DiskFullError without room.
    """
    recipe, original = job.clip.recipe, job.clip.original
    if recipe is None:
        raise FootageError(
            where=f'clip "{job.clip.name}"',
            what="it has no recipe to make an original from",
            remedy="Give it a recipe, or measure it as own footage",
        )
    key = cache_key(
        kind="original",
        original_version=ORIGINAL_VERSION,
        recipe_version=RECIPE_VERSION,
        recipe=recipe,
        original=original,
        seed=job.seed,
        library_versions=library_versions(),
    )

    def make(folder: Path) -> FrameIndex:
        path = folder / MEDIA_NAME
        message = f"making {job.clip.name}"
        write_original(
            path,
            recipe,
            original,
            job.seed,
            advance=lambda share: advance(message, share * ENCODING_SHARE),
        )
        advance(f"checking {job.clip.name}", ENCODING_SHARE)
        return _proved_index(path, recipe)

    needed_bytes = int(SIZE_MARGIN * original.bitrate_bps * recipe.duration_s / 8) + 1_000_000
    return fetch_entry(Path(job.cache_dir), key, make, needed_bytes=needed_bytes)


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

    def frames() -> Iterator[VideoFrame]:
        for number, planes in enumerate(generate_frames(recipe, seed)):
            if number % ADVANCE_FRAMES == 0:
                advance(number / recipe.frame_count)
            yield frame_from_planes(planes, encoding.pixel_format, RECIPE_TAGS)

    encoder = open_encoder(
        path,
        encoding,
        size=(recipe.width_px, recipe.height_px),
        frame_rate=recipe.frame_rate,
        tags=RECIPE_TAGS,
        thread_count=AVC_THREADS if original.codec == "AVC" else HEVC_THREADS,
    )
    write_frames(evenly_timed(frames(), recipe.frame_rate), encoder)


def original_encoding(recipe: Recipe, original: OriginalSpec) -> Encoding:
    """Fixed groups of pictures, as a camera makes them, at the fastest settings that keep B frames.

    A buffer holds the rate of AVC over short clips, where an average alone has no time to settle.
    x265 would give another file each time with a buffer and threads, so it has none.
    """
    settings = {
        "keyint": original.keyframe_interval,
        "min-keyint": original.keyframe_interval,
        "scenecut": 0,
        "bframes": original.b_frames,
        "b-adapt": 0,
    }
    if original.codec == "AVC":
        kbps = original.bitrate_bps // 1000
        settings |= {"vbv-maxrate": kbps, "vbv-bufsize": round(kbps * BUFFER_SECONDS)}
        options = {"preset": "superfast", "x264-params": _joined(settings)}
    else:
        # x265 sizes its pools by the machine unless told, whatever FFmpeg's thread count says.
        settings |= {"open-gop": 0, "pools": HEVC_THREADS, "frame-threads": 2}
        options = {"preset": "ultrafast", "x265-params": _joined(settings) + ":log-level=error"}
    return Encoding(
        name=ORIGINAL,
        codec=original.codec,
        encoder=PLAIN_ENCODERS[original.codec],
        container="mp4",
        pixel_format=recipe_pixel_format(recipe),
        options=options,
        bitrate_bps=original.bitrate_bps,
        keyframe_interval=original.keyframe_interval,
        b_frames=original.b_frames,
        is_intra=False,
    )


def _joined(settings: dict[str, int]) -> str:
    return ":".join(f"{name}={value}" for name, value in settings.items())


def _proved_index(path: Path, recipe: Recipe) -> FrameIndex:
    """The index of the new file, with every frame there and in order by its own stamp."""
    index = build_frame_index(path, is_stamped=True)
    if index.stamps != tuple(range(recipe.frame_count)):
        raise FootageError(
            where=str(path),
            what=f"of {recipe.frame_count} frames made, {len(set(index.stamps) - {-1})} can be "
            "told apart by their stamps after encoding",
            remedy="Raise the original's bit rate",
        )
    return index
