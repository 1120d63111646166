"""What a clip is: a recipe with a seed, or the user's own files; and what a media file holds. Long
because rates and timecodes, which belong to both, are read and written here alone."""

import math
import re
from fractions import Fraction
from itertools import pairwise
from typing import Annotated, Final, Literal

from pydantic import AfterValidator, BeforeValidator, Field, PlainSerializer, model_validator

from mezzmark.model.cell import FreeName
from mezzmark.model.fact import Amount, BitRate, Fact, Length, Whole, same_length

_RATE: Final = re.compile(r"\s*\d{1,12}(\.\d{1,12})?(/\d{1,12})?\s*", re.ASCII)


def _fraction(value: object) -> object:
    """Accept 24, "24000/1001", 23.976 (the nearest n·1000/1001 rate) or a Fraction."""
    if isinstance(value, float) and math.isfinite(value * 1001):
        near = Fraction(round(value * 1001 / 1000) * 1000, 1001)
        return near if abs(float(near) - value) < 5e-3 else Fraction(value).limit_denominator(1001)
    if isinstance(value, int | float | str) and not isinstance(value, bool):
        try:
            # Python would write out the digits of "1e999999999".
            if isinstance(value, str) and not _RATE.fullmatch(value):
                raise ValueError
            return Fraction(value)
        except (ValueError, OverflowError, ZeroDivisionError):
            raise ValueError('a rate is written 25, 23.976 or "24000/1001"') from None
    return value


Rate = Annotated[Fraction, BeforeValidator(_fraction), PlainSerializer(str, return_type=str)]
"""Frames per second as an exact fraction; written `"24000/1001"` in files."""

FrameRate = Annotated[Rate, Field(ge=1, le=1000)]
"""A rate that may be asked for: slower is a slide show, faster no player keeps up with."""


def _rate_text(text: str) -> str:
    if not isinstance(rate := _fraction(text), Fraction) or rate <= 0:
        raise ValueError("a rate is a number above 0")
    return text


RateText = Annotated[str, AfterValidator(_rate_text)]
"""A rate as a measurement notes it: `"24000/1001"`."""

EvenPixels = Annotated[int, Field(ge=64, le=8192, multiple_of=2)]


class Recipe(Fact):
    """How a synthetic clip is made; lengths are shares of picture height, alike at every size."""

    width_px: EvenPixels = 1920
    height_px: EvenPixels = 1080
    frame_rate: FrameRate = Fraction(24000, 1001)
    duration_s: float = Field(default=4.0, gt=0, le=600)
    bit_depth: Literal[8, 10] = 8
    texture: float = Field(default=1.0, ge=0, le=2, description="strength of fine detail")
    focus_falloff: float = Field(default=0.5, ge=0, le=1, description="blur away from the subject")
    pan_heights_per_s: float = Field(default=0.06, ge=0, le=2)
    handheld_heights: float = Field(default=0.004, ge=0, le=0.05, description="rms sway")
    grain: float = Field(default=1.25, ge=0, le=4, description="sensor noise, rms of 8-bit codes")
    cut_interval_s: float = Field(default=0, ge=0, le=86_400, description="0 means one shot")
    exposure_change_stops: float = Field(default=0.2, ge=0, le=3)

    @property
    def frame_count(self) -> int:
        """Whole frames in the clip, at least one."""
        return max(1, round(self.duration_s * self.frame_rate))


class OriginalSpec(Fact):
    """How the camera delivers a synthetic clip: long-GOP 4:2:0 with B frames. None leaves a choice
    to the encoder, as before the key was known: one slice a picture, closed groups."""

    codec: Literal["AVC", "HEVC"] = "AVC"
    bitrate_bps: BitRate = Field(default=50_000_000, ge=100_000, le=800_000_000)
    keyframe_interval: int = Field(default=24, ge=1, le=600)
    b_frames: int = Field(default=2, ge=0, le=8)
    slices: int | None = Field(default=None, ge=1, le=32, description="slices a picture")
    b_pyramid: bool | None = Field(default=None, description="B frames refer to B frames")
    open_groups: bool | None = None
    references: int | None = Field(default=None, ge=1, le=16, description="pictures referred to")
    intra_refresh: bool | None = Field(default=None, description="no key frames but the first")
    chroma: Literal["4:2:0", "4:2:2"] | None = None

    @model_validator(mode="after")
    def _one_way_to_start(self) -> "OriginalSpec":
        if self.intra_refresh and (self.open_groups or (self.references or 1) > 1):
            raise ValueError("intra_refresh goes with neither open_groups nor several references")
        return self


