"""Decoded frames of a clip that are asked for more than once: decoded once, then read back.

They lie uncompressed in an unnamed scratch file, not in memory, so that memory does not grow with
the clip. Where that file would be too large, or the disk fills, the clip is decoded anew instead.
"""

import os
import shutil
import tempfile
from collections.abc import Callable, Iterator
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO, Final, cast

import numpy as np
import numpy.typing as npt
from av.video.frame import VideoFrame
from av.video.plane import VideoPlane

from mezzmark.engines.media.pixels import apply_tags, tags_of
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
        layout = _Layout.of(frame)
        if is_first:
            self._begin(layout)
        if self._file is None:
            return
        if layout != self._layout:  # the clip changes on the way
            self._discard()
            return
        try:
            for plane in frame.planes:
                self._file.write(_samples(plane).data)
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
        place = 0
        for _ in range(self._spooled_count or 0):
            if self._file is None or self._layout is None:
                raise ValueError("the frames are no longer in the spool")
            self._file.seek(place)
            frame = self._layout.read(self._file)
            place = self._file.tell()
            yield frame

    def _discard(self) -> None:
        if self._file is not None:
            self._file.close()
        self._file = self._layout = self._spooled_count = None


@dataclass(frozen=True, slots=True, kw_only=True)
class _Layout:
    """How the frames of a clip lie in memory, and what their colours mean."""

    size: tuple[int, int]
    pixel_format: str
    line_bytes: tuple[int, ...]
    plane_bytes: tuple[int, ...]
    tags: ColourTags

    @classmethod
    def of(cls, frame: VideoFrame) -> "_Layout":
        return cls(
            size=(frame.width, frame.height),
            pixel_format=frame.format.name,
            line_bytes=tuple(plane.line_size for plane in frame.planes),
            plane_bytes=tuple(_samples(plane).size for plane in frame.planes),
            tags=tags_of(frame),
        )

    @property
    def frame_bytes(self) -> int:
        """What one frame takes in the file, the padding of its lines included."""
        return sum(self.plane_bytes)

    def read(self, file: BinaryIO) -> VideoFrame:
        """A new frame from the file's present place."""
        frame = VideoFrame(*self.size, self.pixel_format)
        for plane, line_bytes, plane_bytes in zip(
            frame.planes, self.line_bytes, self.plane_bytes, strict=True
        ):
            target = _samples(plane)
            if (plane.line_size, target.size) == (line_bytes, plane_bytes):
                _fill(file, target)
                continue
            padded = np.empty(plane_bytes, np.uint8)
            _fill(file, padded)
            shared = min(plane.line_size, line_bytes)  # padding beyond the picture may differ
            lines = padded.reshape(-1, line_bytes)[:, :shared]
            target.reshape(-1, plane.line_size)[:, :shared] = lines
        apply_tags(frame, self.tags)
        return frame


def _samples(plane: VideoPlane) -> npt.NDArray[np.uint8]:
    """A plane's memory, line after line, padding included."""
    whole = np.frombuffer(cast(bytes, plane), np.uint8)
    return whole[: plane.height * plane.line_size]


def _fill(file: BinaryIO, target: npt.NDArray[np.uint8]) -> None:
    view = target.data
    while view:
        count = file.readinto(view)  # type: ignore[attr-defined]
        if not count:
            raise OSError("the scratch file ended early")
        view = view[count:]
