"""Encoders of this FFmpeg build: opened with an encoding's options, and probed by opening. Long
because whatever FFmpeg refuses in doing so is told here in words, with what to do instead."""

import os
import sys
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager, suppress
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path
from typing import TYPE_CHECKING, Final, Literal, cast

import av
from av.container import OutputContainer
from av.error import FFmpegError
from av.video.codeccontext import VideoCodecContext
from av.video.frame import VideoFrame
from av.video.stream import VideoStream

from mezzmark.engines.media.pixels import apply_tags
from mezzmark.model.catalogue.core import ENTRIES, find_encoding
from mezzmark.model.encoding import QUIET_ENVIRONMENT, Encoding, encoding_bitrate_bps
from mezzmark.model.errors import (
    DestinationError,
    EncodingError,
    EngineError,
    MezzmarkError,
    nearest,
    reason_of,
)
from mezzmark.model.footage import ColourTags
from mezzmark.own_files import STORAGE_ERRORS

if TYPE_CHECKING:
    from av.codec.context import CodecOption

PLAIN_ENCODERS: Final = {"AVC": "libx264", "HEVC": "libx265"}
"""What makes camera originals and deliveries of these codecs."""

_PROBE_SIZE: Final = (320, 192)
"""Legal for each encoder's first encoding in the catalogue."""
_LARGE_PROBE_SIZE: Final = (1920, 1080)
"""Legal for those that know a few television sizes only."""
_PROBE_RATE: Final = Fraction(25)
_PROBE_FRAMES: Final = 2

_SHOWN: Final = 3
"""As many like names as a sentence carries."""


@dataclass(frozen=True, slots=True, kw_only=True)
class EncoderFault:
    """Why an encoding cannot be made: unknown `options`, FFmpeg's own `reason` where it refuses."""

    encoding: Encoding
    kind: Literal["no encoder", "unknown options", "refused", "no packets"]
    options: tuple[str, ...] = ()
    reason: str = ""

    @property
    def words(self) -> str:
        """The finding in a clause."""
        encoder, options = self.encoding.encoder, " and ".join(self.options)
        refused = f"these options or {self.encoding.pixel_format}"
        return {
            "no encoder": f'this FFmpeg build has no encoder "{encoder}"',
            "unknown options": f"the encoder {encoder} knows no option {options}",
            "refused": f"{encoder} refuses {refused} ({self.reason})",
            "no packets": f"{encoder} gave no packets",
        }[self.kind]


COLOUR_OPTIONS: Final = {name: {"movflags": "+write_colr"} for name in ("mov", "mp4")}
"""By container: without it FFmpeg writes no `colr` atom where a clip states only some tags."""


@contextmanager
def open_encoder(
    path: Path,
    encoding: Encoding,
    *,
    size: tuple[int, int],
    frame_rate: Fraction,
    time_base: Fraction | None = None,
    tags: ColourTags,
    thread_count: int,
    prepare: Callable[[OutputContainer, VideoCodecContext], None] | None = None,
) -> Iterator[tuple[OutputContainer, VideoStream]]:
    """Create the file, add the track, open its encoder, and write the header; closed on exit. Times
    are in frames unless `time_base` says otherwise; `prepare` may add to container and encoder.
    Raises DestinationError where something stands already, EngineError without the encoder,
    EncodingError where encoder or container refuses, does not know an option, or gives up on the
    way, OSError of `STORAGE_ERRORS` where the storage is at fault."""
    container = _new_container(path, encoding)
    try:
        track = cast(VideoStream, container.add_stream(encoding.encoder, rate=frame_rate))
        context = track.codec_context
        _configure(context, encoding, size, frame_rate, thread_count)
        context.time_base = time_base or 1 / frame_rate
        apply_tags(context, tags)
        if tag := encoding.muxing.get("tag"):
            context.codec_tag = tag
        if prepare is not None:
            prepare(container, context)
        with _quiet():
            container.start_encoding()
        _restore_ordinary_scheduling()
        if fault := _unknown_options(context, encoding):
            raise unusable(encoding, fault.words, suggest(fault)[1])
    except (FFmpegError, ValueError) as error:
        container.close()
        path.unlink(missing_ok=True)  # made just now, and empty
        if isinstance(error, EncodingError) or getattr(error, "errno", None) in STORAGE_ERRORS:
            raise
        raise _refusal(encoding, error) from error
    try:
        with container:
            yield container, track
    except FFmpegError as error:
        if error.errno in STORAGE_ERRORS:
            raise
        what = f"the encoder gave up on the way ({error.strerror})"
        remedy = "Try another profile or pixel format, or leave the encoding out."
        raise unusable(encoding, what, remedy) from error


