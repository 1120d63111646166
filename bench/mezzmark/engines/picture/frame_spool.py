"""Decoded frames of a clip that are asked for more than once: decoded once, then read back.

They lie uncompressed in an unnamed scratch file, not in memory, so that memory does not grow with
the clip. Where that file would be too large, or the disk fills, the clip is decoded anew instead.
"""

import math
import os
import shutil
import tempfile
from collections.abc import Callable, Iterator
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO, Final, cast

import numpy as np
from av.video.frame import VideoFrame

from mezzmark.engines.media.pixels import Planes, frame_from_planes, planes_of, tags_of
from mezzmark.model.footage import ColourTags
from mezzmark.own_files import FULL_ERRORS

MOST_BYTES: Final = 2 * 2**30
"""Two seconds of 2160p in 10 bits fit; writing more is no faster than decoding on a slow disk."""

MOST_DISK_SHARE: Final = 0.25
"""Of the room left in the scratch folder; the encodings need some as well."""


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
        return self._read() if self.is_spooled else self._decode_and_spool()

    def _decode_and_spool(self) -> Iterator[VideoFrame]:
        self._discard()
        count = 0
        for frame in self._decode():
            self._spool(frame, is_first=count == 0)
            count += 1
            yield frame
        if self._file is not None:
            self._spooled_count = count

    def _spool(self, frame: VideoFrame, *, is_first: bool) -> None:
        planes = planes_of(frame)
        layout = _Layout(
            pixel_format=frame.format.name,
            tags=tags_of(frame),
            shapes=tuple(plane.shape for plane in planes),
            dtype=planes[0].dtype,
        )
        if is_first:
            self._begin(layout)
        if self._file is None:
            return
        if layout != self._layout:  # the clip changes on the way
            self._discard()
            return
        try:
            for plane in planes:
                self._file.write(np.ascontiguousarray(plane).data)
        except OSError as error:
            if error.errno not in FULL_ERRORS:
                raise
            self._discard()

    def _begin(self, layout: "_Layout") -> None:
        needed_bytes = self._frame_count * layout.frame_bytes
        free_bytes = shutil.disk_usage(self._folder).free
        if needed_bytes > min(MOST_BYTES, MOST_DISK_SHARE * free_bytes):
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
            self._file.seek(number * self._layout.frame_bytes)
            yield self._layout.frame(self._file.read(self._layout.frame_bytes))

    def _discard(self) -> None:
        if self._file is not None:
            self._file.close()
        self._file = self._layout = self._spooled_count = None


@dataclass(frozen=True, slots=True, kw_only=True)
class _Layout:
    """What the frames of a clip are: their planes' shapes and samples, and what colours mean."""

    pixel_format: str
    tags: ColourTags
    shapes: tuple[tuple[int, ...], ...]
    dtype: np.dtype[np.uint8] | np.dtype[np.uint16]

    @property
    def frame_bytes(self) -> int:
        """What one frame takes in the file."""
        return sum(map(math.prod, self.shapes)) * self.dtype.itemsize

    def frame(self, data: bytes) -> VideoFrame:
        """A new frame from its planes' samples, one plane after the other."""
        ends = np.cumsum([math.prod(shape) for shape in self.shapes])
        parts = np.split(np.frombuffer(data, self.dtype), ends[:-1])
        planes = [part.reshape(shape) for part, shape in zip(parts, self.shapes, strict=True)]
        return frame_from_planes(cast(Planes, tuple(planes)), self.pixel_format, self.tags)
