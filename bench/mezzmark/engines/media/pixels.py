"""Pictures as arrays: every plane of a decoded frame, and frames made from planes.

Planes come in one order whatever the memory layout: Y, U, V, (A) or G, B, R, (A), each of shape
(lines, samples). Code values are native integers in the format's own bit depth, so that nv12 and
yuv420p, or p010le and yuv420p10le, give the same arrays and the same digest for the same picture.
"""

import math
from dataclasses import dataclass
from typing import Any, cast

import av
import numpy as np
import numpy.typing as npt
import xxhash
from av.video.plane import VideoPlane

from mezzmark.model.encoding import planar_format
from mezzmark.model.errors import EncodingError
from mezzmark.model.footage import Chroma, ColourTags

Plane = npt.NDArray[np.uint8] | npt.NDArray[np.uint16]
Planes = tuple[Plane, ...]

SPARSE_STEP = 32

CHROMA_SWAPPED = frozenset({"nv21", "nv42"})
"""Semi-planar formats that store V before U."""

PACKED = {
    **{"rgb24": "RGB", "bgr24": "BGR", "rgb0": "RGBX", "bgr0": "BGRX", "rgb48le": "RGB"},
    **{"rgba": "RGBA", "bgra": "BGRA", "argb": "ARGB", "abgr": "ABGR", "rgba64le": "RGBA"},
    **{"rgba64be": "RGBA", "rgb48be": "RGB"},
    **{"uyvy422": "UYVY", "yuyv422": "YUYV", "yvyu422": "YVYU"},
}
"""Order of the samples in memory; in 4:2:2 two pixels share what lies between two Y."""

BIT_PACKED = {"v30xle": (12, 2, 22)}
"""Where Y, U and V begin in the 32-bit words of formats of 10 bits a sample, as v410 is decoded."""

