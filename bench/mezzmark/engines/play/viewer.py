"""The viewer: a decoded picture scaled to its height and converted to 8-bit RGB in memory."""

from collections.abc import Callable
from fractions import Fraction
from typing import Final

from av.video.frame import VideoFrame
from av.video.reformatter import ColorRange, Colorspace, Interpolation, VideoReformatter

from mezzmark.engines.media.probe import FULL_RANGE, UNSPECIFIED
from mezzmark.model.footage import ColourTags, MediaFacts

HD_HEIGHT_PX: Final = 720
"""From this height on, a picture that names no matrix is taken for BT.709, below for BT.601, as
players commonly do (ITU-R BT.709 is the HD standard; no standard covers untagged files)."""

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


def source_colour(tags: ColourTags, *, height_px: int) -> tuple[Colorspace, ColorRange]:
    """The matrix and range a picture is shown with. Unspecified matrix: BT.709 from 720 lines
    on, BT.601 below; unspecified range: limited."""
    guess = 1 if height_px >= HD_HEIGHT_PX else 6
    matrix = _MATRICES.get(guess if tags.matrix == UNSPECIFIED else tags.matrix, _MATRICES[guess])
    is_full = tags.colour_range == FULL_RANGE
    return matrix, ColorRange.JPEG if is_full else ColorRange.MPEG
