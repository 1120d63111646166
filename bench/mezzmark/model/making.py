"""How FFmpeg's program makes the files that the bench measures: one encoding's argument list.

What the bench tells the libraries (`engines.encode`, `engines.media.conversion`) is told here to
the program; `tests/simulation/printed_commands.py` holds the pictures of both against each other.
Sound, timecode and tags, which play no part in a measurement, are carried along.
"""

import re
from fractions import Fraction
from math import lcm
from typing import Final, Literal

from mezzmark.model.colour import HD_HEIGHT_PX, UNSPECIFIED
from mezzmark.model.encoding import Encoding, depth_and_chroma, encoding_bitrate_bps, holds_times
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

_LEFT: Final = frozenset({"AVC", "HEVC", "MPEG-2"})
"""Codecs whose decoders say that chroma lies to the left. The libraries heed it where chroma is
brought to full width; the program's filter takes it for centred unless it is told."""

Limit = Literal["bit rate", "matrix", "siting", "even rate", "turned", "silence"]
"""What holds of a command beside its encoding: its bit rate, matrix or chroma siting is for footage
like that named; a variable rate is evened out; turned pictures are stored upright; sound ends with
the pictures."""


class Making(Fact):
    """The program's argument list for one encoding, with `SOURCE` and `TARGET` in it, and what must
    be known of it. Files are called as their sources with `suffix` behind; size and rate are those
    of the footage it is for."""

    encoding: str
    encoder: str
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
    is_rgb = "RGB" in {encoding.chroma, footage.chroma if footage else ""}
    matrix = _matrix(tags, height_px) if is_rgb else ""
    is_left = footage is None or footage.codec in _LEFT
    siting = "left" if is_left and encoding.chroma in {"4:4:4", "RGB"} else ""
    size = encoding.picture_size(width_px, height_px)
    bitrate_bps = encoding_bitrate_bps(encoding, *size, frame_rate)
    limits: dict[Limit, bool] = {
        "bit rate": bool(bitrate_bps) and encoding.bitrate_bps is None,
        "matrix": bool(matrix),
        "siting": bool(siting) or (is_left and encoding.is_scaled),
        "even rate": not holds_times(encoding),
        "turned": encoding.container not in _TURNING,
        "silence": encoding.container == "mxf",
    }
    arguments = (
        *("ffmpeg", "-v", "warning", "-stats", "-nostdin", "-n"),
        *(() if limits["turned"] else ("-noautorotate",)),
        *("-i", SOURCE, "-map", "0:V:0", "-map", "0:a?"),
        "-vf",
        _resizing(encoding, width_px, height_px, is_left=is_left)
        + _conversion(encoding.pixel_format, matrix, siting),
        *_times(encoding),
        *_coding(encoding, bitrate_bps, is_interlaced=bool(footage and footage.field_order)),
        *_sound(encoding),
        *_muxing(encoding),
        *("-f", FORMATS[encoding.container], TARGET),
    )
    return Making(
        encoding=encoding.name,
        encoder=encoding.encoder,
        container=encoding.container,
        suffix=f".{re.sub(r'[^A-Za-z0-9._-]+', '-', encoding.name)}.{encoding.container}",
        arguments=arguments,
        limits=tuple(limit for limit, holds in limits.items() if holds),
        width_px=width_px,
        height_px=height_px,
        frame_rate=frame_rate,
    )


def _matrix(tags: ColourTags, height_px: int) -> str:
    """As `source_colour` of `engines.media.conversion` chooses it."""
    guess = 1 if height_px >= HD_HEIGHT_PX else 6
    stated = guess if tags.matrix == UNSPECIFIED else tags.matrix
    return _MATRICES.get(stated, _MATRICES[guess])


def _conversion(pixel_format: str, matrix: str, siting: str) -> str:
    """The filter that does as `Converter` does; a picture of this format and range goes through."""
    is_full = pixel_format.startswith("yuvj") or depth_and_chroma(pixel_format)[1] == "RGB"
    given = f"in_color_matrix={matrix}:out_color_matrix={matrix}:" if matrix else ""
    given += f"in_chroma_loc={siting}:" if siting else ""
    scale = f"scale={given}out_range={'pc' if is_full else 'tv'}:flags={_SCALING}"
    return f"{scale},format={pixel_format}"


def _resizing(encoding: Encoding, width_px: int, height_px: int, *, is_left: bool) -> str:
    """A filter before, as `Encoding.picture_size`: in parts of what comes in, so that a folder of
    several sizes can be made; in pixels where only certain sizes are legal."""
    if not encoding.is_scaled:
        return ""
    loc = "in_chroma_loc=left:" if is_left else ""
    if encoding.frame_sizes:
        width, height = encoding.picture_size(width_px, height_px)
        return f"scale=w={width}:h={height}:{loc}flags=bicubic,"
    steps = (lcm(step, 2) for step in encoding.size_multiples)
    parts = zip("wh", encoding.scale, steps, strict=True)
    sides = (f"{side}=round(i{side}*{part}/{step})*{step}:" for side, part, step in parts)
    return f"scale={''.join(sides)}{loc}flags=bicubic,"


def _times(encoding: Encoding) -> tuple[str, ...]:
    """Each picture's own time, or even ones where container or codec count pictures."""
    if holds_times(encoding):
        return "-fps_mode", "passthrough", "-enc_time_base:v", "demux"
    return "-fps_mode", "cfr"


def _coding(encoding: Encoding, bitrate_bps: int, *, is_interlaced: bool) -> tuple[str, ...]:
    told = encoding.options | ((encoding.interlaced_options or {}) if is_interlaced else {})
    options = (part for key, value in told.items() for part in (f"-{key}:v", value))
    rate = ("-b:v", str(bitrate_bps)) if bitrate_bps else ()
    groups = ("-g", str(encoding.keyframe_interval), "-bf", str(encoding.b_frames))
    return "-c:v", encoding.encoder, *options, *rate, *groups


def _sound(encoding: Encoding) -> tuple[str, ...]:
    """All tracks as PCM. FFmpeg's MXF writer knows 48 kHz only, and drops the pictures that come
    after the end of a sound track: sound is filled up with silence, and ends with the pictures."""
    if encoding.container == "mxf":
        return "-c:a", "pcm_s24le", "-ar", "48000", "-af", "apad", "-shortest"
    return "-c:a", "pcm_s24le"


def _muxing(encoding: Encoding) -> tuple[str, ...]:
    """Colour tags also where only some are stated, and what the bench tells the muxer."""
    if encoding.container not in {"mov", "mp4"}:
        return ()
    names = {"tag": "-tag:v", "strict": "-strict"}
    told = (part for key, value in encoding.muxing.items() for part in (names[key], value))
    return "-movflags", "+write_colr", *told
