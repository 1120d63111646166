"""Pictures ready to be encoded, in a file of the cache that trials map instead of decoding again.

The file holds what `Converter` gave: a header with the colour tags, then of each picture every
plane without padding, in the order of `planes_of`. A trial copies them into frames of its own
before its clock runs, so that no page of the file is first met inside a timed interval.
"""

from pathlib import Path
from typing import TYPE_CHECKING, Final

import numpy as np
from av.video.frame import VideoFrame

from mezzmark.engines.encode.encoded_file import first_frames
from mezzmark.engines.media.cache import cache_key, fetch_entry, library_versions
from mezzmark.engines.media.conversion import Converter, read_pictures
from mezzmark.engines.media.frame_index import ProgressUpdate, read_frame_index
from mezzmark.engines.media.pixels import frame_bytes, frame_from_planes, planes_of
from mezzmark.engines.media.probe import probe_media
from mezzmark.host.common import read_free_bytes, read_usable_core_count
from mezzmark.model.errors import DiskFullError
from mezzmark.model.footage import ColourTags, FrameIndex
from mezzmark.model.jobs import PreparedMedia

if TYPE_CHECKING:  # a trial does without
    from mezzmark.model.preparations import PreparePicturesJob

PICTURES_VERSION: Final = 1
"""Raised when the same pictures of the same clip would lie there differently."""

FREE_FRACTION: Final = 0.25
"""Of the storage's free room, what one such file may take."""

HEADER_BYTES: Final = 4096
_ADVANCE_FRAMES: Final = 8


def prepare_pictures(job: "PreparePicturesJob", advance: ProgressUpdate) -> PreparedMedia:
    """The clip's first `job.frame_count` pictures in a pixel format, stored or found in the cache.

    Raises DiskFullError where they are more than `job.limit_bytes` or a quarter of the free room,
    EncodingError for a pixel format that has no planes of whole numbers.
    """
    index = first_frames(read_frame_index(job.source.index_path), job.frame_count)
    needed_bytes = HEADER_BYTES + index.frame_count * frame_bytes(
        job.pixel_format, index.width_px, index.height_px
    )
    cache_dir = Path(job.cache_dir)
    free_bytes = read_free_bytes(cache_dir)
    room_bytes = job.limit_bytes if free_bytes is None else FREE_FRACTION * free_bytes
    if needed_bytes > min(job.limit_bytes, room_bytes):
        raise DiskFullError(
            where=job.cache_dir,
            what=f"{needed_bytes / 1e6:.0f} MB of pictures are more than is kept",
            remedy="Use fewer frames.",
        )
    key = cache_key(
        kind="pictures",
        pictures_version=PICTURES_VERSION,
        source=index.model_dump(mode="json", exclude={"path"}),
        pixel_format=job.pixel_format,
        libraries=library_versions(),
    )

    def make(folder: Path) -> FrameIndex:
        path = folder / f"{job.pixel_format}.pictures"
        core_count = read_usable_core_count()
        source = job.source.media_path
        converter = Converter(probe_media(source), job.pixel_format, thread_count=core_count)
        with path.open("xb") as file:
            file.write(converter.tags.model_dump_json().encode().ljust(HEADER_BYTES))
            pictures = read_pictures(source, index, thread_count=core_count)
            for number, picture in enumerate(pictures):
                if number % _ADVANCE_FRAMES == 0:
                    advance(f"storing pictures as {job.pixel_format}", number / index.frame_count)
                for plane in planes_of(converter.convert(picture)):
                    file.write(np.ascontiguousarray(plane).data)
        return index.model_copy(update={"path": str(path)})

    return fetch_entry(cache_dir, key, make, needed_bytes=needed_bytes)


def read_stored_pictures(
    path: str, index: FrameIndex, pixel_format: str
) -> tuple[list[VideoFrame], ColourTags] | None:
    """The pictures of the index as frames of their own, and what they mean; None where the file is
    not there or does not hold them all."""
    blank = VideoFrame(index.width_px, index.height_px, pixel_format)
    shapes = [(plane.shape, plane.dtype.newbyteorder("=")) for plane in planes_of(blank)]
    sizes = [int(np.prod(shape)) * dtype.itemsize for shape, dtype in shapes]
    try:
        stored = np.memmap(path, dtype=np.uint8, mode="r")
    except (OSError, ValueError):  # ValueError: an empty file
        return None
    if len(stored) < HEADER_BYTES + index.frame_count * sum(sizes):
        return None
    tags = ColourTags.model_validate_json(bytes(stored[:HEADER_BYTES]).strip())
    frames, start = [], HEADER_BYTES
    for _ in range(index.frame_count):
        planes = []
        for (shape, dtype), size in zip(shapes, sizes, strict=True):
            planes.append(stored[start : start + size].view(dtype).reshape(shape))
            start += size
        frames.append(frame_from_planes(tuple(planes), pixel_format, tags))
    return frames, tags
