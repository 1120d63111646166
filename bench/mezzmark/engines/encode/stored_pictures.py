"""Pictures that lie uncompressed in a file, plane after plane, so that nobody decodes them again.

`prepare_pictures` stores what `Converter` gives in the cache, behind a header with the colour tags.
A trial copies them into frames of its own before its clock runs, so that no page of the file is
first met inside a timed interval. `FrameSpool` keeps a clip's frames in an unnamed scratch file;
where that is too large, or the disk fills, the clip is decoded anew.
"""

import math
import os
import shutil
import tempfile
from collections.abc import Callable, Iterator
from contextlib import suppress
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any, BinaryIO, Final, cast

import numpy as np
from av.video.frame import VideoFrame

from mezzmark.engines.encode.encoded_file import first_frames, telling
from mezzmark.engines.media import pixels
from mezzmark.engines.media.cache import cache_key, fetch_entry, library_versions
from mezzmark.engines.media.conversion import Converter, read_pictures
from mezzmark.engines.media.frame_index import ProgressUpdate, read_frame_index
from mezzmark.engines.media.probe import probe_media
from mezzmark.host.common import read_free_bytes, read_usable_core_count
from mezzmark.model.errors import DiskFullError
from mezzmark.model.footage import ColourTags, FrameIndex
from mezzmark.model.jobs import PreparedMedia
from mezzmark.own_files import FULL_ERRORS

if TYPE_CHECKING:  # a trial does without
    from mezzmark.model.preparations import PreparePicturesJob

PICTURES_VERSION: Final = 1
"""Raised when the same pictures of the same clip would lie there differently."""

FREE_FRACTION: Final = 0.25
"""Of the storage's free room, what one such file may take; encodings need some as well."""

MOST_SPOOLED_BYTES: Final = 2 * 2**30
"""Two seconds of 2160p in 10 bits fit; writing more is no faster than decoding on a slow disk."""

HEADER_BYTES: Final = 4096


@dataclass(frozen=True, slots=True, kw_only=True)
class _Layout:
    """How a picture lies in a file: the shape and samples of each plane; and what colours mean."""

    pixel_format: str
    tags: ColourTags
    planes: tuple[tuple[tuple[int, ...], np.dtype[Any]], ...]

    @classmethod
    def of(cls, frame: VideoFrame, planes: pixels.Planes) -> "_Layout":
        shapes = tuple((plane.shape, plane.dtype) for plane in planes)
        return cls(pixel_format=frame.format.name, tags=pixels.tags_of(frame), planes=shapes)

    @property
    def plane_bytes(self) -> list[int]:
        return [math.prod(shape) * dtype.itemsize for shape, dtype in self.planes]

    def frame(self, data: np.ndarray[Any, np.dtype[np.uint8]]) -> VideoFrame:
        """A new frame from the bytes of its planes."""
        parts = np.split(data, np.cumsum(self.plane_bytes)[:-1])
        kinds = zip(parts, self.planes, strict=True)
        planes = tuple(part.view(dtype).reshape(shape) for part, (shape, dtype) in kinds)
        return pixels.frame_from_planes(cast(pixels.Planes, planes), self.pixel_format, self.tags)


def _write(file: BinaryIO, planes: pixels.Planes) -> None:
    for plane in planes:
        file.write(np.ascontiguousarray(plane).data)


def prepare_pictures(job: "PreparePicturesJob", advance: ProgressUpdate) -> PreparedMedia:
    """The clip's first `job.frame_count` pictures in a pixel format, stored or found in the cache.
    Raises DiskFullError where they are more than `job.limit_bytes` or a quarter of the free room,
    EncodingError for a pixel format that has no planes of whole numbers."""
    index = first_frames(read_frame_index(job.source.index_path), job.frame_count)
    picture_bytes = pixels.frame_bytes(job.pixel_format, index.width_px, index.height_px)
    needed_bytes = HEADER_BYTES + index.frame_count * picture_bytes
    cache_dir = Path(job.cache_dir)
    free_bytes = read_free_bytes(cache_dir)
    room_bytes = job.limit_bytes if free_bytes is None else FREE_FRACTION * free_bytes
    if needed_bytes > min(job.limit_bytes, room_bytes):
        what = f"{needed_bytes / 1e6:.0f} MB of pictures are more than is kept"
        raise DiskFullError(where=job.cache_dir, what=what, remedy="Use fewer frames.")
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
            tell = partial(advance, f"storing pictures as {job.pixel_format}")
            for picture in telling(pictures, index.frame_count, tell):
                _write(file, pixels.planes_of(converter.convert(picture)))
        return index.model_copy(update={"path": str(path)})

    return fetch_entry(cache_dir, key, make, needed_bytes=needed_bytes)