class ClipSpec(Fact):
    """One clip of a scenario: either `recipe` (+ `original`) or `files` (paths and globs). `share`
    is its part of the footage's time, which its files divide among them; None: equal parts."""

    name: FreeName = Field(min_length=1, max_length=300)
    recipe: Recipe | None = None
    original: OriginalSpec = OriginalSpec()
    files: tuple[str, ...] = ()
    excerpt_s: Annotated[float, Field(gt=0, le=600)] | Literal["all"] = Field(
        default=10.0, description="seconds of each own file that are measured"
    )
    share: float | None = Field(default=None, gt=0, le=1)

    @model_validator(mode="after")
    def _one_source(self) -> "ClipSpec":
        if self.recipe is None and not self.files:
            raise ValueError(
                f'clip "{self.name}" has neither files nor a recipe; '
                'add files = ["path"] or a [clips.recipe] table'
            )
        if self.recipe is not None and self.files:
            what = f'clip "{self.name}" has both files and a recipe; a clip is one or the other'
            raise ValueError(what)
        return self


class ColourTags(Fact):
    """Colour description as FFmpeg's numbers (ITU-T H.273 code points; range 1 limited, 2 full).
    2 means unspecified for primaries, transfer and matrix; 0 for range."""

    colour_range: Whole = 0
    primaries: Whole = 2
    transfer: Whole = 2
    matrix: Whole = 2


class HdrMetadata(Fact):
    """What an HDR file says of the display it was made on, in cd/m² (SMPTE ST 2086), and of its
    brightest pixel and frame average (MaxCLL, MaxFALL of CTA-861); None where it is not stated."""

    mastering_min_cd: Amount | None = None
    mastering_max_cd: Amount | None = None
    max_cll_cd: Whole | None = None
    max_fall_cd: Whole | None = None


Chroma = Literal["4:2:0", "4:2:2", "4:4:4", "4:1:1", "4:0:0", "RGB", "other"]
FieldOrder = Literal["top first", "bottom first"]

StreamRate = Annotated[Rate, Field(gt=0, lt=2**31)]
"""Of a stream: pictures a second, or seconds a tick; FFmpeg keeps both terms in 32 bits."""


class MediaFacts(Fact):
    """What one media file says of itself, before any decoding. `field_order` is that of pictures of
    two fields, `sample_aspect` width to height; None where nothing is said."""

    path: str
    container: str
    codec: str
    profile: str | None
    encoder_hint: str | None = None
    width_px: Whole
    height_px: Whole
    pixel_format: str
    bit_depth: Whole
    chroma: Chroma
    has_alpha: bool = False
    frame_rate: StreamRate | None
    duration_s: Length | None
    stated_frame_count: Whole | None
    time_base: Rate
    has_b_frames: bool
    field_order: FieldOrder | None = None
    sample_aspect: Rate | None = None
    tags: ColourTags
    audio_track_count: Whole
    file_bytes: Whole


Suspicion = Literal["decoder_errors", "repeated_pictures", "stamps_out_of_step"]
"""A sign that a file is damaged though every picture decodes: the decoder complained; neighbours
are the same picture though each was coded in full; frame numbers in pictures leave some out."""

FIRST_TIMESTAMP: Final = 1 - 2**63
"""FFmpeg keeps a time in 64 bits, whose lowest number means that there is none."""

Timestamp = Annotated[int, Field(ge=FIRST_TIMESTAMP, lt=2**63)]  # In units of a stream's time base


class FrameIndex(Fact):
    """The pictures of one file in display order, found by one independent sequential decode. All
    tuples have one entry per frame. `digests` are 64-bit hashes of the decoded planes;
    `sparse_digests`, empty where they were not made, of every 32nd line of them; `stamps` are the
    frame numbers read from the picture, or -1 where none is readable. `suspicions` is None where
    they were not looked for. Format 1 had neither its number nor sparse digests."""

    schema_version: Literal[2] = 2
    path: str
    file_bytes: Whole
    time_base: StreamRate
    pts: tuple[Timestamp, ...]
    is_keyframe: tuple[bool, ...]
    packet_bytes: tuple[Whole, ...]
    digests: tuple[str, ...]
    sparse_digests: tuple[str, ...] = ()
    stamps: tuple[Timestamp, ...]
    is_stamped: bool
    width_px: Whole
    height_px: Whole
    pixel_format: str
    frame_rate: StreamRate | None
    suspicions: tuple[Suspicion, ...] | None = None

    _one_entry_per_picture = same_length(
        *("pts", "is_keyframe", "packet_bytes", "digests", "stamps"), or_none=("sparse_digests",)
    )

    @model_validator(mode="after")
    def _rises(self) -> "FrameIndex":
        if any(later <= pts for pts, later in pairwise(self.pts)):
            raise ValueError("pts do not rise")
        return self

    @property
    def frame_count(self) -> int:
        """How many pictures the file holds."""
        return len(self.pts)