_CHROMA_BY_STEP: dict[tuple[int, int], Chroma] = {
    (2, 2): "4:2:0",
    (2, 1): "4:2:2",
    (1, 1): "4:4:4",
    (4, 1): "4:1:1",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class PixelFormatFacts:
    """`chroma_step` is luma samples per chroma sample, across and down."""

    bit_depth: int
    chroma: Chroma
    chroma_step: tuple[int, int]
    has_alpha: bool
    is_rgb: bool
    is_full_range: bool
    """True where the format itself means full range: RGB and yuvj…; other YUV may be either."""


def pixel_format_facts(name: str) -> PixelFormatFacts:
    """Bit depth, chroma and alpha of a pixel format; EncodingError when FFmpeg has no such name."""
    try:
        pixel_format = av.VideoFormat(name, 64, 64)
    except ValueError as error:
        what, remedy = "this FFmpeg build does not know it", "Use a name such as yuv422p10le"
        raise unfit_format(name, what, remedy) from error
    components = pixel_format.components
    colours = [part for part in components[1:] if not part.is_alpha]
    step = (64 // colours[0].width, 64 // colours[0].height) if colours else (1, 1)
    chroma: Chroma = _CHROMA_BY_STEP.get(step, "other") if colours else "4:0:0"
    return PixelFormatFacts(
        bit_depth=max(component.bits for component in components),
        chroma="RGB" if pixel_format.is_rgb else chroma,
        chroma_step=step,
        has_alpha=any(component.is_alpha for component in components),
        is_rgb=pixel_format.is_rgb,
        is_full_range=pixel_format.is_rgb or name.startswith("yuvj"),
    )


def planar_twin(name: str) -> str:
    """The planar format of the same samples, limited range, no alpha; else `name` itself."""
    facts = pixel_format_facts(name)
    return name if facts.chroma == "other" else planar_format(facts.chroma, facts.bit_depth)


def frame_bytes(pixel_format: str, width_px: int, height_px: int) -> int:
    """Bytes of one picture in memory, padding left out."""
    facts = pixel_format_facts(pixel_format)
    chroma_samples = 0 if facts.chroma == "4:0:0" else 2 / math.prod(facts.chroma_step)
    sample_bytes = 1 if facts.bit_depth == 8 else 2
    return round(width_px * height_px * (1 + chroma_samples + facts.has_alpha) * sample_bytes)


def planes_of(frame: av.VideoFrame) -> Planes:
    """Every plane as an array (lines, samples); views on the frame where memory allows: copy them
    if it may be freed. EncodingError for float, palette and bit-packed formats."""
    if starts := BIT_PACKED.get(frame.format.name):
        words = _rows(frame.planes[0], np.dtype("<u4"), 1)
        return tuple((words >> start & 1023).astype(np.uint16) for start in starts)
    shift, views = _empty_bits(frame.format), _views(frame)
    if not views[0].dtype.isnative:
        views = tuple(cast(Plane, view.astype(view.dtype.newbyteorder("="))) for view in views)
    return tuple(cast(Plane, view >> shift) for view in views) if shift else views


def frame_from_planes(
    planes: Planes, pixel_format: str, tags: ColourTags | None = None
) -> av.VideoFrame:
    """A new frame holding copies of the planes, in the order that `planes_of` gives."""
    height_px, width_px = planes[0].shape
    frame = av.VideoFrame(width_px, height_px, pixel_format)
    shift, starts = _empty_bits(frame.format), BIT_PACKED.get(pixel_format)
    if starts:
        parts = zip(starts, planes, strict=True)
        words = sum(plane.astype(np.uint32) << start for start, plane in parts)
        _rows(frame.planes[0], np.dtype("<u4"), 1)[:] = words
    for view, plane in zip(() if starts else _views(frame), planes, strict=not starts):
        view[:] = plane << shift if shift else plane
    if tags is not None:
        apply_tags(frame, tags)
    return frame


def frame_digest(frame: av.VideoFrame) -> str:
    """64-bit hash, in hex, of all visible code values; padding and memory layout do not enter."""
    return planes_digest(planes_of(frame))


def planes_digest(planes: Planes) -> str:
    """64-bit hash, in hex, of the planes in the order `planes_of` gives. It tells pictures apart
    (among a million, two agree with odds of about 3e-8) and keeps no secret. XXH3 was seen at 60
    GB/s where SHA-1 has 1.5, so that proving a picture takes little of a trial."""
    hashed = xxhash.xxh3_64()
    for plane in planes:
        hashed.update(np.ascontiguousarray(plane).data)
    return hashed.hexdigest()


def sparse_planes(planes: Planes) -> Planes:
    """Every 32nd line of each plane, copied: enough to tell pictures apart, and quickly taken."""
    return tuple(plane[::SPARSE_STEP].copy() for plane in planes)


def tags_of(source: av.VideoFrame | av.VideoCodecContext) -> ColourTags:
    """Colour range, primaries, transfer and matrix of a frame or a decoder."""
    return ColourTags(
        colour_range=int(source.color_range),
        primaries=int(source.color_primaries),
        transfer=int(source.color_trc),
        matrix=int(source.colorspace),
    )


def apply_tags(target: av.VideoFrame | av.VideoCodecContext, tags: ColourTags) -> None:
    """Write colour range, primaries, transfer and matrix onto a frame or an encoder."""
    target.color_range = tags.colour_range
    target.color_primaries = tags.primaries
    target.color_trc = tags.transfer
    target.colorspace = tags.matrix


def _is_semi_planar(pixel_format: av.VideoFormat) -> bool:
    parts = pixel_format.components
    return len(parts) == 3 and parts[1].plane == parts[2].plane != parts[0].plane


def _empty_bits(pixel_format: av.VideoFormat) -> int:
    """p010 and its kin keep the code value in the high bits of each 16-bit word."""
    bits = pixel_format.components[0].bits if pixel_format.components else 0
    return 16 - bits if bits > 8 and _is_semi_planar(pixel_format) else 0


def _views(frame: av.VideoFrame) -> Planes:
    """The visible samples as they lie in memory: writable, in the order that `planes_of` gives."""
    name, dtype = frame.format.name, _sample_dtype(frame.format)
    if order := PACKED.get(name):
        packed = _rows(frame.planes[0], dtype, len(order) // max(1, order.count("Y")))
        return tuple(_samples(packed, order, part) for part in "YUVGBRA" if part in order)
    if not frame.format.is_planar and len(frame.format.components) > 1:
        raise _unreadable(name)
    if _is_semi_planar(frame.format):
        order = "VU" if name in CHROMA_SWAPPED else "UV"
        pairs = _rows(frame.planes[1], dtype, 2)
        luma = _rows(frame.planes[0], dtype, 1)
        return (luma, _samples(pairs, order, "U"), _samples(pairs, order, "V"))
    return tuple(_rows(plane, dtype, 1) for plane in frame.planes)


def _samples(packed: Plane, order: str, part: str) -> Plane:
    return packed[:, order.index(part) :: len(order) // order.count(part)]


def _sample_dtype(pixel_format: av.VideoFormat) -> np.dtype[np.uint8] | np.dtype[np.uint16]:
    bits = max(part.bits for part in pixel_format.components)
    is_readable = 8 <= bits <= 16 and not pixel_format.has_palette
    if not is_readable or "f16" in pixel_format.name or pixel_format.is_bit_stream:
        raise _unreadable(pixel_format.name)
    if bits == 8:
        return np.dtype(np.uint8)
    return np.dtype(">u2" if pixel_format.is_big_endian else "<u2")


def _rows(plane: VideoPlane, dtype: np.dtype[Any], samples_per_pixel: int) -> Plane:
    """The visible part of a plane: a writable view that steps over the padding of each line."""
    per_line = plane.line_size // dtype.itemsize
    lines = np.frombuffer(cast(bytes, plane), dtype)[: plane.height * per_line]
    return cast(Plane, lines.reshape(plane.height, per_line)[:, : plane.width * samples_per_pixel])


def unfit_format(name: str, what: str, remedy: str) -> EncodingError:
    """Why pictures of this pixel format cannot be worked with, and what to do about it."""
    return EncodingError(where=f'pixel format "{name}"', what=what, remedy=remedy)


def _unreadable(name: str) -> EncodingError:
    what = "its samples are not 8 to 16 bit integers in planes of their own"
    return unfit_format(name, what, "Use a planar format such as yuv422p10le or gbrp12le")
