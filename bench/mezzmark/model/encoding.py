"""An encoding: codec + profile + container + pixel format + rate control."""

from collections.abc import Iterator
from fractions import Fraction
from typing import Final, Literal

from pydantic import Field

from mezzmark.model.errors import EncodingError
from mezzmark.model.fact import Fact
from mezzmark.model.footage import STANDARD_RATES, is_mpeg2_rate

ORIGINAL = "original"
"""The reserved name of the clip as the camera delivered it."""

Container = Literal["mov", "mp4", "mkv", "mxf", "avi", "nut"]


class Encoding(Fact):
    """One resolved encoding: all that an encoder and a muxer must be told.

    `options` go to the encoder as FFmpeg options; `thread_options` are templates that pin
    encoders which ignore `thread_count` ("{threads}" is replaced). `bits_per_pixel` stands for
    a bit rate that follows the picture's size and rate.
    """

    name: str = Field(min_length=1, max_length=300)
    codec: str
    profile: str = ""
    encoder: str
    container: Container
    pixel_format: str
    options: dict[str, str] = {}
    thread_options: dict[str, str] = {}
    bitrate_bps: int | None = None
    bits_per_pixel: float | None = None
    keyframe_interval: int = 1
    b_frames: int = 0
    is_intra: bool = True
    is_lossless: bool = False
    has_alpha: bool = False
    caution: str = ""


class CustomEncoding(Fact):
    """An encoding written out in a scenario: a catalogue codec with choices, or any FFmpeg
    encoder with options. Exactly one of `codec` and `encoder` is given."""

    name: str = Field(min_length=1, max_length=300)
    codec: str | None = None
    profile: str | None = None
    encoder: str | None = None
    container: Container = "mov"
    pixel_format: str | None = None
    options: dict[str, str | int | float] = {}
    bitrate_bps: int | None = Field(default=None, ge=1_000)
    keyframe_interval: int | None = Field(default=None, ge=1)
    b_frames: int | None = Field(default=None, ge=0)


ALPHA_FORMATS = ("yuva", "gbrap", "rgba", "bgra", "argb", "abgr", "ya")
"""How FFmpeg's pixel format names begin when they carry an alpha plane."""

THREAD_OPTIONS: dict[str, dict[str, str]] = {
    "libx265": {"x265-params": "log-level=none:pools={threads}"},
    "libsvtav1": {"svtav1-params": "lp={threads}"},
}
"""Encoders that take no notice of FFmpeg's `thread_count`, and what pins them instead."""


class CatalogueEntry(Fact):
    """A codec profile; the first container and pixel format are the ones taken unless said.

    `frame_sizes` lists the only legal sizes (none: any); `size_multiples` gives, by pixel
    format, the steps (across, down) that a size must be a multiple of.
    """

    name: str
    codec: str
    profile: str
    encoder: str
    containers: tuple[Container, ...] = Field(min_length=1)
    pixel_formats: tuple[str, ...] = Field(min_length=1)
    options: dict[str, str] = {}
    bitrate_bps: int | None = None
    bits_per_pixel: dict[str, float] = {}
    keyframe_interval: int = 1
    b_frames: int = 0
    is_lossless: bool = False
    frame_sizes: tuple[tuple[int, int], ...] = ()
    smallest_size: tuple[int, int] = (16, 16)
    size_multiples: dict[str, tuple[int, int]] = {}
    caution: str = ""


def has_alpha_plane(pixel_format: str) -> bool:
    """Whether a pixel format carries transparency, by FFmpeg's naming."""
    return pixel_format.startswith(ALPHA_FORMATS)


MPEG2_FORBIDDEN_LENGTH: Final = 4096
"""ISO/IEC 13818-2, 6.3.3: the lower 12 bits of width and height shall not be zero."""


def check_picture(
    entry: CatalogueEntry,
    encoding: Encoding,
    width_px: int,
    height_px: int,
    frame_rate: Fraction | None,
) -> None:
    """EncodingError naming what is legal where `encoding`, made of `entry`, cannot hold it."""
    faults = [*_size_faults(entry, encoding, width_px, height_px)]
    if frame_rate is not None:
        faults += _rate_faults(encoding, frame_rate)
    if faults:
        raise EncodingError(
            where=f'encoding "{encoding.name}"',
            what=faults[0],
            remedy="Choose another encoding, or another size or rate for the clip.",
        )


def _size_faults(
    entry: CatalogueEntry, encoding: Encoding, width_px: int, height_px: int
) -> Iterator[str]:
    size = f"{width_px}x{height_px}"
    if entry.frame_sizes and (width_px, height_px) not in entry.frame_sizes:
        legal = ", ".join(f"{width}x{height}" for width, height in entry.frame_sizes)
        yield f"it exists only at {legal}, not at {size}"
    least_width, least_height = entry.smallest_size
    if width_px < least_width or height_px < least_height:
        yield f"{size} is below its smallest size, {least_width}x{least_height}"
    step_x, step_y = entry.size_multiples.get(encoding.pixel_format, (1, 1))
    if width_px % step_x or height_px % step_y:
        yield (
            f"{size} does not fit {encoding.pixel_format}, which needs a width in steps of "
            f"{step_x} and a height in steps of {step_y}"
        )
    is_forbidden = 0 in (width_px % MPEG2_FORBIDDEN_LENGTH, height_px % MPEG2_FORBIDDEN_LENGTH)
    if entry.codec == "MPEG-2" and is_forbidden:
        yield f"MPEG-2 cannot write down {size}: lengths that {MPEG2_FORBIDDEN_LENGTH} divides"


def _rate_faults(encoding: Encoding, frame_rate: Fraction) -> Iterator[str]:
    legal = ", ".join(str(rate) for rate in STANDARD_RATES)
    if encoding.container == "mxf" and frame_rate not in STANDARD_RATES:
        yield f"MXF has no code for {frame_rate} frames/s, only for {legal}"
    if encoding.codec == "MPEG-2" and not is_mpeg2_rate(frame_rate):
        yield f"MPEG-2 has no code for {frame_rate} frames/s; usual rates are {legal}"