_MPEG2_BASE_RATES: Final = tuple(
    map(Fraction, ("24000/1001", "24", "25", "30000/1001", "30", "50", "60000/1001", "60"))
)
"""ISO/IEC 13818-2, table 6-4."""

STANDARD_RATES: Final = tuple(sorted({*_MPEG2_BASE_RATES, Fraction(48000, 1001), Fraction(48)}))
"""The rates that FFmpeg's MXF writer has codes for (SMPTE ST 326 and its successors)."""

ROUNDING_FRACTION: Final = 2e-4
"""Containers that round times write rates up to about this far off; the nearest two standard
rates (24 and 23.976) lie five times further apart."""


def standard_rate(rate: Fraction) -> Fraction:
    """The standard rate that `rate` is a rounding of, or `rate` itself if it is none."""
    nearest = min(STANDARD_RATES, key=lambda standard: abs(standard - rate))
    return nearest if abs(nearest / rate - 1) < ROUNDING_FRACTION else rate


def is_mpeg2_rate(rate: Fraction) -> bool:
    """Whether MPEG-2 can write down this frame rate exactly: as a base rate times n / d, n of 1 to
    4 and d of 1 to 32 (ISO/IEC 13818-2, 6.3.5: frame_rate_extension_n + 1, …_d + 1)."""
    ratios = (rate / base for base in _MPEG2_BASE_RATES)
    return any(ratio.numerator <= 4 and ratio.denominator <= 32 for ratio in ratios)


def is_constant_rate(index: FrameIndex, frame_rate: Fraction) -> bool:
    """Whether every picture lies within a tick, or a tenth of a picture, of even spacing."""
    step = 1 / (frame_rate * index.time_base)
    allowed = max(Fraction(1), step / 10)
    start = index.pts[0]
    return all(abs(pts - start - n * step) <= allowed for n, pts in enumerate(index.pts))


def constant_rate(index: FrameIndex) -> Fraction:
    """The rate at which the pictures are encoded when evenly spaced. The rate the file states, if
    its pictures keep to it; else their average; as a standard rate where it is one."""
    if index.frame_rate is not None:
        stated = standard_rate(index.frame_rate)
        if is_constant_rate(index, stated):
            return stated
    if index.frame_count < 2:
        return standard_rate(index.frame_rate or Fraction(25))
    span = (index.pts[-1] - index.pts[0]) * index.time_base
    return standard_rate(((index.frame_count - 1) / span).limit_denominator(1001))


def timecode_frame(timecode: str, rate: Fraction | None) -> int | None:
    """Frames since midnight of a timecode `01:02:03:04`; with `;` two numbers of each minute but
    every tenth do not exist (drop frame at 30 a second, SMPTE ST 12-1; four at 60)."""
    parts = timecode.replace(";", ":").replace(".", ":").split(":")
    is_timecode = len(parts) == 4 and all(part.isdecimal() and len(part) <= 3 for part in parts)
    if rate is None or not is_timecode:
        return None
    hours, minutes, seconds, frames = map(int, parts)
    per_second = round(rate)
    total_minutes = hours * 60 + minutes
    dropped = 2 * (per_second // 30) * (total_minutes - total_minutes // 10)
    count = (total_minutes * 60 + seconds) * per_second + frames
    return count - (dropped if ";" in timecode else 0)


def timecode_text(frame: int, rate: Fraction, *, is_drop: bool) -> str:
    """The inverse of `timecode_frame`; a day later it begins anew."""
    per_second = round(rate)
    dropped = 2 * (per_second // 30) if is_drop else 0
    per_minute, per_ten = 60 * per_second - dropped, 600 * per_second - 9 * dropped
    tens, rest = divmod(frame % (144 * per_ten), per_ten)
    minutes = max(0, rest - dropped) // per_minute if is_drop else 0
    number = 600 * per_second * tens + rest + dropped * minutes
    seconds, frames = divmod(number, per_second)
    clock = f"{seconds // 3600:02}:{seconds // 60 % 60:02}:{seconds % 60:02}"
    return f"{clock}{';' if is_drop else ':'}{frames:02}"


def later_timecode(timecode: str, rate: Fraction, frames: int = 0) -> str | None:
    """The timecode so many frames later; None of one that does not exist at this rate: drop frame
    belongs to 30000/1001 and its multiples alone."""
    start, is_drop = timecode_frame(timecode, rate), ";" in timecode
    if start is None or (is_drop and (rate * 1001 / 30000).denominator != 1):
        return None
    if timecode_text(start, rate, is_drop=is_drop) != timecode.replace(".", ":"):
        return None
    return timecode_text(start + frames, rate, is_drop=is_drop)
