"""Encoded files: a clip in an encoding, written picture by picture, read back and proved."""

import hashlib
from collections import deque
from collections.abc import Iterable, Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import AbstractContextManager
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path
from typing import TYPE_CHECKING, Final

from av.container import OutputContainer
from av.video.frame import VideoFrame
from av.video.stream import VideoStream

from mezzmark.engines.encode.encoders import encoding_bitrate_bps, open_encoder, require_encoder
from mezzmark.engines.media.cache import cache_key, fetch_entry, library_versions
from mezzmark.engines.media.conversion import Converter, read_pictures
from mezzmark.engines.media.frame_index import (
    NO_STAMP,
    ProgressUpdate,
    build_frame_index,
    read_frame_index,
)
from mezzmark.engines.media.pixels import frame_bytes
from mezzmark.engines.media.probe import open_media, probe_media
from mezzmark.host.common import read_usable_core_count
from mezzmark.model.encoding import Encoding, check_frame
from mezzmark.model.errors import EncodingError, count_text
from mezzmark.model.footage import FrameIndex, constant_rate, is_constant_rate
from mezzmark.model.jobs import PreparedMedia
from mezzmark.own_files import safe_file_name

if TYPE_CHECKING:  # a trial does without
    from mezzmark.model.preparations import PrepareEncodingJob

_FRAMES_AHEAD: Final = 4
"""Enough to bridge a slow picture; each takes 12 to 66 MB at 2160p."""


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


def made_ahead(frames: Iterable[VideoFrame]) -> Iterator[VideoFrame]:
    """The frames, each made before it is asked for, in a thread of their own: painting, decoding
    and conversion go on while an encoder works."""
    maker = iter(frames)
    with ThreadPoolExecutor(max_workers=1) as thread:
        coming = deque(thread.submit(next, maker, None) for _ in range(_FRAMES_AHEAD))
        while (frame := coming.popleft().result()) is not None:
            coming.append(thread.submit(next, maker, None))
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
    pictures: Iterator[VideoFrame] | None = None,
) -> tuple[int, int]:
    """Encode the pictures of the index to a new file, evenly spaced; the size they got.

    `height_px` resizes, keeping the shape; None keeps the size. `pictures` are those
    of the index, where who calls reads them. Raises EncodingError, FootageError, DiskFullError, and
    DestinationError where something stands already.
    """
    frame_rate = constant_rate(index)
    size = fitted_size(index.width_px, index.height_px, height_px)
    check_frame(encoding, *size, frame_rate)
    converter = Converter(
        probe_media(media_path), encoding.pixel_format, thread_count=thread_count, size=size
    )
    pictures = pictures or read_pictures(media_path, index, thread_count=thread_count)
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


def read_encoded(path: Path, *, is_stamped: bool, has_closed_groups: bool = False) -> EncodedStream:
    """Decode a file in order and hash its packets in file order (BLAKE2b, 128 bits, hex)."""
    digest = hashlib.blake2b(digest_size=16)
    packet_bytes = 0
    with open_media(path) as (container, track):
        for packet in container.demux(track):
            if packet.size:
                digest.update(bytes(packet))
                packet_bytes += packet.size
    index = build_frame_index(path, is_stamped=is_stamped, has_closed_groups=has_closed_groups)
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
        entered = count_text(source.frame_count, "picture")
        order = ", in another order or with their stamps lost" if in_order is False else ""
        what = f"{entered} went in and {found.frame_count} came back{order}"
        raise EncodingError(where=where, what=what, remedy=remedy)


def first_frames(index: FrameIndex, frame_count: int) -> FrameIndex:
    """The index cut to its first pictures, at most `frame_count`."""
    per_frame = ("pts", "is_keyframe", "packet_bytes", "digests", "sparse_digests", "stamps")
    cut = {name: getattr(index, name)[:frame_count] for name in per_frame}
    return index.model_copy(update=cut)


ANY_THREADS: Final = frozenset({"prores_ks"})
"""Encoders of whole pictures side by side, whose file is the same for any number of threads: they
get every core, and `PrepareEncodingJob.thread_count` is not asked."""

MOST_THREADS: Final = 16
"""Each holds a picture and what comes of it: about 60 MB at 2160p."""

TRANSCODE_VERSION: Final = 1
"""Raised when the same encoding of the same clip would come out differently."""

