"""Encoded files: a clip in an encoding, written picture by picture, read back and proved. Long
because trials, preparations and deliveries do so by the same steps."""

import hashlib
import os
from collections import deque
from collections.abc import Callable, Iterable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import AbstractContextManager
from dataclasses import dataclass
from fractions import Fraction
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final, TypeVar

from av.container import OutputContainer
from av.video.codeccontext import VideoCodecContext
from av.video.frame import VideoFrame
from av.video.stream import VideoStream

from mezzmark.engines.encode.encoders import open_encoder, require_encoder, unusable
from mezzmark.engines.encode.timing import Timing, even_timing, plan_timing, timed
from mezzmark.engines.encode.whole_file import Carrier, carrier_for, survey
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
from mezzmark.engines.media.shape import carry_shape, wanted_aspect
from mezzmark.host.common import read_usable_core_count
from mezzmark.model.encoding import Encoding, check_frame, encoding_bitrate_bps
from mezzmark.model.errors import EncodingError, NotMadeError, count_text
from mezzmark.model.footage import (
    FieldOrder,
    FrameIndex,
    MediaFacts,
    constant_rate,
    is_constant_rate,
)
from mezzmark.model.jobs import PreparedMedia
from mezzmark.own_files import safe_file_name

if TYPE_CHECKING:  # a trial does without
    from mezzmark.model.preparations import PrepareEncodingJob

Item = TypeVar("Item")

_ADVANCE_ITEMS: Final = 8
_FRAMES_AHEAD: Final = 4
"""Enough to bridge a slow picture; each takes 12 to 66 MB at 2160p."""


@dataclass(frozen=True, slots=True, kw_only=True)
class EncodedStream:
    """What an independent read of an encoded file found."""

    packet_bytes: int
    digest: str
    index: FrameIndex


def made_ahead(frames: Iterable[VideoFrame]) -> Iterator[VideoFrame]:
    """The frames, each made before it is asked for, in a thread, while an encoder works."""
    maker = iter(frames)
    with ThreadPoolExecutor(max_workers=1) as thread:
        coming = deque(thread.submit(next, maker, None) for _ in range(_FRAMES_AHEAD))
        while (frame := coming.popleft().result()) is not None:
            coming.append(thread.submit(next, maker, None))
            yield frame


def telling(items: Iterable[Item], count: int, tell: Callable[[float], None]) -> Iterator[Item]:
    """The items as they come; `tell` is given the share done (of `count`) now and then."""
    for number, item in enumerate(items):
        if number % _ADVANCE_ITEMS == 0:
            tell(number / count)
        yield item


def write_frames(
    frames: Iterable[VideoFrame],
    encoder: AbstractContextManager[tuple[OutputContainer, VideoStream]],
    carrier: Carrier | None = None,
) -> None:
    """Encode frames whose times are set, by an `open_encoder`, with what the carrier brings."""
    with encoder as (container, track):
        for frame in frames:
            if carrier:
                carrier.write_until(container, (frame.pts or 0) * Fraction(frame.time_base or 0))
            container.mux(track.encode(frame))
        container.mux(track.encode(None))
        if carrier:
            carrier.write_until(container, None)


def encode_clip(
    media_path: str,
    index: FrameIndex,
    path: Path,
    *,
    encoding: Encoding,
    thread_count: int,
    height_px: int | None,
    carrier: Carrier | None = None,
    pictures: Iterator[VideoFrame] | None = None,
) -> tuple[int, int]:
    """Encode an index's pictures to a new file, evenly spaced, or as a carrier times them that
    brings sound and tags; the size they were fitted to. `height_px` resizes, keeping the shape
    (None: not); what the encoding scales comes on top. `pictures` are those, if read already.
    Raises EncodingError, FootageError, DiskFullError, and DestinationError where something stands.
    """
    timing = carrier.timing if carrier else even_timing(index, constant_rate(index))
    fitted = fitted_size(index.width_px, index.height_px, height_px)
    check_frame(encoding, *fitted, timing.frame_rate)
    converter = converter_for(probe_media(media_path), encoding, fitted, thread_count)
    pictures = pictures or read_pictures(media_path, index, thread_count=thread_count)
    frames = timed(map(converter.convert, pictures), timing)
    write_clip(frames, path, encoding, converter, timing, carrier, thread_count=thread_count)
    return fitted


