"""Decoded pictures converted: to the viewer's picture, and to an encoder's pixel format.

The viewer scales a picture to its height and converts it to 8-bit RGB in memory. For an encoder
matrix, primaries and transfer are kept; only pixel format, range and colour tags change. swscale
then scales chroma bicubically with accurate rounding, and dithers (ordered) where bits are lost.
Its fixed-point gain is up to 0.3 % short when range changes: full-range white becomes 937, not 940.
"""

from collections.abc import Callable, Iterator
from fractions import Fraction
from pathlib import Path
from typing import Any, Final, cast

import numpy as np
import numpy.typing as npt
from av.video.frame import PictureType, VideoFrame
from av.video.reformatter import ColorRange, Colorspace, Interpolation, VideoReformatter

from mezzmark.engines.media import pixels
from mezzmark.engines.media.probe import open_media, unfit
from mezzmark.engines.media.shape import mark_fields, quarter_turns
from mezzmark.model import colour
from mezzmark.model.encoding import planar_format
from mezzmark.model.footage import ColourTags, FrameIndex, MediaFacts

_MATRICES: Final = {
    1: Colorspace.ITU709,
    4: Colorspace.FCC,
    5: Colorspace.ITU601,
    6: Colorspace.SMPTE170M,
    7: Colorspace.SMPTE240M,
    9: Colorspace.BT2020,
    10: Colorspace.BT2020,
}
"""ITU-T H.273 matrix coefficients → swscale's name for them."""

RGB_MATRIX: Final = 0
"""ITU-T H.273 matrix coefficients 0: the planes are G, B, R."""

_CAREFUL: Final = (
    Interpolation.BICUBIC
    | Interpolation.ACCURATE_RND
    | Interpolation.FULL_CHR_H_INT
    | Interpolation.FULL_CHR_H_INP
)

THREADS_UNSAFE: Final = frozenset({"v30xle"})
"""Formats that swscale unpacks wrong now and then by several threads: of 60 pictures of 66 x 34 by
four threads 18 had other samples at the start of a line, of 1920 x 1080 none."""


def presenter(
    facts: MediaFacts, *, height_px: int, thread_count: int, as_stored: bool = False
) -> Callable[[VideoFrame | None], VideoFrame | None]:
    """A function from a decoded picture to the viewer's, and from None to None: `height_px` high
    and of even width by the picture's aspect, 8-bit RGB, full range, bilinear, turned as the file's
    first picture asks; `as_stored` heeds neither turn nor aspect. Transfer and primaries are left
    as they are. The colour description is the container's, since a frame's own is often lost or
    wrong."""
    matrix, source_range = source_colour(facts.tags, height_px=facts.height_px)
    reformatter = VideoReformatter()
    turns = 0 if as_stored else None
    pixel_aspect = Fraction(1) if as_stored else facts.sample_aspect or Fraction(1)

    def present(picture: VideoFrame | None) -> VideoFrame | None:
        nonlocal turns
        if picture is None:
            return None
        turns = quarter_turns(picture) if turns is None else turns
        across, down = facts.width_px * pixel_aspect, Fraction(facts.height_px)
        if is_lying := turns % 2 == 1:
            across, down = down, across
        width_px = 2 * max(1, round(across * height_px / down / 2))
        view = reformatter.reformat(
            picture,
            width=height_px if is_lying else width_px,
            height=width_px if is_lying else height_px,
            format="rgb24",
            src_colorspace=matrix,
            src_color_range=source_range,
            dst_color_range=ColorRange.JPEG,
            interpolation=Interpolation.BILINEAR,
            threads=thread_count,
        )
        if not turns:
            return view
        shown = np.ascontiguousarray(np.rot90(view.to_ndarray(), turns), np.uint8)
        return VideoFrame.from_ndarray(shown, format="rgb24")

    return present


def as_viewed(frame: VideoFrame, facts: MediaFacts) -> npt.NDArray[np.uint8]:
    """The viewer's picture of a frame as stored: (lines, samples, 3), codes 0 to 255."""
    present = presenter(facts, height_px=facts.height_px, thread_count=1, as_stored=True)
    return np.asarray(cast(VideoFrame, present(frame)).to_ndarray(), dtype=np.uint8)


def source_colour(tags: ColourTags, *, height_px: int) -> tuple[Colorspace, ColorRange]:
    """Matrix and range. Unspecified: BT.709 from 720 lines on, BT.601 below; limited."""
    guess = colour.MATRIX_CODES[colour.meaning(ColourTags(), height_px=height_px).matrix]
    matrix = _MATRICES.get(tags.matrix, _MATRICES[guess])
    is_full = tags.colour_range == colour.FULL_RANGE
    return matrix, ColorRange.JPEG if is_full else ColorRange.MPEG


def picture_tags(tags: ColourTags) -> ColourTags:
    """The tags for pictures, from which RDD 36 encoders write theirs: code points that all of them
    know (the fast one turns matrix 5 and transfer 6 into the reserved 0)."""
    fields = "transfer", "matrix"
    known = {name: colour.tag_class(name, getattr(tags, name)) for name in fields}
    return tags.model_copy(update=known)


