"""What a media file says of itself, and how one is opened: read-only, by a plain file path."""

import struct
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from fractions import Fraction
from itertools import islice
from pathlib import Path
from typing import Any, Final, cast

import av
import av.logging
from av.container import InputContainer
from av.error import FFmpegError
from av.video.codeccontext import VideoCodecContext
from av.video.frame import VideoFrame
from av.video.stream import VideoStream

from mezzmark.engines.media.pixels import pixel_format_facts, tags_of
from mezzmark.engines.media.shape import FIELD_ORDERS, PROGRESSIVE, order_of
from mezzmark.model.catalogue.core import CODEC_NAMES
from mezzmark.model.colour import FULL_RANGE, UNSPECIFIED
from mezzmark.model.errors import FootageError
from mezzmark.model.fact import MAX_WHOLE
from mezzmark.model.footage import ColourTags, MediaFacts
from mezzmark.model.players import Threading

_CONTAINERS: Final = {
    "qt": "mov",
    "mov,mp4,m4a,3gp,3g2,mj2": "mp4",
    "matroska,webm": "mkv",
    "mpegts": "ts",
    "mpeg": "ps",
}


def exact_fraction(value: Any) -> Fraction | None:
    """FFmpeg's rational; None where unknown (PyAV 18: None, 19: a zero) or below zero."""
    if value is None or not value.denominator or value.numerator <= 0:
        return None
    return Fraction(int(value.numerator), int(value.denominator))


MAX_PICTURE_PX: Final = 8192 * 8192
"""Of a picture that is decoded: twice 8K, and the largest that a recipe may ask for. A file of 200
bytes may claim any size, and its decoder takes 8 bytes a pixel twice before it reads the first."""

DECODER_LIMIT: Final = {"max_pixels": str(MAX_PICTURE_PX)}

_FIRST_PACKETS: Final = 64
"""So many at most until a decoder gives its first picture; some hold back one a thread."""

OPEN_OPTIONS: Final[dict[str, Any]] = {
    # Only local files: a playlist must not make the measurement read from a network. The limit is
    # for the decoders that FFmpeg tries while it opens a file.
    "options": {"protocol_whitelist": "file", **DECODER_LIMIT},
    # PyAV 19 has no such option: text in no known encoding never fails there.
    **({"metadata_errors": "replace"} if int(av.__version__.split(".")[0]) < 19 else {}),
}
"""How every file is opened for reading."""


@contextmanager
def open_media(
    path: str | Path, *, thread_count: int = 1, source: Any = None
) -> Iterator[tuple[InputContainer, VideoStream]]:
    """Open a file read-only and give its container and first video track, decoded by so many
    threads; closed on exit. `source` and what is raised are as of `open_container`."""
    with open_container(path, source) as container:
        track = video_track(container, path)
        spread_decoding(track, "auto", thread_count)
        yield container, track


SLICE_THREADS_UNSAFE: Final = ("v210",)
"""Decoders that give a wrong picture now and then by several threads: with FFmpeg 8.1 25 decodes of
a file gave 7 results, up to 506 of 1023 codes off. (Elsewhere 100 decodes gave one.)"""


def spread_decoding(track: VideoStream, threading: Threading, thread_count: int) -> None:
    """Tell a decoder that is not open yet how to use so many threads. Where threads within a
    picture are unsafe it takes several pictures at once instead."""
    context = track.codec_context
    is_unsafe = context.codec.canonical_name in SLICE_THREADS_UNSAFE
    context.thread_count = thread_count
    context.thread_type = "FRAME" if is_unsafe else threading.upper()