def _new_container(path: Path, encoding: Encoding) -> OutputContainer:
    if path.exists():
        raise taken(path, "Name another place.")
    format_name = "matroska" if encoding.container == "mkv" else encoding.container
    options = {key: text for key, text in encoding.muxing.items() if key == "strict"}
    options |= COLOUR_OPTIONS.get(encoding.container, {})
    return av.open(str(path), "w", format=format_name, container_options=options)


def unusable(encoding: Encoding, what: str, remedy: str) -> EncodingError:
    """Why an encoding cannot be measured, and what to do about it."""
    return EncodingError(where=f'encoding "{encoding.name}"', what=what, remedy=remedy)


def taken(path: Path, remedy: str) -> DestinationError:
    """What to say where a file would go and something stands."""
    what = "something stands there already, and nothing is ever overwritten"
    return DestinationError(where=str(path), what=what, remedy=remedy)


def require_encoder(encoding: Encoding) -> None:
    """EngineError naming the encoder, if the catalogue's first encoding by it does not work."""
    name = next((entry.name for entry in ENTRIES if entry.encoder == encoding.encoder), None)
    fault = probe_encoding(find_encoding(name)) if name else None
    if fault is not None:
        raise _missing(fault)


def probe_encoding(encoding: Encoding) -> EncoderFault | None:
    """What goes wrong when two small pictures are encoded so, or, if refused, larger ones: a build
    may list an encoder that cannot be opened. An encoder of few sizes is tried at its first, since
    it may crash at others. The container is not tried."""
    sizes = encoding.frame_sizes[:1] or (_PROBE_SIZE, _LARGE_PROBE_SIZE)
    faults = [fault := _try_size(encoding, sizes[0])]
    faults += [_try_size(encoding, size) for size in sizes[1:] if fault]
    return None if None in faults else fault


def _try_size(encoding: Encoding, size: tuple[int, int]) -> EncoderFault | None:
    frames = []
    try:
        context = cast(VideoCodecContext, av.CodecContext.create(encoding.encoder, "w"))
        _configure(context, encoding, size, _PROBE_RATE, 1)
        for number in range(_PROBE_FRAMES):
            frame = VideoFrame(*size, encoding.pixel_format)
            for plane in frame.planes:
                plane.update(bytes(plane.buffer_size))
            frame.pts, frame.time_base = number, 1 / _PROBE_RATE
            frames.append(frame)
        with _quiet():
            packet_count = sum(len(context.encode(frame)) for frame in (*frames, None))
    except av.codec.codec.UnknownCodecError:
        return EncoderFault(encoding=encoding, kind="no encoder")
    except (FFmpegError, ValueError) as error:
        return EncoderFault(encoding=encoding, kind="refused", reason=reason_of(error))
    _restore_ordinary_scheduling()
    unknown = _unknown_options(context, encoding)
    if unknown is None and packet_count == 0:
        return EncoderFault(encoding=encoding, kind="no packets")
    return unknown


def suggest(fault: EncoderFault) -> tuple[str, str]:
    """The encoding's key at fault, and what to write there, by the names FFmpeg knows."""
    encoding, encoder = fault.encoding, fault.encoding.encoder
    if fault.kind == "no encoder":
        return "encoder", _like_encoders(encoder)
    formats = [form.name for form in av.codec.Codec(encoder, "w").video_formats or ()]
    if formats and encoding.pixel_format not in formats:
        near = nearest(encoding.pixel_format, formats, count=_SHOWN) or formats
        return "pixel_format", f"The nearest pixel formats that {encoder} takes: {', '.join(near)}."
    key = "options" if encoding.options else "pixel_format"
    known = {option.name: [c.name for c in option.choices] for option in _options(encoder)}
    if fault.kind == "unknown options":
        like = [near for name in fault.options for near in nearest(name, known, count=_SHOWN)]
        return key, _did_you_mean(like) or "Check its spelling, or remove it."
    for name, value in encoding.options.items():
        values = known.get(name)
        if values and value not in values and not value.lstrip("-").isdecimal():
            return key, f'{name} has no value "{value}"; it takes {", ".join(values)}.'
    if not encoding.options:
        return key, "Choose another encoder or pixel format."
    return key, f"Check the value of {' and '.join(encoding.options)}, or leave it out."


