"""Encoded files: written picture by picture from frames or a clip, read back and proved."""

import hashlib
from collections.abc import Iterable, Iterator
from contextlib import AbstractContextManager
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path

from av.container import OutputContainer
from av.video.frame import VideoFrame
from av.video.stream import VideoStream

from mezzmark.engines.encode.encoders import open_encoder
from mezzmark.engines.media.conversion import Converter, read_pictures
from mezzmark.engines.media.frame_index import NO_STAMP, build_frame_index
from mezzmark.engines.media.probe import open_media, probe_media
from mezzmark.model.encoding import Encoding, check_frame
from mezzmark.model.errors import EncodingError
from mezzmark.model.footage import FrameIndex, constant_rate


@dataclass(frozen=True, slots=True, kw_only=True)
class EncodedStream:
    """What an independent read of an encoded file found."""

    packet_bytes: int
    digest: str
    index: FrameIndex


def evenly_timed(frames: Iterable[VideoFrame], frame_rate: Fraction) -> Iterator[VideoFrame]:
    """The frames, their times set to 0, 1, 2, … / rate."""
    for number, frame in enumerate(frames):
        frame.pts, frame.time_base = number, 1 / frame_rate
        yield frame


def write_frames(
    frames: Iterable[VideoFrame],
    encoder: AbstractContextManager[tuple[OutputContainer, VideoStream]],
) -> None:
    """Encode frames whose times are set, one after the other as they come, with an encoder that
    `open_encoder` opens."""
    with encoder as (container, track):
        for frame in frames:
            container.mux(track.encode(frame))
        container.mux(track.encode(None))


def encode_clip(
    media_path: str,
    index: FrameIndex,
    path: Path,
    *,
    encoding: Encoding,
    thread_count: int,
    height_px: int | None,
) -> tuple[int, int]:
    """Encode the pictures of the index to a new file, evenly spaced; the size they got.

    `height_px` resizes, keeping the shape; None keeps the size. Raises EncodingError,
    FootageError, DiskFullError, and DestinationError where something stands already.
    """
    frame_rate = constant_rate(index)
    size = fitted_size(index.width_px, index.height_px, height_px)
    check_frame(encoding, *size, frame_rate)
    converter = Converter(
        probe_media(media_path), encoding.pixel_format, thread_count=thread_count, size=size
    )
    pictures = read_pictures(media_path, index, thread_count=thread_count)
    encoder = open_encoder(
        path,
        encoding,
        size=size,
        frame_rate=frame_rate,
        tags=converter.tags,
        thread_count=thread_count,
    )
    write_frames(evenly_timed(map(converter.convert, pictures), frame_rate), encoder)
    return size


def fitted_size(width_px: int, height_px: int, wanted_px: int | None) -> tuple[int, int]:
    """The picture's size at the height wanted, its shape kept, width even; never enlarged."""
    if wanted_px is None or wanted_px >= height_px:
        return width_px, height_px
    return max(2, round(width_px * wanted_px / height_px / 2) * 2), wanted_px


def read_encoded(path: Path, *, is_stamped: bool) -> EncodedStream:
    """Decode a file in order and hash its packets in file order (BLAKE2b, 128 bits, hex)."""
    digest = hashlib.blake2b(digest_size=16)
    packet_bytes = 0
    with open_media(path) as (container, track):
        for packet in container.demux(track):
            if packet.size:
                digest.update(bytes(packet))
                packet_bytes += packet.size
    index = build_frame_index(path, is_stamped=is_stamped)
    return EncodedStream(packet_bytes=packet_bytes, digest=digest.hexdigest(), index=index)


def stamps_agree(source: FrameIndex, encoded: FrameIndex) -> bool | None:
    """Whether the encoded pictures carry the source's stamps in the same order.

    None where the clip has no stamps. A picture whose stamp the source itself had lost is not
    asked for.
    """
    if not source.is_stamped:
        return None
    if source.frame_count != encoded.frame_count:
        return False
    pairs = zip(source.stamps, encoded.stamps, strict=True)
    return all(wanted in (NO_STAMP, found) for wanted, found in pairs)


def refuse_lost_pictures(
    source: FrameIndex, found: FrameIndex, *, in_order: bool | None, where: str, remedy: str
) -> None:
    """EncodingError when a file does not hold as many pictures as went in, or not in their order
    (`in_order`, None where nobody can tell)."""
    if found.frame_count != source.frame_count or in_order is False:
        what = f"{source.frame_count} pictures went in and {found.frame_count} came back"
        if in_order is False:
            what += ", in another order or with their stamps lost"
        raise EncodingError(where=where, what=what, remedy=remedy)


def first_frames(index: FrameIndex, frame_count: int) -> FrameIndex:
    """The index cut to its first pictures, at most `frame_count`."""
    per_frame = ("pts", "is_keyframe", "packet_bytes", "digests", "stamps")
    cut = {name: getattr(index, name)[:frame_count] for name in per_frame}
    return index.model_copy(update=cut)
