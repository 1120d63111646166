"""Pictures as arrays: every plane of a decoded frame, and frames made from planes.

Planes come in one order whatever the memory layout: Y, U, V, (A) or G, B, R, (A), each of shape
(lines, samples). Code values are native integers in the format's own bit depth, so that nv12 and
yuv420p, or p010le and yuv420p10le, give the same arrays and the same digest for the same picture.
"""

import hashlib
from dataclasses import dataclass
from typing import Literal, cast

import av
import numpy as np
import numpy.typing as npt
from av.video.plane import VideoPlane

from mezzmark.model.errors import EncodingError
from mezzmark.model.footage import ColourTags

Plane = npt.NDArray[np.uint8] | npt.NDArray[np.uint16]
Planes = tuple[Plane, ...]
Chroma = Literal["4:2:0", "4:2:2", "4:4:4", "4:1:1", "4:0:0", "RGB", "other"]

DIGEST_BYTES = 8
"""64 bits: among a million frames two different pictures agree with odds of about 3e-8."""

CHROMA_SWAPPED = frozenset({"nv21", "nv42"})
"""Semi-planar formats that store V before U."""

PACKED_RGB = {
    "rgb24": "RGB",
    "bgr24": "BGR",
    "rgba": "RGBA",
    "bgra": "BGRA",
    "argb": "ARGB",
    "abgr": "ABGR",
    "rgb0": "RGBX",
    "bgr0": "BGRX",
    "rgb48le": "RGB",
    "rgba64le": "RGBA",
}
"""Channel order in memory of the packed RGB formats that decoders deliver."""

PACKED_YUV422 = {"uyvy422": "UYVY", "yuyv422": "YUYV", "yvyu422": "YVYU"}
"""Sample order in memory of the packed 4:2:2 formats."""

CHROMA_BY_SHARE: dict[tuple[int, int], Chroma] = {
    (2, 2): "4:2:0",
    (2, 1): "4:2:2",
    (1, 1): "4:4:4",
    (4, 1): "4:1:1",
}
"""Chroma name by how many luma samples share one chroma sample, across and down."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PixelFormatFacts:
    """What a pixel format's name promises."""

    name: str
    bit_depth: int
    chroma: Chroma
    has_alpha: bool
    is_rgb: bool
    is_full_range: bool
    """True where the format itself means full range: RGB and yuvj…; other YUV may be either."""


def pixel_format_facts(name: str) -> PixelFormatFacts:
    """Bit depth, chroma and alpha of a pixel format; EncodingError when FFmpeg has no such name."""
    try:
        pixel_format = av.VideoFormat(name, 64, 64)
    except ValueError as error:
        raise EncodingError(
            where=f'pixel format "{name}"',
            what="this FFmpeg build does not know it",
            remedy="Use a name such as yuv422p10le",
        ) from error
    components = pixel_format.components
    return PixelFormatFacts(
        name=name,
        bit_depth=max(component.bits for component in components),
        chroma=_chroma_of(pixel_format),
        has_alpha=any(component.is_alpha for component in components),
        is_rgb=pixel_format.is_rgb,
        is_full_range=pixel_format.is_rgb or name.startswith("yuvj"),
    )


def planes_of(frame: av.VideoFrame) -> Planes:
    """Every visible plane as an array (lines, samples); views on the frame where memory allows.

    Keep a copy if the frame may be freed. EncodingError for float, palette and bit-packed formats.
    """
    name = frame.format.name
    if name in PACKED_YUV422:
        return _unpack_yuv422(_rows(frame.planes[0], np.dtype(np.uint8), 2), PACKED_YUV422[name])
    dtype = _sample_dtype(frame.format)
    if name in PACKED_RGB:
        order = PACKED_RGB[name]
        packed = _rows(frame.planes[0], dtype, len(order))
        return tuple(
            _native(packed[:, order.index(channel) :: len(order)])
            for channel in "GBRA"
            if channel in order
        )
    if not frame.format.is_planar and len(frame.format.components) > 1:
        raise _unreadable(name)
    if _is_semi_planar(frame.format):
        return _split_semi_planar(frame, dtype)
    return tuple(_native(_rows(plane, dtype, 1)) for plane in frame.planes)