def written_tags(stated: ColourTags, pixel_format: str, *, height_px: int) -> ColourTags:
    """What a clip states, never a guess, but for the range, and the matrix of RGB made Y'CbCr."""
    target = pixels.pixel_format_facts(pixel_format)
    matrix = RGB_MATRIX if target.is_rgb else stated.matrix
    if matrix == RGB_MATRIX and not target.is_rgb:
        matrix = colour.MATRIX_CODES[colour.meaning(stated, height_px=height_px).matrix]
    colour_range = colour.FULL_RANGE if target.is_full_range else colour.LIMITED_RANGE
    return stated.model_copy(update={"colour_range": colour_range, "matrix": matrix})


class Converter:
    """Turns pictures of one clip into an encoder's pixel format, and into another `size` where one
    is given; `tags` is what they then mean. Fields of interlaced pictures are converted apart."""

    def __init__(
        self,
        source: MediaFacts,
        pixel_format: str,
        *,
        thread_count: int,
        size: tuple[int, int] | None = None,
    ) -> None:
        target = pixels.pixel_format_facts(pixel_format)
        self._matrix, self._source_range = source_colour(source.tags, height_px=source.height_px)
        self._pixel_format = pixel_format
        self._size = size
        self._thread_count = thread_count
        self._resizer, self._reformatter = VideoReformatter(), VideoReformatter()
        self.source = source
        self._target_range = ColorRange.JPEG if target.is_full_range else ColorRange.MPEG
        self.tags = written_tags(source.tags, pixel_format, height_px=source.height_px)

    @property
    def size(self) -> tuple[int, int]:
        """Of the pictures that it gives."""
        return self._size or (self.source.width_px, self.source.height_px)

    def convert(self, picture: VideoFrame) -> VideoFrame:
        """The picture in the target format, tagged; itself where nothing changes. Sets no time."""
        thread_count = 1 if picture.format.name in THREADS_UNSAFE else self._thread_count
        converted = picture = mark_fields(picture, self.source.field_order)
        if self._size not in (None, (picture.width, picture.height)):
            converted = self._resizer.reformat(
                picture,
                width=self._size[0],
                height=self._size[1],
                interpolation=Interpolation.BICUBIC,
                threads=thread_count,
            )
        if picture.format.name != self._pixel_format or self._source_range != self._target_range:
            converted = self._reformatter.reformat(
                converted,
                format=self._pixel_format,
                src_colorspace=self._matrix,
                dst_colorspace=self._matrix,
                src_color_range=self._source_range,
                dst_color_range=self._target_range,
                interpolation=_CAREFUL,
                threads=thread_count,
            )
        # A decoded picture remembers its type, and an encoder would be forced to repeat it.
        converted.pict_type = PictureType.NONE
        pixels.apply_tags(converted, picture_tags(self.tags))
        return converted


def exact_levels(
    picture: VideoFrame, tags: ColourTags, pixel_format: str
) -> tuple[VideoFrame, tuple[colour.Floats, ...]] | None:
    """A Y'CbCr picture in the range and depth of `pixel_format` but its own chroma, rounded once,
    and its planes before; None where the range is the same, or one side is RGB. swscale's fixed
    point would move full-range luma by a code of 10 bits."""
    have, want = map(pixels.pixel_format_facts, (picture.format.name, pixel_format))
    is_full = have.is_full_range or tags.colour_range == colour.FULL_RANGE
    if have.is_rgb or want.is_rgb or is_full == want.is_full_range or have.chroma == "other":
        return None
    came: Any = {"bit_depth": have.bit_depth, "is_full_range": is_full}
    goes: Any = {"bit_depth": want.bit_depth, "is_full_range": want.is_full_range}
    luma, *chroma = (plane.astype(np.float64) for plane in pixels.planes_of(picture)[:3])
    planes = (
        colour.luma_code(colour.luma_of_code(luma, **came), **goes),
        *(colour.chroma_code(colour.chroma_of_code(part, **came), **goes) for part in chroma),
    )
    planes = tuple(np.clip(plane, 0, 2**want.bit_depth - 1) for plane in planes)
    name = planar_format(have.chroma, want.bit_depth)
    name = name.replace("yuv", "yuvj") if want.is_full_range else name
    sample = np.uint8 if want.bit_depth == 8 else np.uint16
    rounded = cast(pixels.Planes, tuple(np.rint(plane).astype(sample) for plane in planes))
    return pixels.frame_from_planes(rounded, name), planes


def read_pictures(
    path: str | Path, index: FrameIndex, *, thread_count: int, source: Any = None
) -> Iterator[VideoFrame]:
    """The indexed pictures in order; `source` as of `open_container`. FootageError without one."""
    wanted = iter(index.pts)
    target = next(wanted, None)
    with open_media(path, thread_count=thread_count, source=source) as (container, track):
        for picture in container.decode(track):
            if target is None:
                return
            if picture.pts == target:
                yield picture
                target = next(wanted, None)
    if target is not None:
        what = f"the picture at time {target} was indexed but does not come any more"
        raise unfit(path, what, "The file may have changed; run again, so that it is indexed anew.")