EXACT_TIME_CONTAINERS: Final = frozenset({"mov", "mp4", "mkv"})
"""Containers that give each picture its own time; the others count pictures."""
COUNTING_CODECS: Final = frozenset({"MPEG-2", "VC-2"})
"""Codecs whose own headers state one frame rate."""

_ADVANCE_FRAMES: Final = 8
_LOSSY_SHARE: Final = 0.5
"""No lossy encoding of the catalogue was seen above half the bytes of the bare picture."""


def prepare_encoding(job: "PrepareEncodingJob", advance: ProgressUpdate) -> PreparedMedia:
    """The clip in this encoding, from the cache or newly made over the pictures of its index.

    Pictures of a variable rate keep their own times where container and codec can hold them;
    elsewhere they are spaced evenly at the average rate, and `advance` says so. Raises
    EncodingError when the encoding cannot hold the clip or a picture is lost, EngineError when
    the encoder is missing, DiskFullError when there is no room.
    """
    index = read_frame_index(job.source.index_path)
    check_frame(job.encoding, index.width_px, index.height_px, constant_rate(index))
    require_encoder(job.encoding)
    key = cache_key(
        kind="encoding",
        transcode_version=TRANSCODE_VERSION,
        source=index.model_dump(mode="json", exclude={"path"}),
        encoding=job.encoding.instructions,
        thread_count=job.thread_count,
        libraries=library_versions(),
    )

    def make(folder: Path) -> FrameIndex:
        path = folder / f"{safe_file_name(job.encoding.name)}.{job.encoding.container}"
        _transcode(job, index, path, advance)
        is_intra = job.encoding.is_intra
        found = build_frame_index(path, is_stamped=index.is_stamped, has_closed_groups=is_intra)
        refuse_lost_pictures(
            index,
            found,
            in_order=stamps_agree(index, found),
            where=f'encoding "{job.encoding.name}"',
            remedy="Raise its quality, or leave the encoding out; it cannot be measured honestly.",
        )
        return found

    needed_bytes = _needed_bytes(index, job.encoding)
    return fetch_entry(Path(job.cache_dir), key, make, needed_bytes=needed_bytes)


def _keeps_times(index: FrameIndex, encoding: Encoding) -> bool:
    """Whether each picture keeps its own time: not at a constant rate, which is spaced evenly, nor
    at a variable one that cannot be written down."""
    can_keep = encoding.container in EXACT_TIME_CONTAINERS and encoding.codec not in COUNTING_CODECS
    return can_keep and not is_constant_rate(index, constant_rate(index))


def _transcode(
    job: "PrepareEncodingJob", index: FrameIndex, path: Path, advance: ProgressUpdate
) -> None:
    frame_rate, keeps_times = constant_rate(index), _keeps_times(index, job.encoding)
    time_base = index.time_base if keeps_times else 1 / frame_rate
    source = probe_media(job.source.media_path)
    core_count = read_usable_core_count()
    converter = Converter(source, job.encoding.pixel_format, thread_count=core_count)
    message = f"encoding to {job.encoding.name}"
    if not keeps_times and not is_constant_rate(index, frame_rate):
        message += f" (variable rate; spaced evenly at {float(frame_rate):.3f} frames/s)"
    pictures = read_pictures(job.source.media_path, index, thread_count=core_count)

    def timed() -> Iterator[VideoFrame]:
        for number, picture in enumerate(pictures):
            if number % _ADVANCE_FRAMES == 0:
                advance(message, number / index.frame_count)
            frame = converter.convert(picture)
            frame.pts = index.pts[number] - index.pts[0] if keeps_times else number
            frame.time_base = time_base
            yield frame

    is_any = job.encoding.encoder in ANY_THREADS
    encoder = open_encoder(
        path,
        job.encoding,
        size=(index.width_px, index.height_px),
        frame_rate=frame_rate,
        time_base=time_base,
        tags=converter.tags,
        thread_count=min(core_count, MOST_THREADS) if is_any else job.thread_count,
    )
    write_frames(made_ahead(timed()), encoder)


def _needed_bytes(index: FrameIndex, encoding: Encoding) -> int:
    frame_rate = constant_rate(index)
    asked_bps = encoding_bitrate_bps(encoding, index.width_px, index.height_px, frame_rate)
    if asked_bps:
        return round(asked_bps / 8 * index.frame_count / frame_rate)
    share = 1.0 if encoding.is_lossless else _LOSSY_SHARE
    picture_bytes = frame_bytes(encoding.pixel_format, index.width_px, index.height_px)
    return round(share * index.frame_count * picture_bytes)
