"""How FFmpeg's program makes the files that the bench measures: one encoding's argument list.

What the bench tells the libraries (`engines.encode`, `engines.media.conversion`) is told here to
the program; `tests/simulation/printed_commands.py` holds the pictures of both against each other.
Sound, timecode and tags, which play no part in a measurement, are carried along."""

import re
from collections.abc import Mapping
from fractions import Fraction
from math import lcm
from typing import Final, Literal

from mezzmark.model.colour import FULL_RANGE, MATRIX_CODES, meaning
from mezzmark.model.encoding import Encoding, encoding_bitrate_bps, holds_times
from mezzmark.model.fact import Fact
from mezzmark.model.footage import ColourTags, MediaFacts, Rate

SOURCE: Final = "{source}"
TARGET: Final = "{target}"
"""Stand in the argument list for the file that is read and the one that is written."""

FORMATS: Final = {
    **{"mov": "mov", "mp4": "mp4", "mkv": "matroska", "mxf": "mxf", "avi": "avi", "nut": "nut"}
}
"""Container → FFmpeg's name of what writes it."""

_TURNING: Final = frozenset({"mov", "mp4", "mkv"})
"""Containers that say how a picture is to be turned; for others the program turns it."""

_MATRICES: Final = {1: "bt709", 4: "fcc", 5: "bt470", 6: "smpte170m", 7: "smpte240m"} | {
    **dict.fromkeys((9, 10), "bt2020")
}
"""ITU-T H.273 matrix coefficients → the scale filter's name for them."""

_SCALING: Final = "bicubic+accurate_rnd+full_chroma_int+full_chroma_inp"

SILENCE_S: Final = 300
"""By so much sound may end before the pictures; held in memory, 43 MB a track. Endless silence with
`-shortest` would ask for no number, but lost the last picture in 7 of 12 runs of FFmpeg 8.0."""

_LEFT: Final = frozenset({"AVC", "HEVC", "MPEG-2"})
"""Codecs whose decoders say that chroma lies to the left. The libraries heed it where chroma is
resampled across; the program's filter takes it for centred unless it is told."""

_Footage = Literal["bit rate", "matrix", "siting", "fields", "progressive"]
Limit = Literal[_Footage, "even rate", "turned", "silence", "range", "version"]
"""What holds of a command beside its encoding: its bit rate, matrix or chroma siting is for footage
like that named, as it is for pictures of two fields, or not; a variable rate is evened out; turned
pictures are stored upright; sound ends with the pictures; FFmpeg 8.0 converts between ranges a
little otherwise than the libraries; another version of the encoder makes other pictures."""


class Making(Fact):
    """The program's argument list for one encoding, with `SOURCE` and `TARGET` in it, and what must
    be known of it. Files have their sources' names and `suffix`; size and rate are of the
    footage."""

    encoding: str
    container: str
    suffix: str
    arguments: tuple[str, ...]
    limits: tuple[Limit, ...] = ()
    width_px: int
    height_px: int
    frame_rate: Rate


def making_of(encoding: Encoding, footage: MediaFacts | None = None) -> Making | None:
    """The command that makes `footage`, or what is not known of it as 1920×1080 at 25 pictures a
    second tagged BT.709; None for the original, and a container that the program cannot write."""
    if encoding.is_original or encoding.container not in FORMATS:
        return None
    width_px, height_px = (footage.width_px, footage.height_px) if footage else (1920, 1080)
    frame_rate = (footage.frame_rate if footage else None) or Fraction(25)
    tags = footage.tags if footage else ColourTags(matrix=1)
    matrix = _matrix(encoding, footage, tags, height_px)
    size = encoding.picture_size(width_px, height_px)
    bitrate_bps = encoding_bitrate_bps(encoding, *size, frame_rate)
    is_resized = size != (width_px, height_px)
    is_full = encoding.pixel_format.startswith("yuvj") or encoding.chroma == "RGB"
    siting = _siting(encoding, footage, is_resized=is_resized)
    resizing = _resizing(encoding, siting) if is_resized else ""
    has_fields = footage is not None and footage.field_order is not None
    fields = (encoding.interlaced_options if has_fields else None) or {}
    limits: dict[Limit, bool] = {
        "bit rate": bool(bitrate_bps) and encoding.bitrate_bps is None,
        "matrix": bool(matrix),
        "siting": bool(siting),
        "fields": has_fields,
        "progressive": footage is None,
        "even rate": not holds_times(encoding),
        "turned": encoding.container not in _TURNING,
        "silence": encoding.container == "mxf",
        "range": encoding.chroma != "RGB" and (tags.colour_range == FULL_RANGE) != is_full,
        "version": encoding.encoder == "libsvtav1" or "x264-params" in encoding.options,
    }
    arguments = (
        *("ffmpeg", "-v", "warning", "-stats", "-nostdin", "-n"),
        *(() if limits["turned"] else ("-noautorotate",)),
        *("-i", SOURCE, "-map", "0:V:0", "-map", "0:a?"),
        *("-vf", resizing + _conversion(encoding.pixel_format, is_full, matrix + siting)),
        *_times(encoding),
        *_coding(encoding, encoding.options | fields, bitrate_bps),
        *_sound(encoding),
        *_muxing(encoding),
        *("-f", FORMATS[encoding.container], TARGET),
    )
    return Making(
        encoding=encoding.name,
        container=encoding.container,
        suffix=f".{re.sub(r'[^A-Za-z0-9._-]+', '-', encoding.name)}.{encoding.container}",
        arguments=arguments,
        limits=tuple(limit for limit, holds in limits.items() if holds),
        width_px=width_px,
        height_px=height_px,
        frame_rate=frame_rate,
    )


