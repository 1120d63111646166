"""What a media file says of itself, and how one is opened: read-only, by a plain file path."""

import struct
from collections.abc import Iterator
from contextlib import contextmanager
from fractions import Fraction
from pathlib import Path
from typing import Any, Final

import av
from av.container import InputContainer
from av.error import FFmpegError
from av.video.stream import VideoStream

from mezzmark.engines.media.pixels import pixel_format_facts, tags_of
from mezzmark.model.colour import FULL_RANGE
from mezzmark.model.errors import FootageError
from mezzmark.model.footage import MediaFacts

STANDARD_NAMES: Final = {
    "dnxhd": "VC-3",
    "prores": "RDD 36",
    "cfhd": "VC-5",
    "h264": "AVC",
    "hevc": "HEVC",
    "av1": "AV1",
    "ffv1": "FFV1",
    "mjpeg": "Motion JPEG",
    "jpeg2000": "JPEG 2000",
    "dirac": "VC-2",
    "mpeg2video": "MPEG-2",
    "rawvideo": "uncompressed",
    "v210": "uncompressed",
}
"""FFmpeg's codec name → the standard that defines it; other codecs keep FFmpeg's name."""

_CONTAINERS: Final = {
    "mov,mp4,m4a,3gp,3g2,mj2": "mp4",
    "matroska,webm": "mkv",
    "mpegts": "ts",
    "mpeg": "ps",
}


def exact_fraction(value: Any) -> Fraction | None:
    """FFmpeg's rational as a Fraction; None where unknown (PyAV 18: None, 19: a zero)."""
    if value is None or not value.denominator or not value.numerator:
        return None
    return Fraction(int(value.numerator), int(value.denominator))


OPEN_OPTIONS: Final[dict[str, Any]] = {
    # Only local files: a playlist must not make the measurement read from a network.
    "options": {"protocol_whitelist": "file"},
    # PyAV 19 has no such option: text in no known encoding never fails there.
    **({"metadata_errors": "replace"} if int(av.__version__.split(".")[0]) < 19 else {}),
}
"""How every file is opened for reading."""


@contextmanager
def open_media(path: str | Path, **options: Any) -> Iterator[tuple[InputContainer, VideoStream]]:
    """Open a file read-only and give its container and first video track; closed on exit.

    `options` go to `av.open`. Raises FootageError with a remedy when it cannot be opened.
    """
    container = open_container(path, **options)
    try:
        yield container, video_track(container, path)
    finally:
        container.close()


def open_container(path: str | Path, **options: Any) -> InputContainer:
    """The opened container; who calls closes it. Raises FootageError, never FFmpeg's errors."""
    file = _existing_file(path)
    try:
        container: InputContainer = av.open(str(file), **OPEN_OPTIONS, **options)
    except FFmpegError as error:
        raise _unopenable(file, error) from error
    except OSError as error:
        raise FootageError(
            where=str(path),
            what=f"cannot be read ({error.strerror or error})",
            remedy="Check that the file may be read and that its disk is still connected.",
        ) from error
    return container


def video_track(container: InputContainer, path: str | Path) -> VideoStream:
    """The first video track that is not a cover picture. Raises FootageError without one."""
    tracks = [s for s in container.streams.video if not _is_cover(s)]
    if not tracks:
        raise FootageError(
            where=str(path),
            what="has no video track",
            remedy="Give a file with moving pictures.",
        )
    track = tracks[0]
    if track.codec_context is None:
        raise FootageError(
            where=str(path),
            what="this FFmpeg build has no decoder for its video track",
            remedy="Convert the file first, or leave it out.",
        )
    if not track.codec_context.width or not track.codec_context.pix_fmt:
        raise FootageError(
            where=str(path),
            what="the size or pixel format of its video track is not known",
            remedy="The file may be cut off or damaged; copy it from its source again.",
        )
    return track


def probe_media(path: str | Path) -> MediaFacts:
    """What the file says of itself, before any decoding. Raises FootageError."""
    with open_media(path) as (container, track):
        return describe_media(container, track, path)


def describe_media(container: InputContainer, track: VideoStream, path: str | Path) -> MediaFacts:
    """The facts of an opened file; reads no packet."""
    context = track.codec_context
    name = context.codec.canonical_name
    pixels = pixel_format_facts(str(context.pix_fmt))
    tags = tags_of(context)
    if pixels.name.startswith("yuvj"):  # full range by its name, whatever the tag
        tags = tags.model_copy(update={"colour_range": FULL_RANGE})
    return MediaFacts(
        path=str(path),
        container=_container_name(container),
        codec=STANDARD_NAMES.get(name, name),
        profile=context.profile,
        encoder_hint=track.metadata.get("encoder") or container.metadata.get("encoder"),
        width_px=context.width,
        height_px=context.height,
        pixel_format=pixels.name,
        bit_depth=pixels.bit_depth,
        chroma=pixels.chroma,
        has_alpha=pixels.has_alpha,
        frame_rate=exact_fraction(track.average_rate) or exact_fraction(track.guessed_rate),
        duration_s=_duration_s(container, track),
        stated_frame_count=track.frames or None,
        time_base=exact_fraction(track.time_base) or Fraction(1, 1_000_000),
        has_b_frames=bool(context.has_b_frames),
        tags=tags,
        audio_track_count=len(container.streams.audio),
        file_bytes=Path(path).stat().st_size,
    )


def _duration_s(container: InputContainer, track: VideoStream) -> float | None:
    time_base = exact_fraction(track.time_base)
    if track.duration and time_base:
        return float(track.duration * time_base)
    return container.duration / av.time_base if container.duration else None


def _container_name(container: InputContainer) -> str:
    name = container.format.name
    if container.metadata.get("major_brand", "").strip() == "qt":
        return "mov"
    return _CONTAINERS.get(name, name.split(",")[0].split("_")[0])


def _is_cover(track: VideoStream) -> bool:
    return bool(track.disposition & av.stream.Disposition.attached_pic)


def _existing_file(path: str | Path) -> Path:
    file = Path(path).resolve()
    if not file.exists():
        raise FootageError(
            where=str(path), what="there is no such file", remedy="Check the path and its spelling."
        )
    if not file.is_file():
        raise FootageError(
            where=str(path), what="is not a regular file", remedy="Give the path of a media file."
        )
    if file.stat().st_size == 0:
        raise FootageError(
            where=str(path),
            what="the file is empty",
            remedy="Its copy may have been cut off; copy it from its source again.",
        )
    return file


def _unopenable(file: Path, error: FFmpegError) -> FootageError:
    missing = _missing_movie_atom(file)
    if missing:
        return FootageError(
            where=str(file),
            what=f"the table of its pictures (the `moov` atom) is missing: {missing}",
            remedy="The recording or copy was cut off; copy it from its source again.",
        )
    return FootageError(
        where=str(file),
        what=f"is not a media file that this FFmpeg can open ({error.strerror})",
        remedy="Check that it plays elsewhere; if it does, convert it first, or leave it out.",
    )


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
    return f"the file ends after {size} bytes" + (
        f" of {position} that its parts announce" if position > size else ""
    )
