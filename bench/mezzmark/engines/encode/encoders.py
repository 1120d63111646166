"""Encoders of this FFmpeg build: opened with an encoding's options, and probed by opening."""

import os
import sys
from collections.abc import Iterator, Sequence
from contextlib import suppress
from fractions import Fraction
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Final, cast

import av
from av.container import OutputContainer
from av.error import FFmpegError
from av.video.codeccontext import VideoCodecContext
from av.video.frame import VideoFrame
from av.video.stream import VideoStream

from mezzmark.engines.media.pixels import apply_tags
from mezzmark.model.catalogue.core import ENTRIES, find_encoding
from mezzmark.model.encoding import QUIET_ENVIRONMENT, Encoding
from mezzmark.model.errors import EncodingError, EngineError
from mezzmark.model.footage import ColourTags
from mezzmark.model.suggest import nearest

if TYPE_CHECKING:
    from av.codec.context import CodecOption

_SHOWN: Final = 3
"""As many names as a sentence carries."""


def nearest_encoders(name: str) -> list[str]:
    """Video encoders of this FFmpeg whose names are like this one, the nearest first."""
    near = nearest(name, sorted(av.codecs_available), count=10 * _SHOWN)
    return list(filter(is_video_encoder, near))[:_SHOWN]


def is_video_encoder(name: str) -> bool:
    """Whether this FFmpeg has a video encoder of exactly this name."""
    try:
        return av.codec.Codec(name, "w").type == "video"
    except av.codec.codec.UnknownCodecError:
        return False


def nearest_options(encoder: str, unknown: Sequence[str]) -> list[str]:
    """The encoder's options whose names are like one of these, the nearest of each first."""
    known = [option.name for option in _options(encoder)]
    near = (nearest(name, known, count=_SHOWN) for name in unknown)
    return list(dict.fromkeys(name for names in near for name in names))


def named_values(encoder: str, option_name: str) -> list[str]:
    """The names that an option's value may have; empty where it has none, or none are known."""
    options = [option for option in _options(encoder) if option.name == option_name]
    return [choice.name for choice in options[0].choices] if options else []


def pixel_formats(encoder: str) -> list[str]:
    """The pixel formats that an encoder takes; empty where it does not say."""
    return [form.name for form in av.codec.Codec(encoder, "w").video_formats or ()]


def nearest_pixel_formats(encoder: str, name: str) -> list[str]:
    """Of the pixel formats that an encoder takes, those with like names; all where none has."""
    formats = pixel_formats(encoder)
    return list(nearest(name, formats, count=_SHOWN)) or formats


def _options(encoder: str) -> "Iterator[CodecOption]":
    """The encoder's own options, then those that all encoders share; none before PyAV 18.1, which
    was the first to tell them."""
    supported = getattr(av.CodecContext.create(encoder, "w"), "supported_options", None)
    if supported is None:
        return
    from av.codec.context import OptionFlags

    yield from supported.private
    for option in supported.generic:
        if option.flags & OptionFlags.ENCODING_PARAM and option.flags & OptionFlags.VIDEO_PARAM:
            yield option


CONTAINER_FORMATS: Final = {"mkv": "matroska"}
"""FFmpeg's name of a container where it differs from ours."""

_PROBE_SIZE: Final = (320, 192)
"""Legal for each encoder's first encoding in the catalogue."""
_LARGE_PROBE_SIZE: Final = (1920, 1080)
"""Legal for those that know a few television sizes only."""
_PROBE_RATE: Final = Fraction(25)
_PROBE_FRAMES: Final = 2


def encoder_options(encoding: Encoding, thread_count: int) -> dict[str, str]:
    """The encoder's options, thread pinning included.

    Where both speak of one option ("x265-params"), the parts are joined; the encoding's own
    come last and win.
    """
    options = {
        key: value.replace("{threads}", str(thread_count))
        for key, value in encoding.thread_options.items()
    }
    for key, value in encoding.options.items():
        options[key] = f"{options[key]}:{value}" if key in encoding.thread_options else value
    return options


def encoding_bitrate_bps(
    encoding: Encoding, width_px: int, height_px: int, frame_rate: Fraction
) -> int:
    """The bit rate to ask for; 0 where quality decides."""
    if encoding.bitrate_bps is not None:
        return encoding.bitrate_bps
    pixels_per_s = width_px * height_px * frame_rate
    return round((encoding.bits_per_pixel or 0.0) * pixels_per_s)


def add_video_track(
    container: OutputContainer,
    encoding: Encoding,
    *,
    size: tuple[int, int],
    frame_rate: Fraction,
    time_base: Fraction,
    tags: ColourTags,
    thread_count: int,
) -> VideoStream:
    """Add the track, open its encoder and write the file's header.

    Raises EngineError where FFmpeg lacks the encoder, EncodingError where encoder or container
    refuses, or does not know an option.
    """
    try:
        track = cast(VideoStream, container.add_stream(encoding.encoder, rate=frame_rate))
        context = track.codec_context
        _configure(context, encoding, size, frame_rate, thread_count)
        context.time_base = time_base
        apply_tags(context, tags)
        container.start_encoding()
    except av.codec.codec.UnknownCodecError as error:
        raise missing_encoder(encoding) from error
    except (FFmpegError, ValueError) as error:
        raise _refused(encoding, error) from error
    _restore_ordinary_scheduling()
    _refuse_unknown_options(context, encoding)
    return track


