"""One clip to an encoding: decoded, converted, encoded, proved, and only then given its name.

A file under its own name is a finished one. While it is made it is called `<name>.part`; it is
decoded again and must hold the clip's pictures in order before it gets its name, and never over a
file that stands there. Sources are opened read-only.
"""

import os
from pathlib import Path
from typing import Final

from av.error import FFmpegError
from av.video.frame import VideoFrame
from av.video.reformatter import Interpolation, VideoReformatter

from mezzmark.engines.encode.encode import encoder_gave_up, open_encoder, stamps_agree
from mezzmark.engines.media.conversion import Converter, read_pictures
from mezzmark.engines.media.frame_index import NO_STAMP, build_frame_index
from mezzmark.engines.media.probe import probe_media
from mezzmark.model.catalogue.core import check_frame
from mezzmark.model.encoding import Encoding
from mezzmark.model.errors import DestinationError, EncodingError
from mezzmark.model.footage import FrameIndex, constant_rate

PART_SUFFIX: Final = ".part"


def part_of(path: Path) -> Path:
    """What the file is called until it is finished."""
    return path.with_name(path.name + PART_SUFFIX)


def encode_clip(
    media_path: str,
    index: FrameIndex,
    part: Path,
    *,
    encoding: Encoding,
    thread_count: int,
    height_px: int | None,
) -> tuple[int, int]:
    """Encode the pictures of the index to a new file, one after the other; the size they got.

    `height_px` resizes, keeping the shape; None keeps the size. Raises EncodingError,
    FootageError, DiskFullError, and DestinationError where something stands already.
    """
    frame_rate = constant_rate(index)
    size = fitted_size(index.width_px, index.height_px, height_px)
    check_frame(encoding, *size, frame_rate)
    facts = probe_media(media_path)
    converter = Converter(facts, encoding.pixel_format, thread_count=thread_count)
    resizer = _Resizer(size, thread_count)
    target = open_encoder(
        part,
        encoding,
        size=size,
        frame_rate=frame_rate,
        time_base=1 / frame_rate,
        tags=converter.tags,
        thread_count=thread_count,
    )
    try:
        pictures = read_pictures(media_path, index, thread_count=thread_count)
        for place, picture in enumerate(pictures):
            frame = converter.convert(resizer.resize(picture))
            frame.pts, frame.time_base = place, 1 / frame_rate
            target.container.mux(target.track.encode(frame))
        target.container.mux(target.track.encode(None))
    except FFmpegError as error:
        raise encoder_gave_up(encoding, part, error) from error
    finally:
        target.container.close()
    return size


def fitted_size(width_px: int, height_px: int, wanted_px: int | None) -> tuple[int, int]:
    """The picture's size at the height wanted, its shape kept, width even; never enlarged."""
    if wanted_px is None or wanted_px >= height_px:
        return width_px, height_px
    return max(2, round(width_px * wanted_px / height_px / 2) * 2), wanted_px


def prove_clip(path: Path, index: FrameIndex, *, where: str, is_resized: bool) -> FrameIndex:
    """The file's index, once it holds the same pictures in the same order.

    Stamps are made for the clip's own size: after resizing a stamp may be unreadable, but none
    that can be read may be another. Raises EncodingError.
    """
    found = build_frame_index(path, is_stamped=index.is_stamped)
    in_order = _no_stamp_differs(index, found) if is_resized else stamps_agree(index, found)
    if found.frame_count != index.frame_count or in_order is False:
        raise EncodingError(
            where=where,
            what=f"{index.frame_count} pictures went in and {found.frame_count} came back"
            + (", in another order" if in_order is False else ""),
            remedy="Leave the encoding out; it cannot be trusted with footage.",
        )
    return found


def _no_stamp_differs(index: FrameIndex, found: FrameIndex) -> bool:
    pairs = zip(index.stamps, found.stamps, strict=False)
    return all(NO_STAMP in pair or pair[0] == pair[1] for pair in pairs)


def give_name(part: Path, path: Path) -> None:
    """Put the finished file under its name, on disk whole; DestinationError over another."""
    with part.open("rb+") as file:
        os.fsync(file.fileno())
    try:
        os.link(part, path)
    except FileExistsError:
        raise _taken(path) from None
    except OSError:  # a file system without links
        if path.exists():
            raise _taken(path) from None
        part.rename(path)
        return
    part.unlink()


def _taken(path: Path) -> DestinationError:
    return DestinationError(
        where=str(path),
        what="something stands there already, and nothing is ever overwritten",
        remedy="Name another folder.",
    )


class _Resizer:
    """Pictures in another size, in their own format and colour; none where the size is theirs."""

    def __init__(self, size: tuple[int, int], thread_count: int) -> None:
        self._size, self._thread_count = size, thread_count
        self._reformatter = VideoReformatter()

    def resize(self, picture: VideoFrame) -> VideoFrame:
        if (picture.width, picture.height) == self._size:
            return picture
        return self._reformatter.reformat(
            picture,
            width=self._size[0],
            height=self._size[1],
            interpolation=Interpolation.BICUBIC,
            threads=self._thread_count,
        )