def converter_for(
    source: MediaFacts, encoding: Encoding, fitted: tuple[int, int], thread_count: int
) -> Converter:
    """From a clip's pictures, fitted to a size, to those that enter the encoder."""
    size = encoding.picture_size(*fitted)
    return Converter(source, encoding.pixel_format, thread_count=thread_count, size=size)


def write_clip(
    frames: Iterable[VideoFrame],
    path: Path,
    encoding: Encoding,
    converter: Converter,
    timing: Timing,
    carrier: Carrier | None = None,
    *,
    thread_count: int,
) -> None:
    """What the converter gave, timed, to a new file, with the clip's shape and what is carried."""
    shape = carry_shape(encoding, converter.source)

    def prepare(container: OutputContainer, context: VideoCodecContext) -> None:
        shape(container, context)
        if carrier:
            carrier.prepare(container, context)

    encoder = open_encoder(
        path,
        encoding,
        size=converter.size,
        frame_rate=timing.frame_rate,
        time_base=timing.time_base,
        tags=converter.tags,
        thread_count=thread_count,
        prepare=prepare,
    )
    write_frames(frames, encoder, carrier)


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
    """Whether stamps are the source's, in order; None where it has none. One that the source lost
    is not asked for; after resizing one may be unreadable, but none may be another's."""
    if not source.is_stamped:
        return None
    if source.frame_count != encoded.frame_count:
        return False
    is_resized = (source.width_px, source.height_px) != (encoded.width_px, encoded.height_px)
    lost = (NO_STAMP,) if is_resized else ()
    pairs = zip(source.stamps, encoded.stamps, strict=True)
    return all(wanted == NO_STAMP or found in (wanted, *lost) for wanted, found in pairs)


def refuse_lost_pictures(
    source: FrameIndex, found: FrameIndex, *, where: str, remedy: str
) -> bool | None:
    """EncodingError when pictures or their order were lost; what `stamps_agree` says."""
    in_order = stamps_agree(source, found)
    if found.frame_count != source.frame_count or in_order is False:
        entered = count_text(source.frame_count, "picture")
        order = ", in another order or with their stamps lost" if in_order is False else ""
        what = f"{entered} went in and {found.frame_count} came back{order}"
        raise EncodingError(where=where, what=what, remedy=remedy)
    return in_order


def first_frames(index: FrameIndex, frame_count: int) -> FrameIndex:
    """The index cut to its first pictures, at most `frame_count`."""
    return pick_frames(index, range(min(frame_count, index.frame_count)))


def pick_frames(index: FrameIndex, numbers: Sequence[int]) -> FrameIndex:
    """The index with these pictures in this order, some perhaps more than once."""
    per_frame = ("pts", "is_keyframe", "packet_bytes", "digests", "sparse_digests", "stamps")
    picked = {name: getattr(index, name) for name in per_frame}
    found = {name: tuple(of[n] for n in numbers) for name, of in picked.items() if of}
    return index.model_copy(update=found)


ANY_THREADS: Final = frozenset({"prores_ks"})
"""They code whole pictures side by side, the same for any number of threads: all cores are used,
and `PrepareEncodingJob.thread_count` is not asked."""

MOST_THREADS: Final = 16
"""Each holds a picture and what comes of it: about 60 MB at 2160p."""

TRANSCODE_VERSION: Final = 2
"""Raised when the same encoding of the same clip would come out differently."""

WHOLE_VERSION: Final = 1
"""As that, of files that hold more than pictures."""

_LOSSY_SHARE: Final = 0.5
"""No lossy encoding of the catalogue was seen above half the bytes of the bare picture."""