def missing_encoder(encoding: Encoding) -> EngineError:
    """What to say where this FFmpeg has no such encoder."""
    return EngineError(
        where=f'encoding "{encoding.name}"',
        what=f'this FFmpeg build has no encoder "{encoding.encoder}"',
        remedy="Leave the encoding out, or install an FFmpeg build that has the encoder.",
    )


def available_encoders() -> dict[str, str]:
    """FFmpeg's encoders that the catalogue uses → "" if one works here, else what went wrong.

    Each is found out by encoding two small pictures: a build may list an encoder that its
    machine cannot open.
    """
    return {name: _probe(name) for name in dict.fromkeys(entry.encoder for entry in ENTRIES)}


def require_encoder(encoding: Encoding) -> None:
    """EngineError naming the encoder, if it is one of the catalogue's and does not work here."""
    if any(entry.encoder == encoding.encoder for entry in ENTRIES):
        fault = _probe(encoding.encoder)
        if fault:
            raise EngineError(
                where=f'encoding "{encoding.name}"',
                what=f'the encoder "{encoding.encoder}" does not work here ({fault})',
                remedy="Leave the encoding out, or install an FFmpeg build that has the encoder.",
            )


def _configure(
    context: VideoCodecContext,
    encoding: Encoding,
    size: tuple[int, int],
    frame_rate: Fraction,
    thread_count: int,
) -> None:
    if encoding.encoder in QUIET_ENVIRONMENT:
        os.environ.setdefault(*QUIET_ENVIRONMENT[encoding.encoder])
    context.width, context.height = size
    context.pix_fmt = encoding.pixel_format
    context.framerate = frame_rate
    context.time_base = 1 / frame_rate
    context.thread_count = thread_count
    # Pictures in parallel as well as slices, FFmpeg's own default; the binding's is slices only.
    context.thread_type = "AUTO"
    context.gop_size = encoding.keyframe_interval
    context.max_b_frames = encoding.b_frames
    context.bit_rate = encoding_bitrate_bps(encoding, *size, frame_rate)
    context.options = encoder_options(encoding, thread_count)


def _restore_ordinary_scheduling() -> None:
    """Put all threads of this process back among the machine's others (Linux).

    libsvtav1 run by root makes its threads, and the one that opens it, real-time threads that
    push everything else off the cores: no measurement beside or after it would mean anything.
    """
    if sys.platform != "linux":
        return
    for task in Path("/proc/self/task").iterdir():
        with suppress(OSError):  # a thread that ended meanwhile
            if os.sched_getscheduler(int(task.name)) != os.SCHED_OTHER:
                os.sched_setscheduler(int(task.name), os.SCHED_OTHER, os.sched_param(0))


def _refuse_unknown_options(context: VideoCodecContext, encoding: Encoding) -> None:
    # FFmpeg leaves in the dictionary what nobody took; a misspelt option would go unnoticed.
    unknown = sorted(context.options)
    if unknown:
        near = nearest_options(encoding.encoder, unknown)
        raise EncodingError(
            where=f'encoding "{encoding.name}"',
            what=f"the encoder {encoding.encoder} knows no option {' and '.join(unknown)}",
            remedy=f"Did you mean {' or '.join(near)}? If not, remove it."
            if near
            else "Check its spelling, or remove it.",
        )


def _refused(encoding: Encoding, error: Exception) -> EncodingError:
    reason = " ".join(str(getattr(error, "strerror", None) or error).split())
    log = getattr(error, "log", None)
    detail = f"; {' '.join(str(log[2]).split())}" if log else ""
    return EncodingError(
        where=f'encoding "{encoding.name}"',
        what=f"{encoding.encoder} in {encoding.container} as {encoding.pixel_format} is refused "
        f"({reason}{detail})",
        remedy="Change container, pixel format or options.",
    )


@cache
def _probe(encoder: str) -> str:
    """What goes wrong when the catalogue's first encoding by this encoder is tried; "" if nothing.

    Cached: the answer cannot change while the process lives.
    """
    return probe_encoding(
        next(find_encoding(entry.name) for entry in ENTRIES if entry.encoder == encoder)
    )


def probe_encoding(encoding: Encoding) -> str:
    """What goes wrong when two small pictures are encoded so; "" if nothing.

    An encoder that refuses our usual small size is tried at a usual large one. The container is
    not tried.
    """
    refusal = _try_size(encoding, _PROBE_SIZE)
    return refusal and (_try_size(encoding, _LARGE_PROBE_SIZE) and refusal)


def _try_size(encoding: Encoding, size: tuple[int, int]) -> str:
    try:
        return _encode_blank(encoding, size)
    except (EngineError, EncodingError) as error:
        return error.what
    except FFmpegError as error:
        reason = error.strerror or str(error)
        return f"{encoding.encoder} refuses these options or {encoding.pixel_format} ({reason})"
    except ValueError as error:
        return " ".join(str(error).split())


def _encode_blank(encoding: Encoding, size: tuple[int, int]) -> str:
    try:
        context = cast(VideoCodecContext, av.CodecContext.create(encoding.encoder, "w"))
    except av.codec.codec.UnknownCodecError as error:
        raise missing_encoder(encoding) from error
    _configure(context, encoding, size, _PROBE_RATE, 1)
    packets = []
    for number in range(_PROBE_FRAMES):
        frame = VideoFrame(*size, encoding.pixel_format)
        for plane in frame.planes:
            plane.update(bytes(plane.buffer_size))
        frame.pts, frame.time_base = number, 1 / _PROBE_RATE
        packets += context.encode(frame)
    packets += context.encode(None)
    _restore_ordinary_scheduling()
    _refuse_unknown_options(context, encoding)
    return "" if packets else "it gave no packets"