def open_container(path: str | Path, source: Any = None) -> InputContainer:
    """The container, read through `source` if given; who calls closes both. Raises FootageError."""
    file = Path(path).resolve()
    if not file.exists():
        raise unfit(path, "there is no such file", "Check the path and its spelling.")
    if not file.is_file():
        raise unfit(path, "is not a regular file", "Give the path of a media file.")
    if file.stat().st_size == 0:
        remedy = "Its copy may have been cut off; copy it from its source again."
        raise unfit(path, "the file is empty", remedy)
    try:
        container: InputContainer = av.open(source or str(file), **OPEN_OPTIONS)
    except FFmpegError as error:
        what = f"is not a media file that this FFmpeg can open ({error.strerror})"
        remedy = "Check that it plays elsewhere; if it does, convert it first, or leave it out."
        if missing := _missing_movie_atom(file):
            what = f"the table of its pictures (the `moov` atom) is missing: {missing}"
            remedy = "The recording or copy was cut off; copy it from its source again."
        raise unfit(file, what, remedy) from error
    except OSError as error:
        what = f"cannot be read ({error.strerror or error})"
        remedy = "Check that the file may be read and that its disk is still connected."
        raise unfit(path, what, remedy) from error
    return container


def unfit(path: str | Path, what: str, remedy: str) -> FootageError:
    """Why a file cannot be measured, and what to do about it."""
    return FootageError(where=str(path), what=what, remedy=remedy)


def video_track(container: InputContainer, path: str | Path) -> VideoStream:
    """The first video track that is no cover picture and no still. FootageError without one."""
    cover = av.stream.Disposition.attached_pic
    tracks = [s for s in container.streams.video if not s.disposition & cover]
    track = next((s for s in tracks if s.frames != 1), tracks[0] if tracks else None)
    if track is None:
        raise unfit(path, "has no video track", "Give a file with moving pictures.")
    if track.codec_context is None:
        what = "this FFmpeg build has no decoder for its video track"
        raise unfit(path, what, "Convert the file first, or leave it out.")
    width_px, height_px = track.codec_context.width, track.codec_context.height
    if width_px * height_px > MAX_PICTURE_PX:
        limit = f"the limit is {MAX_PICTURE_PX:,} pixels"
        what = f"it claims pictures of {width_px}x{height_px}, and {limit}"
        raise unfit(path, what, "Leave it out, or scale it down first.")
    if not width_px or not track.codec_context.pix_fmt:
        what = f"the size or pixel format of its video track is not known{_complaint(track, path)}"
        remedy = "It may be cut off or damaged; copy it from its source again, or leave it out."
        raise unfit(path, what, remedy)
    track.codec_context.options = dict(DECODER_LIMIT)
    return track


def _complaint(track: VideoStream, path: str | Path) -> str:
    """What FFmpeg's decoder says of the first picture, in brackets, such as the size claimed."""
    with complaints() as said, suppress(FFmpegError), av.open(str(path), **OPEN_OPTIONS) as again:
        if not said:
            context = again.streams[track.index].codec_context
            context.options = dict(DECODER_LIMIT)
            next(again.decode(again.streams[track.index]), None)
    return f" (FFmpeg: {said[-1][2].strip()})" if said else ""


@contextmanager
def complaints() -> Iterator[list[tuple[int, str, str]]]:
    """The errors that FFmpeg tells of meanwhile, as they come: level, who, and what."""
    level = av.logging.get_level()
    av.logging.set_level(av.logging.ERROR)
    try:
        with av.logging.Capture(False) as said:
            yield said
    finally:
        av.logging.set_level(level)


def probe_media(path: str | Path) -> MediaFacts:
    """What the file says of itself, and its first picture, which is decoded, of the order of its
    fields, since most containers know that less well. Raises FootageError."""
    with open_media(path) as (container, track):
        facts = describe_media(container, track, path)
        is_sure = int(track.codec_context.field_order) == PROGRESSIVE and facts.container != "mxf"
        with suppress(FFmpegError):
            shown = None if is_sure else order_of(next(container.decode(track), None))
            return facts.model_copy(update={"field_order": shown or facts.field_order})
    return facts