def prepare_encoding(job: "PrepareEncodingJob", advance: ProgressUpdate) -> PreparedMedia:
    """The clip in this encoding, from the cache or newly made. Where pictures of a variable rate
    are spaced evenly, `advance` says so. Sound, timecode and tags of the user's own file go along.
    Raises EncodingError when the encoding cannot hold the clip, or a picture or the order of fields
    is lost, EngineError without the encoder, DiskFullError when there is no room."""
    index, source = read_frame_index(job.source.index_path), probe_media(job.source.media_path)
    carrier = carrier_for(source.path, index, job.encoding) if job.fingerprint else None
    timing = carrier.timing if carrier else plan_timing(index, job.encoding, has_sound=False)
    size, order = (index.width_px, index.height_px), source.field_order
    check_frame(job.encoding, *size, timing.frame_rate, is_interlaced=order is not None)
    require_encoder(job.encoding)

    def make(folder: Path) -> FrameIndex:
        path = folder / f"{safe_file_name(job.encoding.name)}.{job.encoding.container}"
        is_intra, where = job.encoding.is_intra, f'encoding "{job.encoding.name}"'
        if job.is_sought:
            raise NotMadeError(where=where, what="it is not made yet", remedy="Make it.")
        if job.made_path:
            os.replace(job.made_path, path)
        else:
            _transcode(job, source, index, path, advance, timing, carrier)
        found = build_frame_index(path, is_stamped=index.is_stamped, has_closed_groups=is_intra)
        entered = pick_frames(index, timing.shown)
        remedy = "Raise its quality, or leave the encoding out; it cannot be measured honestly."
        refuse_lost_pictures(entered, found, where=where, remedy=remedy)
        if carrier:
            carrier.prove(path, found, where)
        if (kept := probe_media(path).field_order) != order:
            what = f"the clip's fields are {order or 'no fields'}, its file says {kept or 'none'}"
            raise unusable(job.encoding, what, "Leave it out, or deinterlace the clip.")
        return found

    aspect = wanted_aspect(job.encoding, source)
    key = _key_of(job, index, order, aspect, is_whole=carrier is not None)
    needed_bytes = _needed_bytes(index, job.encoding)
    how: dict[str, Any] = {"needed_bytes": needed_bytes, "made_by": job.made_by}
    made = fetch_entry(Path(job.cache_dir), key, make, **how)
    is_lost = (probe_media(made.media.media_path).sample_aspect or 1) != aspect
    survives = survey(source.path, index, made.media, aspect) if job.fingerprint else ()
    return made.model_copy(update={"survives": survives, "is_aspect_lost": is_lost})


def _key_of(
    job: "PrepareEncodingJob",
    index: FrameIndex,
    order: FieldOrder | None,
    aspect: Fraction,
    *,
    is_whole: bool,
) -> str:
    """Only what makes another file than before is part of it: others are found again."""
    whole = {"whole": [WHOLE_VERSION, job.fingerprint]} if is_whole else {}
    muxing = {"muxing": job.encoding.muxing} if job.encoding.muxing else {}
    shape = {"shape": (order, str(aspect))} if order or aspect != 1 else {}
    return cache_key(
        kind="encoding",
        transcode_version=TRANSCODE_VERSION,
        source=index.model_dump(mode="json", exclude={"path"}),
        encoding=job.encoding.instructions,
        thread_count=job.thread_count,
        libraries=library_versions(),
        **whole,
        **muxing,
        **shape,
    )


def _transcode(
    job: "PrepareEncodingJob",
    source: MediaFacts,
    index: FrameIndex,
    path: Path,
    advance: ProgressUpdate,
    timing: Timing,
    carrier: Carrier | None,
) -> None:
    core_count, encoding = read_usable_core_count(), job.encoding
    message = f"encoding to {encoding.name}"
    rate, kept_count = timing.frame_rate, len({*timing.shown})
    if timing.time_base == 1 / rate and not is_constant_rate(index, rate):
        repeats, lost = len(timing.shown) - kept_count, index.frame_count - kept_count
        message += f" (variable rate; spaced evenly at {float(rate):.3f} frames/s"
        message += f", {repeats} pictures repeated, {lost} left out)"
    converter = converter_for(source, encoding, (index.width_px, index.height_px), core_count)
    pictures = read_pictures(source.path, index, thread_count=core_count)
    told = telling(pictures, index.frame_count, partial(advance, message))
    frames = made_ahead(timed(map(converter.convert, told), timing))
    is_any = encoding.encoder in ANY_THREADS
    threads = min(core_count, MOST_THREADS) if is_any else job.thread_count
    write_clip(frames, path, encoding, converter, timing, carrier, thread_count=threads)


def _needed_bytes(index: FrameIndex, encoding: Encoding) -> int:
    frame_rate, size = constant_rate(index), encoding.picture_size(index.width_px, index.height_px)
    asked_bps = encoding_bitrate_bps(encoding, *size, frame_rate)
    if asked_bps:
        return round(asked_bps / 8 * index.frame_count / frame_rate)
    share = 1.0 if encoding.is_lossless else _LOSSY_SHARE
    picture_bytes = frame_bytes(encoding.pixel_format, *size)
    return round(share * index.frame_count * picture_bytes)