def frame_from_planes(
    planes: Planes, pixel_format: str, tags: ColourTags | None = None
) -> av.VideoFrame:
    """A new frame of a planar or semi-planar format holding copies of the planes (Y, U, V, (A))."""
    height_px, width_px = planes[0].shape
    frame = av.VideoFrame(width_px, height_px, pixel_format)
    dtype = _sample_dtype(frame.format)
    if not frame.format.is_planar and len(frame.format.components) > 1:
        raise _unreadable(pixel_format)
    if _is_semi_planar(frame.format):
        shift = dtype.itemsize * 8 - frame.format.components[0].bits
        chroma = planes[2:0:-1] if pixel_format in CHROMA_SWAPPED else planes[1:3]
        _rows(frame.planes[0], dtype, 1)[:] = planes[0] << shift
        pairs = _rows(frame.planes[1], dtype, 2)
        pairs[:, 0::2] = chroma[0] << shift
        pairs[:, 1::2] = chroma[1] << shift
    else:
        for target, plane in zip(frame.planes, planes, strict=True):
            _rows(target, dtype, 1)[:] = plane
    if tags is not None:
        apply_tags(frame, tags)
    return frame


def frame_digest(frame: av.VideoFrame) -> str:
    """64-bit hash, in hex, of all visible code values; padding and memory layout do not enter."""
    return planes_digest(planes_of(frame))


def planes_digest(planes: Planes) -> str:
    """64-bit hash, in hex, of planes in the order `planes_of` gives (BLAKE2b, RFC 7693).

    BLAKE2b holds about 1 GB/s on any 64-bit machine, where SHA-2 needs special instructions.
    """
    digest = hashlib.blake2b(digest_size=DIGEST_BYTES)
    for plane in planes:
        digest.update(np.ascontiguousarray(plane).data)
    return digest.hexdigest()


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


def _chroma_of(pixel_format: av.VideoFormat) -> Chroma:
    if pixel_format.is_rgb:
        return "RGB"
    colours = [part for part in pixel_format.components[1:] if not part.is_alpha]
    if not colours:
        return "4:0:0"
    return CHROMA_BY_SHARE.get((64 // colours[0].width, 64 // colours[0].height), "other")


def _is_semi_planar(pixel_format: av.VideoFormat) -> bool:
    parts = pixel_format.components
    return len(parts) == 3 and parts[1].plane == parts[2].plane != parts[0].plane


def _sample_dtype(pixel_format: av.VideoFormat) -> np.dtype[np.uint8] | np.dtype[np.uint16]:
    bits = max(part.bits for part in pixel_format.components)
    is_readable = 8 <= bits <= 16 and not pixel_format.has_palette
    if not is_readable or "f16" in pixel_format.name or pixel_format.is_bit_stream:
        raise _unreadable(pixel_format.name)
    if bits == 8:
        return np.dtype(np.uint8)
    return np.dtype(">u2" if pixel_format.is_big_endian else "<u2")


def _rows(
    plane: VideoPlane, dtype: np.dtype[np.uint8] | np.dtype[np.uint16], samples_per_pixel: int
) -> Plane:
    """The visible part of a plane: a writable view that steps over the padding of each line."""
    per_line = plane.line_size // dtype.itemsize
    lines = np.frombuffer(cast(bytes, plane), dtype)[: plane.height * per_line]
    return cast(Plane, lines.reshape(plane.height, per_line)[:, : plane.width * samples_per_pixel])


def _native(plane: Plane) -> Plane:
    if plane.dtype.isnative:
        return plane
    return cast(Plane, plane.astype(plane.dtype.newbyteorder("=")))


def _split_semi_planar(
    frame: av.VideoFrame, dtype: np.dtype[np.uint8] | np.dtype[np.uint16]
) -> Planes:
    luma = _native(_rows(frame.planes[0], dtype, 1))
    pairs = _native(_rows(frame.planes[1], dtype, 2))
    parts = (luma, pairs[:, 0::2], pairs[:, 1::2])
    if frame.format.name in CHROMA_SWAPPED:
        parts = (luma, pairs[:, 1::2], pairs[:, 0::2])
    # p010 and its kin keep the code value in the high bits of each 16-bit word.
    shift = dtype.itemsize * 8 - frame.format.components[0].bits
    return tuple(cast(Plane, part >> shift) for part in parts) if shift else parts


def _unpack_yuv422(packed: Plane, order: str) -> Planes:
    luma_start = order.index("Y")
    return (
        packed[:, luma_start::2],
        packed[:, order.index("U") :: 4],
        packed[:, order.index("V") :: 4],
    )


def _unreadable(name: str) -> EncodingError:
    return EncodingError(
        where=f'pixel format "{name}"',
        what="its samples are not 8 to 16 bit integers in planes of their own",
        remedy="Use a planar format such as yuv422p10le or gbrp12le",
    )
