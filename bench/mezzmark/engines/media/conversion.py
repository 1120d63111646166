"""Decoded pictures converted: to the viewer's picture, and to an encoder's pixel format.

The viewer scales a picture to its height and converts it to 8-bit RGB in memory. For an encoder
matrix, primaries and transfer are kept; only pixel format, range and colour tags change. swscale
then scales chroma bicubically with accurate rounding, and dithers (ordered) where bits are lost.
Its fixed-point gain is up to 0.3 % short when range changes: full-range white becomes 937, not 940.
"""

from collections.abc import Callable, Iterator
from fractions import Fraction
from pathlib import Path
from typing import Final, cast

import numpy as np
import numpy.typing as npt
from av.video.frame import PictureType, VideoFrame
from av.video.reformatter import ColorRange, Colorspace, Interpolation, VideoReformatter

from mezzmark.engines.media.pixels import apply_tags, pixel_format_facts
from mezzmark.engines.media.probe import open_media, unfit
from mezzmark.engines.media.shape import mark_fields
from mezzmark.model.colour import FULL_RANGE, HD_HEIGHT_PX, LIMITED_RANGE, UNSPECIFIED
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


def presenter(
    facts: MediaFacts, *, pixel_aspect: Fraction, height_px: int, thread_count: int
) -> Callable[[VideoFrame | None], VideoFrame | None]:
    """A function from a decoded picture to the viewer's, and from None to None.

    The view is `height_px` high and of even width by the picture's aspect, 8-bit RGB, full range,
    bilinear, made by as many threads as decode. Transfer and primaries are left as they are. The
    colour description is the container's, since a frame's own is often lost or wrong.
    """
    matrix, source_range = source_colour(facts.tags, height_px=facts.height_px)
    width_px = 2 * max(1, round(facts.width_px * pixel_aspect * height_px / facts.height_px / 2))
    reformatter = VideoReformatter()

    def present(picture: VideoFrame | None) -> VideoFrame | None:
        if picture is None:
            return None
        return reformatter.reformat(
            picture,
            width=width_px,
            height=height_px,
            format="rgb24",
            src_colorspace=matrix,
            src_color_range=source_range,
            dst_color_range=ColorRange.JPEG,
            interpolation=Interpolation.BILINEAR,
            threads=thread_count,
        )

    return present


def as_viewed(frame: VideoFrame, facts: MediaFacts) -> npt.NDArray[np.uint8]:
    """The viewer's picture of a frame at its own size: (lines, samples, 3), codes 0 to 255."""
    present = presenter(facts, pixel_aspect=Fraction(1), height_px=facts.height_px, thread_count=1)
    return np.asarray(cast(VideoFrame, present(frame)).to_ndarray(), dtype=np.uint8)


def source_colour(tags: ColourTags, *, height_px: int) -> tuple[Colorspace, ColorRange]:
    """The matrix and range a picture is shown with. Unspecified matrix: BT.709 from 720 lines
    on, BT.601 below; unspecified range: limited."""
    guess = 1 if height_px >= HD_HEIGHT_PX else 6
    matrix = _MATRICES.get(guess if tags.matrix == UNSPECIFIED else tags.matrix, _MATRICES[guess])
    is_full = tags.colour_range == FULL_RANGE
    return matrix, ColorRange.JPEG if is_full else ColorRange.MPEG


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
        target = pixel_format_facts(pixel_format)
        self._matrix, self._source_range = source_colour(source.tags, height_px=source.height_px)
        self._pixel_format = pixel_format
        self._size = size
        self._thread_count = thread_count
        self._resizer, self._reformatter = VideoReformatter(), VideoReformatter()
        self.source = source
        self._target_range = ColorRange.JPEG if target.is_full_range else ColorRange.MPEG
        self.tags = ColourTags(
            colour_range=FULL_RANGE if target.is_full_range else LIMITED_RANGE,
            primaries=source.tags.primaries,
            transfer=source.tags.transfer,
            matrix=RGB_MATRIX if target.is_rgb else source.tags.matrix,
        )

    def convert(self, picture: VideoFrame) -> VideoFrame:
        """The picture in the target format, tagged; the same object where nothing changes.

        Its time is for the caller to set.
        """
        converted = picture = mark_fields(picture, self.source.field_order)
        if self._size not in (None, (picture.width, picture.height)):
            converted = self._resizer.reformat(
                picture,
                width=self._size[0],
                height=self._size[1],
                interpolation=Interpolation.BICUBIC,
                threads=self._thread_count,
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
                threads=self._thread_count,
            )
        # A decoded picture remembers its type, and an encoder would be forced to repeat it.
        converted.pict_type = PictureType.NONE
        apply_tags(converted, self.tags)
        return converted


def read_pictures(
    path: str | Path, index: FrameIndex, *, thread_count: int
) -> Iterator[VideoFrame]:
    """The pictures that the index names, in order.

    Raises FootageError when one of them does not come.
    """
    wanted = iter(index.pts)
    target = next(wanted, None)
    with open_media(path, thread_count=thread_count) as (container, track):
        for picture in container.decode(track):
            if target is None:
                return
            if picture.pts == target:
                yield picture
                target = next(wanted, None)
    if target is not None:
        what = f"the picture at time {target} was indexed but does not come any more"
        raise unfit(path, what, "The file may have changed; run again, so that it is indexed anew.")