def describe_media(container: InputContainer, track: VideoStream, path: str | Path) -> MediaFacts:
    """The facts of an opened file; reads no packet."""
    context, tick = track.codec_context, exact_fraction(track.time_base)
    codec, name = context.codec.canonical_name, container.format.name
    name = "qt" if container.metadata.get("major_brand", "").strip() == "qt" else name
    duration_s = float((track.duration or 0) * (tick or 0))
    duration_s = duration_s if duration_s > 0 else (container.duration or 0) / av.time_base
    pixel_format = str(context.pix_fmt)
    pixels = pixel_format_facts(pixel_format)
    tags = tags_of(context)
    if pixel_format.startswith("yuvj"):  # full range by its name, whatever the tag
        tags = tags.model_copy(update={"colour_range": FULL_RANGE})
    return MediaFacts(
        path=str(path),
        container=_CONTAINERS.get(name, name.split(",")[0].split("_")[0]),
        codec=CODEC_NAMES.get(codec, codec),
        profile=context.profile,
        encoder_hint=track.metadata.get("encoder") or container.metadata.get("encoder"),
        width_px=context.width,
        height_px=context.height,
        pixel_format=pixel_format,
        bit_depth=pixels.bit_depth,
        chroma=pixels.chroma,
        has_alpha=pixels.has_alpha,
        frame_rate=exact_fraction(track.average_rate) or exact_fraction(track.guessed_rate),
        duration_s=duration_s if duration_s > 0 else None,
        stated_frame_count=track.frames if 0 < track.frames <= MAX_WHOLE else None,
        time_base=tick or Fraction(1, 1_000_000),
        has_b_frames=bool(context.has_b_frames),
        field_order=FIELD_ORDERS.get(int(context.field_order)),
        sample_aspect=exact_fraction(track.sample_aspect_ratio),
        tags=tags,
        audio_track_count=len(container.streams.audio),
        file_bytes=Path(path).stat().st_size,
    )


def first_picture(container: InputContainer, track: VideoStream) -> VideoFrame | None:
    """The first picture that decodes; None without one."""
    with suppress(FFmpegError):
        container.seek(0)
        return next(container.decode(track), None)
    return None


def stated_in_pictures(container: InputContainer, track: VideoStream) -> ColourTags:
    """Colour tags that coded pictures state themselves, by a decoder that never saw the container;
    none where it cannot do without."""
    known = track.codec_context
    bare = cast(VideoCodecContext, av.CodecContext.create(known.codec.name, "r"))
    bare.options = dict(DECODER_LIMIT)
    with suppress(FFmpegError, ValueError):
        if known.extradata:
            bare.extradata = known.extradata
        bare.width, bare.height, bare.pix_fmt = known.width, known.height, known.pix_fmt
        container.seek(0)
        for packet in islice(container.demux(track), _FIRST_PACKETS):
            for frame in bare.decode(packet if packet.size else None):
                return _unreserved(tags_of(frame), frame.format.name)
    return ColourTags()


def _unreserved(tags: ColourTags, pixel_format: str) -> ColourTags:
    """Reserved code points (ITU-T H.273) say nothing, nor does RGB's matrix of other samples."""
    silent = {
        name: UNSPECIFIED for name in ("primaries", "transfer") if getattr(tags, name) in (0, 3)
    }
    if tags.matrix == 3 or (tags.matrix == 0 and not pixel_format_facts(pixel_format).is_rgb):
        silent["matrix"] = UNSPECIFIED
    if pixel_format.startswith("yuvj"):
        silent["colour_range"] = FULL_RANGE
    return tags.model_copy(update=silent)


def stated(container: InputContainer, key: str) -> str:
    """What a track or the container says under this name, small or capital; else empty."""
    places: list[Any] = [*container.streams, container]
    texts = (place.metadata.get(name) for place in places for name in (key, key.upper()))
    return next(filter(None, texts), "")


def _missing_movie_atom(file: Path) -> str:
    """Say in words why an ISO base media file (ISO/IEC 14496-12, 4.2) has no `moov`, or ""."""
    size = file.stat().st_size
    position, kinds = 0, []
    with file.open("rb") as stream:
        while position + 8 <= size:
            stream.seek(position)
            length, kind = struct.unpack(">I4s", stream.read(8))
            if length == 1:
                wide = stream.read(8)
                length = struct.unpack(">Q", wide)[0] if len(wide) == 8 else size
            kinds.append(kind)
            if length < 8:
                break
            position += length
    is_iso_media = bool(kinds) and kinds[0] in (b"ftyp", b"mdat", b"wide", b"free", b"skip")
    if not is_iso_media or b"moov" in kinds:
        return ""
    announced = f" of {position} that its parts announce" if position > size else ""
    return f"the file ends after {size} bytes{announced}"
