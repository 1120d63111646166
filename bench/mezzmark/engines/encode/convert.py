"""Decoded pictures of a clip, made ready for an encoder: pixel format, range, colour tags.

Conversion keeps matrix, primaries and transfer; only pixel format and range change. swscale
scales chroma bicubically with accurate rounding, and dithers (ordered) where bits are lost. Its
fixed-point gain is up to 0.3 % short when range changes (full-range white becomes 937, not 940).
"""

from collections.abc import Iterator
from pathlib import Path
from typing import Final

from av.video.frame import PictureType, VideoFrame
from av.video.reformatter import ColorRange, Interpolation, VideoReformatter

from mezzmark.engines.media.pixels import apply_tags, pixel_format_facts
from mezzmark.engines.media.probe import FULL_RANGE, LIMITED_RANGE, open_media
from mezzmark.engines.play.viewer import source_colour
from mezzmark.model.errors import FootageError
from mezzmark.model.footage import ColourTags, FrameIndex, MediaFacts

RGB_MATRIX: Final = 0
"""ITU-T H.273 matrix coefficients 0: the planes are G, B, R."""

_CAREFUL: Final = (
    Interpolation.BICUBIC
    | Interpolation.ACCURATE_RND
    | Interpolation.FULL_CHR_H_INT
    | Interpolation.FULL_CHR_H_INP
)


class Converter:
    """Turns pictures of one clip into an encoder's pixel format; `tags` is what they then mean."""

    def __init__(self, source: MediaFacts, pixel_format: str, *, thread_count: int) -> None:
        target = pixel_format_facts(pixel_format)
        self._matrix, self._source_range = source_colour(source.tags, height_px=source.height_px)
        self._pixel_format = pixel_format
        self._thread_count = thread_count
        self._reformatter = VideoReformatter()
        is_full = target.is_rgb or target.is_full_range
        self._target_range = ColorRange.JPEG if is_full else ColorRange.MPEG
        self.tags = ColourTags(
            colour_range=FULL_RANGE if is_full else LIMITED_RANGE,
            primaries=source.tags.primaries,
            transfer=source.tags.transfer,
            matrix=RGB_MATRIX if target.is_rgb else source.tags.matrix,
        )

    def convert(self, picture: VideoFrame) -> VideoFrame:
        """The picture in the target format, tagged; the same object where nothing changes.

        Its time is for the caller to set.
        """
        converted = picture
        if picture.format.name != self._pixel_format or self._source_range != self._target_range:
            converted = self._reformatter.reformat(
                picture,
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
    with open_media(path) as (container, track):
        track.codec_context.thread_count = thread_count
        track.codec_context.thread_type = "AUTO"
        for picture in container.decode(track):
            if target is None:
                return
            if picture.pts == target:
                yield picture
                target = next(wanted, None)
    if target is not None:
        raise FootageError(
            where=str(path),
            what=f"the picture at time {target} was indexed but does not come any more",
            remedy="The file may have changed; run again, so that it is indexed anew.",
        )
