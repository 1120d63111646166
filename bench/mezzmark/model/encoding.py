"""An encoding: codec + profile + container + pixel format + rate control. Long because what one of
the catalogue and one of the user's own can hold is asked in the same way."""

import re
from collections.abc import Iterator, Mapping
from fractions import Fraction
from math import lcm
from typing import Annotated, Any, Final, Literal

from pydantic import Field, model_validator

from mezzmark.model.cell import FreeName
from mezzmark.model.errors import EncodingError
from mezzmark.model.fact import BitRate, Fact, Positive, Whole
from mezzmark.model.footage import STANDARD_RATES, Chroma, Rate, is_mpeg2_rate

ORIGINAL = "original"  # The reserved name of the clip as the camera delivered it
Container = Literal["mov", "mp4", "mkv", "mxf", "avi", "nut"]

THREAD_OPTIONS: Final[dict[str, dict[str, str]]] = {
    "libx265": {"x265-params": "log-level=none:pools={threads}"},
    "libsvtav1": {"svtav1-params": "lp={threads}"},
}
"""Encoders that take no notice of FFmpeg's `thread_count`, and what pins them instead."""

QUIET_ENVIRONMENT: Final = {"libsvtav1": ("SVT_LOG", "1")}
"""Encoders that talk on standard error unless an environment variable says errors only."""

_REGULAR_NAME: Final = re.compile(
    r"(?:yuv[aj]?(4\d\d)p|(gbr)a?p|p([024])(?=1)|(gray))(\d*)(?:le|be)?"
)
_CHROMA: Final[dict[str, Chroma]] = {
    **dict.fromkeys(("420", "0"), "4:2:0"),
    **dict.fromkeys(("422", "2"), "4:2:2"),
    **dict.fromkeys(("444", "4"), "4:4:4"),
    **{"411": "4:1:1", "gray": "4:0:0", "gbr": "RGB"},
}
_OTHER_NAMES: Final[dict[str, tuple[int, Chroma]]] = {
    **dict.fromkeys(("nv12", "nv21"), (8, "4:2:0")),
    **dict.fromkeys(("nv16", "yuyv422", "uyvy422", "yvyu422"), (8, "4:2:2")),
    **dict.fromkeys(("rgb24", "bgr24", "rgba", "bgra", "argb", "abgr", "rgb0", "bgr0"), (8, "RGB")),
    **dict.fromkeys(("rgb48le", "rgba64le", "rgb48be", "rgba64be"), (16, "RGB")),
}
_PLANAR: Final[dict[Chroma, str]] = {
    **{"4:2:0": "yuv420p", "4:2:2": "yuv422p", "4:4:4": "yuv444p", "4:1:1": "yuv411p"},
    **{"4:0:0": "gray", "RGB": "gbrp"},
}
_WITH_ALPHA: Final = ("yuva", "gbrap", "rgba", "bgra", "argb", "abgr", "ya", "ayuv", "uyva", "vuya")
"""How the names of formats with an alpha plane begin."""


def depth_and_chroma(pixel_format: str) -> tuple[int | None, Chroma]:
    """Bits of a sample and chroma, by FFmpeg's naming; (None, "other") of a name not known here."""
    found = _REGULAR_NAME.fullmatch(pixel_format)
    if found is None:
        return _OTHER_NAMES.get(pixel_format, (None, "other"))
    *kinds, bits = found.groups()
    return int(bits or 8), _CHROMA.get(next(filter(None, kinds)), "other")


def has_alpha_plane(pixel_format: str) -> bool:
    """Whether a pixel format carries transparency, by FFmpeg's naming."""
    return pixel_format.startswith(_WITH_ALPHA)


def planar_format(chroma: Chroma, bit_depth: int) -> str:
    """FFmpeg's planar format of this chroma and depth, without alpha; KeyError for "other"."""
    return _PLANAR[chroma] + ("" if bit_depth == 8 else f"{bit_depth}le")


Share = Annotated[Rate, Field(gt=0, le=1)]  # Of a picture's columns or lines
FULL_SIZE: Final = (Fraction(1), Fraction(1))
FIELDS: Final = {"flags": "+ildct"}  # What most encoders are told where pictures are of two fields


class _Coding(Fact):
    """What an encoding takes over from its line of the catalogue. `frame_sizes` lists the only
    legal sizes (none: any), width before height, as `smallest_size` does; `frame_rates` the only
    legal rates. `scale` is the part of the clip's width and height that its pictures have.
    `interlaced_options` are for pictures of two fields; None where it cannot hold them."""

    name: FreeName = Field(min_length=1, max_length=300)
    codec: str
    profile: str = ""
    encoder: str
    options: dict[str, str] = {}
    bitrate_bps: Whole | None = None
    keyframe_interval: Whole = 1
    b_frames: Whole = 0
    is_lossless: bool = False
    frame_sizes: tuple[tuple[Positive, Positive], ...] = ()
    frame_rates: tuple[Rate, ...] = ()
    smallest_size: tuple[Positive, Positive] = (1, 1)
    scale: tuple[Share, Share] = FULL_SIZE
    interlaced_options: dict[str, str] | None = None
    caution: str = ""

    @property
    def is_proxy(self) -> bool:
        """Whether it stands in for the footage at a smaller size."""
        return self.scale[1] < 1