def _matrix(
    encoding: Encoding, footage: MediaFacts | None, tags: ColourTags, height_px: int
) -> str:
    """What the filter is told of the matrix where RGB is met: as `source_colour` of
    `engines.media.conversion` chooses it."""
    if "RGB" not in {encoding.chroma, footage.chroma if footage else ""}:
        return ""
    guess = MATRIX_CODES[meaning(ColourTags(), height_px=height_px).matrix]
    name = _MATRICES.get(tags.matrix, _MATRICES[guess])
    return f"in_color_matrix={name}:out_color_matrix={name}:"


def _siting(encoding: Encoding, footage: MediaFacts | None, *, is_resized: bool) -> str:
    """Where the filter is told that chroma lies, if it is brought to other places."""
    is_left = footage is None or footage.codec in _LEFT
    is_told = is_left and (is_resized or encoding.chroma in {"4:4:4", "RGB"})
    return "in_chroma_loc=left:" if is_told else ""


def _resizing(encoding: Encoding, siting: str) -> str:
    """The filter that brings any picture to `picture_size`, before its format changes."""
    lengths = zip("wh", encoding.scale, encoding.size_multiples, strict=True)
    sides = (f"{n}=max(1\\,round(i{n}*{part}/{lcm(2, x)}))*{lcm(2, x)}" for n, part, x in lengths)
    return f"scale={':'.join(sides)}:{siting}interl=-1:flags=bicubic,"


def _conversion(pixel_format: str, is_full: bool, told: str) -> str:
    """The filter that does as `Converter` does; a picture of this format and range goes through."""
    scale = f"scale={told}interl=-1:out_range={'pc' if is_full else 'tv'}:flags={_SCALING}"
    return f"{scale},format={pixel_format}"


def _times(encoding: Encoding) -> tuple[str, ...]:
    """Each picture's own time, or even ones where container or codec count pictures."""
    if holds_times(encoding):
        return "-fps_mode", "passthrough", "-enc_time_base:v", "demux"
    return "-fps_mode", "cfr"


def _coding(encoding: Encoding, told: Mapping[str, str], bitrate_bps: int) -> tuple[str, ...]:
    options = (part for key, value in told.items() for part in (f"-{key}:v", value))
    rate = ("-b:v", str(bitrate_bps)) if bitrate_bps else ()
    groups = ("-g", str(encoding.keyframe_interval), "-bf", str(encoding.b_frames))
    return "-c:v", encoding.encoder, *options, *rate, *groups


def _sound(encoding: Encoding) -> tuple[str, ...]:
    """All tracks as PCM. FFmpeg's MXF writer knows 48 kHz only, drops the pictures that come after
    the end of a sound track, and ends sound with the pictures by itself: sound is filled up."""
    if encoding.container == "mxf":
        return "-c:a", "pcm_s24le", "-ar", "48000", "-af", f"apad=pad_dur={SILENCE_S}"
    return "-c:a", "pcm_s24le"


def _muxing(encoding: Encoding) -> tuple[str, ...]:
    """Colour tags also where only some are stated."""
    tags = ("-movflags", "+write_colr") if encoding.container in {"mov", "mp4"} else ()
    names = {"tag": "-tag:v", "strict": "-strict"}
    return *tags, *(part for key, text in encoding.muxing.items() for part in (names[key], text))