def _like_encoders(name: str) -> str:
    """Video encoders of this FFmpeg with like names, or else those that the catalogue uses."""
    near = nearest(name, sorted(av.codecs_available), count=10 * _SHOWN)
    here = ", ".join(filter(_is_video_encoder, dict.fromkeys(e.encoder for e in ENTRIES)))
    like = _did_you_mean(list(filter(_is_video_encoder, near)))
    return like or f"No encoder has a like name; among those that are here: {here}."


def _did_you_mean(names: list[str]) -> str:
    near = list(dict.fromkeys(names))[:_SHOWN]
    return f"Did you mean {' or '.join(near)}?" if near else ""


def _is_video_encoder(name: str) -> bool:
    try:
        return av.codec.Codec(name, "w").type == "video"
    except av.codec.codec.UnknownCodecError:
        return False


def _options(encoder: str) -> "Iterator[CodecOption]":
    """The encoder's own options, then general ones; none before PyAV 18.1, which tells none."""
    supported = getattr(av.CodecContext.create(encoder, "w"), "supported_options", None)
    if supported is None:
        return
    from av.codec.context import OptionFlags

    yield from supported.private
    for option in supported.generic:
        if option.flags & OptionFlags.ENCODING_PARAM and option.flags & OptionFlags.VIDEO_PARAM:
            yield option


def _missing(fault: EncoderFault) -> EngineError:
    remedy = "Leave the encoding out, or install an FFmpeg build that has the encoder."
    return EngineError(where=f'encoding "{fault.encoding.name}"', what=fault.words, remedy=remedy)


def _unknown_options(context: VideoCodecContext, encoding: Encoding) -> EncoderFault | None:
    # FFmpeg leaves in the dictionary what nobody took; a misspelt option would go unnoticed.
    names = tuple(sorted(context.options))
    return EncoderFault(encoding=encoding, kind="unknown options", options=names) if names else None


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
    count = str(thread_count)
    shared = {k: v.replace("{threads}", count) for k, v in encoding.thread_options.items()}
    # Where both speak of one option ("x265-params"), the encoding's own part comes last and wins.
    own = {k: f"{shared[k]}:{v}" if k in shared else v for k, v in encoding.options.items()}
    context.options = shared | own


@contextmanager
def _quiet() -> Iterator[None]:
    """Drops what an encoder writes to standard error: a refusal is told in words."""
    with ExitStack() as after, Path(os.devnull).open("wb") as nowhere:
        with suppress(OSError):  # it is closed, and nobody listens
            kept = os.dup(2)
            after.callback(os.close, kept)
            after.callback(os.dup2, kept, 2)
            os.dup2(nowhere.fileno(), 2)
        yield


def _restore_ordinary_scheduling() -> None:
    """Put all threads back among the machine's others (Linux): libsvtav1 run by root makes its own,
    and the one that opens it, real-time threads, which push everything else off the cores and
    spoil what is measured beside or after it."""
    if sys.platform != "linux":
        return
    for task in Path("/proc/self/task").iterdir():
        with suppress(OSError):  # a thread that ended meanwhile
            if os.sched_getscheduler(int(task.name)) != os.SCHED_OTHER:
                os.sched_setscheduler(int(task.name), os.SCHED_OTHER, os.sched_param(0))


def _refusal(encoding: Encoding, error: Exception) -> MezzmarkError:
    if isinstance(error, av.codec.codec.UnknownCodecError):
        return _missing(EncoderFault(encoding=encoding, kind="no encoder"))
    log = getattr(error, "log", None)
    detail = f"; {' '.join(str(log[2]).split())}" if log else ""
    how = f"{encoding.encoder} in {encoding.container} as {encoding.pixel_format}"
    what = f"{how} is refused ({reason_of(error)}{detail})"
    return unusable(encoding, what, "Change container, pixel format or options.")