class CatalogueEntry(_Coding):
    """A codec profile; the first container and pixel format are the ones taken unless said.
    `decoder` is FFmpeg's name of the codec, where footage in it is called by the standard's too.
    `size_multiples` gives, by pixel format, the steps (across, down) of a size."""

    decoder: str = ""
    containers: tuple[Container, ...] = Field(min_length=1)
    pixel_formats: tuple[str, ...] = Field(min_length=1)
    bits_per_pixel: dict[str, float] = {}
    smallest_size: tuple[Positive, Positive] = (16, 16)
    size_multiples: dict[str, tuple[Positive, Positive]] = {}

    @property
    def words(self) -> frozenset[str]:
        """What the entry goes by, in small letters: its name, its standard's, and FFmpeg's, also
        without `lib` and with the family of a profile alone (`x264`, `dnxhr`)."""
        profile = self.options.get("profile", "")
        family = (self.encoder.removeprefix("lib"), profile.partition("_")[0])
        proxy = "proxy" if self.is_proxy else ""
        words = (self.name, self.codec, self.encoder, self.decoder, profile, *family, proxy)
        return frozenset(word.lower() for word in words if word)

    def resolve(self, container: str, pixel_format: str, **changes: Any) -> "Encoding":
        """The encoding of this profile in a container and a pixel format, with `changes`."""
        own = {
            **self.model_dump(include=set(_Coding.model_fields)),
            "container": container,
            "pixel_format": pixel_format,
            "bits_per_pixel": self.bits_per_pixel.get(pixel_format),
            "size_multiples": self.size_multiples.get(pixel_format, (1, 1)),
        }
        return Encoding.model_validate(own | changes)


class Encoding(_Coding):
    """One resolved encoding: all that an encoder and a muxer must be told, and what it can hold.
    `options` go to the encoder as FFmpeg options; `thread_options` are templates that pin encoders
    which ignore `thread_count` ("{threads}" is replaced). `bits_per_pixel` stands for a bit rate
    that follows the picture's size and rate. `size_multiples` are the steps (across, down) that a
    size must be a multiple of. What follows from pixel format, encoder and key-frame interval is
    filled in where it is not given, as in runs that were stored without it."""

    container: str
    pixel_format: str
    bit_depth: Whole | None = None
    chroma: Chroma = "other"
    has_alpha: bool = False
    thread_options: dict[str, str] = {}
    bits_per_pixel: Annotated[float, Field(gt=0, le=1000)] | None = None
    is_intra: bool = True
    size_multiples: tuple[Positive, Positive] = (1, 1)
    is_original: bool = False

    @model_validator(mode="before")
    @classmethod
    def _fill_in(cls, data: Any) -> Any:
        if not isinstance(data, Mapping):
            return data
        pixel_format = data.get("pixel_format", "")
        bit_depth, chroma = depth_and_chroma(pixel_format)
        following = {
            "bit_depth": bit_depth,
            "chroma": chroma,
            "has_alpha": has_alpha_plane(pixel_format),
            "thread_options": THREAD_OPTIONS.get(data.get("encoder", ""), {}),
            "is_intra": data.get("keyframe_interval", 1) == 1,
        }
        return following | dict(data)

    @property
    def muxing(self) -> dict[str, str]:
        """What the container's writer is told beside its own ways: HEVC is tagged as most players
        know it, and 4:2:2 MPEG-2 not as a certain camera's. Originals are left alone."""
        if self.container not in ("mov", "mp4") or self.name == ORIGINAL:
            return {}
        if self.encoder == "libx265":
            return {"tag": "hvc1"}
        return {"strict": "unofficial"} if self.encoder == "mpeg2video" else {}

    @property
    def instructions(self) -> dict[str, Any]:
        """What encoder and muxer are told, as JSON: where these are the same, so is the file."""
        facts = {"bit_depth", "chroma", "is_original", "name", "caution"}
        rules = {"frame_sizes", "frame_rates", "smallest_size", "size_multiples"}
        rules |= {"interlaced_options"} | (set() if self.is_scaled else {"scale"})
        return self.model_dump(mode="json", exclude=facts | rules)

    @property
    def is_scaled(self) -> bool:
        """Whether its pictures have another size than the clip's."""
        return self.scale != FULL_SIZE

    def picture_size(self, width_px: int, height_px: int) -> tuple[int, int]:
        """Width and height of its pictures of a clip of this size: the nearest legal, even ones."""
        if not self.is_scaled or (width_px, height_px) in self.frame_sizes:
            return width_px, height_px
        step_x, step_y = (lcm(step, 2) for step in self.size_multiples)
        columns = max(1, round(width_px * self.scale[0] / step_x))
        lines = max(1, round(height_px * self.scale[1] / step_y))
        return columns * step_x, lines * step_y


