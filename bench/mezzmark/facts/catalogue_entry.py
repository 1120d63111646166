"""One line of the catalogue: a codec's profile, what it may be combined with, how to make it."""

from pydantic import Field

from mezzmark.facts.base import Fact
from mezzmark.facts.encoding import Container

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
