"""An encoding: codec + profile + container + pixel format + rate control."""

from typing import Literal

from pydantic import Field

from mezzmark.facts.base import Fact

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