ORIGINAL_ENCODING: Final = Encoding(
    name=ORIGINAL,
    codec="",
    encoder="",
    container="",
    pixel_format="",
    is_lossless=True,  # it is the footage itself
    is_original=True,
)
"""The clip as the camera delivered it; what codec and pixels it has is known clip by clip."""


class CustomEncoding(Fact):
    """An encoding written out in a scenario: a catalogue codec with choices, or any FFmpeg
    encoder with options. Exactly one of `codec` and `encoder` is given."""

    name: FreeName = Field(min_length=1, max_length=300)
    codec: str | None = None
    profile: str | None = None
    encoder: str | None = None
    container: Container = "mov"
    pixel_format: str | None = None
    options: dict[str, str | int | float] = {}
    bitrate_bps: BitRate | None = Field(default=None, ge=1_000, le=100_000_000_000)
    keyframe_interval: int | None = Field(default=None, ge=1, le=100_000)
    b_frames: int | None = Field(default=None, ge=0, le=100)
    scale: Rate | None = Field(default=None, ge=0.0625, le=1)


EXACT_TIME_CONTAINERS: Final = frozenset({"mov", "mp4", "mkv"})
"""Containers that give each picture its own time; the others count pictures."""
COUNTING_CODECS: Final = frozenset({"MPEG-2", "VC-2"})
"""Codecs whose own headers state one frame rate."""


def holds_times(encoding: Encoding) -> bool:
    """Whether container and codec can give each picture a time of its own."""
    return encoding.container in EXACT_TIME_CONTAINERS and encoding.codec not in COUNTING_CODECS


def encoding_bitrate_bps(
    encoding: Encoding, width_px: int, height_px: int, frame_rate: Fraction
) -> int:
    """The bit rate to ask for; 0 where quality decides."""
    if encoding.bitrate_bps is not None:
        return encoding.bitrate_bps
    return round((encoding.bits_per_pixel or 0.0) * (width_px * height_px * frame_rate))


MPEG2_FORBIDDEN_LENGTH: Final = 4096
"""ISO/IEC 13818-2, 6.3.3: the lower 12 bits of width and height shall not be zero."""


def check_frame(
    encoding: Encoding,
    width_px: int,
    height_px: int,
    frame_rate: Fraction | None,
    *,
    is_interlaced: bool = False,
) -> None:
    """EncodingError naming what is legal where the encoding cannot hold a clip of this size, rate
    and scan. Of encoders from outside the catalogue only the container is judged."""
    size = encoding.picture_size(width_px, height_px)
    fault = next(_frame_faults(encoding, *size, frame_rate), None)
    if is_interlaced and (encoding.interlaced_options is None or encoding.is_proxy):
        fault = "it cannot hold interlaced pictures; as whole frames both fields would be mixed"
    if fault is not None:
        raise EncodingError(
            where=f'encoding "{encoding.name}"',
            what=fault,
            remedy="Choose another encoding, or another size, rate or scan for the clip.",
        )


def _frame_faults(
    encoding: Encoding, width_px: int, height_px: int, frame_rate: Fraction | None
) -> Iterator[str]:
    size, is_mpeg2 = f"{width_px}x{height_px}", encoding.codec == "MPEG-2"
    if encoding.frame_sizes and (width_px, height_px) not in encoding.frame_sizes:
        legal = ", ".join(f"{width}x{height}" for width, height in encoding.frame_sizes)
        yield f"it exists only at {legal}, not at {size}"
    least_width, least_height = encoding.smallest_size
    if width_px < least_width or height_px < least_height:
        yield f"{size} is below its smallest size, {least_width}x{least_height}"
    step_x, step_y = encoding.size_multiples
    if width_px % step_x or height_px % step_y:
        yield (
            f"{size} does not fit {encoding.pixel_format}, which needs a width in steps of "
            f"{step_x} and a height in steps of {step_y}"
        )
    if is_mpeg2 and 0 in (width_px % MPEG2_FORBIDDEN_LENGTH, height_px % MPEG2_FORBIDDEN_LENGTH):
        yield f"MPEG-2 cannot write down {size}: lengths that {MPEG2_FORBIDDEN_LENGTH} divides"
    if frame_rate is not None:
        if encoding.frame_rates and frame_rate not in encoding.frame_rates:
            only = ", ".join(map(str, encoding.frame_rates))
            yield f"it exists only at {only} frames/s, not at {frame_rate}"
        legal = ", ".join(str(rate) for rate in STANDARD_RATES)
        if encoding.container == "mxf" and frame_rate not in STANDARD_RATES:
            yield f"MXF has no code for {frame_rate} frames/s, only for {legal}"
        if is_mpeg2 and not is_mpeg2_rate(frame_rate):
            yield f"MPEG-2 has no code for {frame_rate} frames/s; usual rates are {legal}"