def read_stored_pictures(
    path: str, index: FrameIndex, pixel_format: str
) -> tuple[list[VideoFrame], ColourTags] | None:
    """The pictures of the index as new frames, and what they mean; None where not all are there."""
    blank = VideoFrame(index.width_px, index.height_px, pixel_format)
    layout = _Layout.of(blank, pixels.planes_of(blank))
    picture_bytes = sum(layout.plane_bytes)
    try:
        stored = np.memmap(path, dtype=np.uint8, mode="r")
    except (OSError, ValueError):  # ValueError: an empty file
        return None
    end = HEADER_BYTES + index.frame_count * picture_bytes
    if len(stored) < end:
        return None
    tags = ColourTags.model_validate_json(bytes(stored[:HEADER_BYTES]).strip())
    layout = replace(layout, tags=tags)
    starts = range(HEADER_BYTES, end, picture_bytes)
    return [layout.frame(stored[start : start + picture_bytes]) for start in starts], tags


class FrameSpool:
    """Frames that `decode` gives, `frame_count` of them, read from a scratch file when asked for
    again. Use it as a context manager: leaving it frees the scratch file."""

    def __init__(
        self, decode: Callable[[], Iterator[VideoFrame]], frame_count: int, folder: Path
    ) -> None:
        self._decode = decode
        self._frame_count = frame_count
        self._folder = folder
        self._file: BinaryIO | None = None
        self._layout: _Layout | None = None
        self._spooled_count: int | None = None

    def __enter__(self) -> "FrameSpool":
        return self

    def __exit__(self, *_: object) -> None:
        self._discard()

    @property
    def is_spooled(self) -> bool:
        """Whether all frames lie in the scratch file."""
        return self._spooled_count is not None

    def __iter__(self) -> Iterator[VideoFrame]:
        """Every frame, in order. Frames are the caller's own."""
        if self.is_spooled:
            yield from self._read()
            return
        self._discard()
        count = 0
        for frame in self._decode():
            self._spool(frame, is_first=count == 0)
            count += 1
            yield frame
        if self._file is not None:
            self._spooled_count = count

    def _spool(self, frame: VideoFrame, *, is_first: bool) -> None:
        planes = pixels.planes_of(frame)
        layout = _Layout.of(frame, planes)
        if is_first:
            self._begin(layout)
        if self._file is None:
            return
        if layout != self._layout:  # the clip changes on the way
            self._discard()
            return
        try:
            _write(self._file, planes)
        except OSError as error:
            if error.errno not in FULL_ERRORS:
                raise
            self._discard()

    def _begin(self, layout: _Layout) -> None:
        needed_bytes = self._frame_count * sum(layout.plane_bytes)
        free_bytes = shutil.disk_usage(self._folder).free
        if needed_bytes > min(MOST_SPOOLED_BYTES, FREE_FRACTION * free_bytes):
            return
        # Unbuffered: planes are written whole. Closed by `_discard`, since it outlives this call.
        unnamed = tempfile.TemporaryFile(dir=self._folder, buffering=0)  # noqa: SIM115
        self._file, self._layout = cast(BinaryIO, unnamed), layout
        # Taking the room at once is a third cheaper than block by block (seen on ext4). Where the
        # file system cannot, writing says whether there is room.
        with suppress(OSError, AttributeError):
            os.posix_fallocate(unnamed.fileno(), 0, needed_bytes)

    def _read(self) -> Iterator[VideoFrame]:
        for number in range(self._spooled_count or 0):
            if self._file is None or self._layout is None:
                raise ValueError("the frames are no longer in the spool")
            size = sum(self._layout.plane_bytes)
            self._file.seek(number * size)
            yield self._layout.frame(np.frombuffer(self._file.read(size), np.uint8))

    def _discard(self) -> None:
        if self._file is not None:
            self._file.close()
        self._file = self._layout = self._spooled_count = None
